import pytest

from replay.archive import open_archive
from replay.checks import learn
from tests.checks.sessions import add, bench


@pytest.fixture(scope="session")
def bench_archive(tmp_path_factory):
    """Twelve healthy sessions and what was learned from them."""
    archive = open_archive(tmp_path_factory.mktemp("bench"), create=True)
    for k in range(12):
        add(archive, f"healthy{k:02d}", bench(k), day=k)
    return archive, learn(archive, [f"healthy{k:02d}" for k in range(12)])
