import pytest

from replay.archive import open_archive
from replay.checks import learn
from replay.checks.limits.calibrating import calibrate
from replay.models import load_baseline
from tests.built_once import built_once
from tests.checks.sessions import add, bench
from tests.checks.simulated_residuals import session
from tests.checks.work_cycles import fill_cell


def fill_bench(root):
    """Twelve healthy sessions and what was learned from them."""
    archive = open_archive(root, create=True)
    learn(archive, [add(archive, f"healthy{k:02d}", bench(k), day=k) for k in range(12)])


@pytest.fixture(scope="session")
def bench_archive(tmp_path_factory):
    """The archive that `fill_bench` makes, and its baseline."""
    archive = open_archive(built_once(tmp_path_factory, "bench", fill_bench))
    return archive, load_baseline(archive)


@pytest.fixture(scope="session")
def cell(tmp_path_factory):
    """The archive of work cycles that `fill_cell` makes."""
    return open_archive(built_once(tmp_path_factory, "cell", fill_cell))


@pytest.fixture(scope="session")
def laws():
    """What twelve healthy sessions of invented residuals teach; nobody writes to it."""
    return calibrate([session(k) for k in range(12)], {})


@pytest.fixture(scope="session")
def law(laws):
    """The limits' laws of `laws`."""
    return laws[0]
