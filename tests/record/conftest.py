"""Archives with flags, and a PostgreSQL server where Debian's packages are there."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
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
def postgresql() -> Iterator[str]:
    """The URL of a server of our own, on a socket in a folder of our own.

    The folder stands beside pytest's, not in it: pytest's is closed to everybody but
    who runs the tests, and the server runs as another user where that is root.
    """
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL server here: apt-get install postgresql")
    as_user = _as_server_user()
    home = Path(os.path.realpath(tempfile.mkdtemp(prefix="jointbook-pg-")))
    try:
        if as_user:
            shutil.chown(home, "postgres")
        yield from _served(programs, home, as_user)
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _as_server_user() -> list[str]:
    """Return what to say before a command: the server refuses to run as root."""
    if os.getuid() != 0:
        return []
    if shutil.which("runuser") is None or shutil.which("getent") is None:
        pytest.skip("PostgreSQL does not run as root and there is no runuser")
    if subprocess.run(["getent", "passwd", "postgres"], capture_output=True).returncode:
        pytest.skip("PostgreSQL does not run as root and there is no user postgres")
    return ["runuser", "-u", "postgres", "--"]


def _served(programs: Path, home: Path, as_user: list[str]) -> Iterator[str]:
    """Make a server's folder, start it, and stop it again."""
    data = home / "data"
    say = {"capture_output": True, "text": True, "timeout": 60, "check": False, "cwd": home}
    made = subprocess.run(
        [*as_user, programs / "initdb", "-D", data, "-U", "book", "-A", "trust", "-N"], **say
    )
    assert made.returncode == 0, f"PostgreSQL is here and does not start: {made.stderr}"
    options = f"-k {home} -c listen_addresses='' -c fsync=off"
    ctl = [*as_user, programs / "pg_ctl", "-D", data, "-w"]
    log = home / "log"
    started = subprocess.run(
        [*ctl, "-l", log, "-o", options, "start"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60, check=False, cwd=home,
    )  # fmt: skip
    assert started.returncode == 0, f"PostgreSQL does not start: {log.read_text()[-2000:]}"
    try:
        yield f"postgresql+psycopg://book@/postgres?host={home}"
    finally:
        subprocess.run(
            [*ctl, "-m", "immediate", "stop"], stdout=subprocess.DEVNULL, timeout=60, check=False
        )


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
