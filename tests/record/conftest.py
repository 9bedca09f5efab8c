"""Archives with flags, and a PostgreSQL server where Debian's packages are there."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from replay.archive import Archive
from replay.record.database import SETTING
from tests.reviews.makers import make_archive


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return make_archive(tmp_path / "archive")


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


@pytest.fixture(scope="session")
def postgresql(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The URL of a server of our own, on a socket in a folder of our own."""
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL server here: apt-get install postgresql")
    home = tmp_path_factory.mktemp("pg", numbered=True)
    data, run = home / "data", Path(os.path.realpath(home)) / "s"
    run.mkdir()
    as_user: list[str] = []
    if os.getuid() == 0:  # the server refuses to run as root
        if shutil.which("runuser") is None or shutil.which("getent") is None:
            pytest.skip("PostgreSQL does not run as root and there is no runuser")
        if subprocess.run(["getent", "passwd", "postgres"], capture_output=True).returncode:
            pytest.skip("PostgreSQL does not run as root and there is no user postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
        for folder in (home, *home.parents[:2]):
            folder.chmod(0o755)
        shutil.chown(home, "postgres")
        shutil.chown(run, "postgres")
    say = {"capture_output": True, "text": True, "timeout": 60}
    done = subprocess.run(
        [*as_user, programs / "initdb", "-D", data, "-U", "book", "-A", "trust", "-N"], **say
    )
    if done.returncode:
        pytest.skip(f"initdb failed: {done.stderr.strip().splitlines()[-1:]}")
    options = f"-k {run} -c listen_addresses='' -c fsync=off"
    subprocess.run(
        [*as_user, programs / "pg_ctl", "-D", data, "-w", "-l", home / "log",
         "-o", options, "start"],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60,
    )  # fmt: skip
    try:
        yield f"postgresql+psycopg://book@/postgres?host={run}"
    finally:
        subprocess.run(
            [*as_user, programs / "pg_ctl", "-D", data, "-m", "immediate", "stop"],
            stdout=subprocess.DEVNULL, timeout=60, check=False,
        )  # fmt: skip


@pytest.fixture(params=["sqlite", "postgresql"])
def any_database(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every test that asks for it runs on both, the server's schema fresh each time."""
    if request.param == "postgresql":
        import psycopg

        url = request.getfixturevalue("postgresql")
        with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")
        monkeypatch.setenv(SETTING, url)
    return str(request.param)
