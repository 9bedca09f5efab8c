"""`jointbook serve` as a program of its own."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import psutil

from replay.archive import Archive

SERVE = [sys.executable, "-m", "replay", "serve"]


def free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


def wait_for(url: str, seconds: float = 40.0) -> bytes:
    end = time.monotonic() + seconds
    while True:
        try:
            return bytes(urllib.request.urlopen(url, timeout=5).read())
        except (urllib.error.URLError, ConnectionError):
            assert time.monotonic() < end, "the dashboard did not come up"
            time.sleep(0.2)


def test_it_serves_on_this_machine_only_and_ends_with_its_parent(heron: Archive) -> None:
    port = free_port()
    words = [*SERVE, "--archive", str(heron.root), "--port", str(port), "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            page = wait_for(f"http://127.0.0.1:{port}/")
            assert b"jointbook" in page
            family = [psutil.Process(process.pid), *psutil.Process(process.pid).children()]
            listening = {
                c.laddr.ip for p in family for c in p.net_connections() if c.status == "LISTEN"
            }
            assert listening == {"127.0.0.1"}
            asked = urllib.request.Request(
                f"http://127.0.0.1:{port}/", headers={"Host": "elsewhere.test"}
            )
            try:
                urllib.request.urlopen(asked, timeout=5)
                turned_away = False
            except urllib.error.HTTPError as error:
                turned_away = error.code == 400
            assert turned_away
        finally:
            process.terminate()
        out, _ = process.communicate(timeout=20)
    assert json.loads(out)["url"] == f"http://127.0.0.1:{port}/"
    _, alive = psutil.wait_procs(family, timeout=10)
    assert alive == []


def test_only_the_installed_program_is_run_and_ipv6_answers(heron: Archive, tmp_path: Path) -> None:
    """A dashboards.py of the folder that one is in stays out; so does a module it would import."""
    mark = tmp_path / "was-run"
    for name in ("dashboards.py", "waitress.py", "json.py"):
        (tmp_path / name).write_text(f"open({str(mark)!r}, 'w')")
    port = free_port()
    words = ["-P", *SERVE[1:], "--archive", str(heron.root), "--host", "::1", "--port", str(port)]
    log = tmp_path / "requests.jsonl"
    with subprocess.Popen(
        [sys.executable, *words, "--log", str(log)], cwd=tmp_path, stderr=subprocess.PIPE
    ) as process:
        try:
            assert json.loads(wait_for(f"http://[::1]:{port}/health")) == {"status": "ok"}
            figures = wait_for(f"http://[::1]:{port}/metrics").decode()
        finally:
            process.terminate()
        process.communicate(timeout=20)
    assert not mark.exists()
    assert figures.endswith("# EOF\n")
    assert "process_resident_memory_bytes" in figures
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    asked = {(line["path"], line["status"]) for line in lines if line["said"] == "answered"}
    assert ("/health", 200) in asked


def test_on_a_network_it_does_not_start_open(heron: Archive) -> None:
    said = subprocess.run(
        [*SERVE, "--archive", str(heron.root), "--host", "0.0.0.0", "--port", str(free_port())],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert said.returncode == 2
    assert "nobody has to sign in" in said.stderr


def test_no_archive_and_a_wrong_port_are_said(tmp_path: Path) -> None:
    nothing = subprocess.run(
        [*SERVE, "--archive", str(tmp_path)], capture_output=True, text=True, timeout=60
    )
    assert nothing.returncode == 1
    assert "no archive here" in nothing.stderr
    wrong = subprocess.run(
        [*SERVE, "--archive", str(tmp_path), "--port", "99999"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert wrong.returncode == 2
    assert "99999" in wrong.stderr
