"""The server keeps what it owes, whatever it is asked: `tests.benchmarks.fuzzing` in short.

Without coverage to guide it, which costs twenty seconds to set up: a sample of the requests that
the fuzzer begins with, the same in each run, and each of them changed once.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.reports.yard import bench_yard

pytest.importorskip("atheris")
if TYPE_CHECKING:
    from tests.benchmarks.fuzzing_requests import Requests

SAMPLE = 24
SLOW = {"bundle.zip", "report", "report.html"}
"""Last words of addresses that take seconds: a bundle, a report; the long form asks for them."""


@pytest.fixture(scope="module")
def requests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Requests]:
    from dashboards.app import load_pages

    load_pages()  # before the next line: what is loaded there is watched, which is slow
    from tests.benchmarks.fuzzing_requests import Requests
    from tests.benchmarks.fuzzing_server import Server

    archive, _ = bench_yard(tmp_path_factory)
    server = Server(Path(archive.root), tmp_path_factory.mktemp("asked"))
    yield Requests(server)
    server.close()


def altered(content: bytes, most: int) -> bytes:
    """Change a byte or two, in place of libFuzzer's own way."""
    draw = random.Random(content)
    made = bytearray(content)
    for _ in range(2):
        made.insert(draw.randrange(len(made) + 1), draw.randrange(256))
    return bytes(made[:most])


@pytest.mark.parametrize("target", ["routes", "callbacks"])
def test_a_server_keeps_what_it_owes_whatever_it_is_asked(requests: Requests, target: str) -> None:
    from tests.benchmarks.fuzzing_changes import changed

    begins = requests.of_routes() if target == "routes" else requests.of_callbacks()
    cases = [case for case in begins if case["path"][-1] not in SLOW]
    assert len(cases) > 80, "routes and callbacks are walked"
    seen: list[Any] = []
    for n, case in enumerate(random.Random(1).sample(cases, SAMPLE)):
        other = changed(json.dumps(case).encode(), 1 << 16, n, requests.names, altered)
        for one in (case, json.loads(other)):
            requests.server.hold(one)
            seen.append(one)
    assert len(seen) == 2 * SAMPLE
    assert sum(a != b for a, b in zip(seen[::2], seen[1::2], strict=True)) > SAMPLE // 2


def test_what_the_server_owes_nobody_is_noticed(
    requests: Requests, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.benchmarks.fuzzing_server import Broken

    case = {"who": "ann", "method": "GET", "path": ["data", "wear", "history.csv"]}
    requests.server.hold(case)
    endpoints = requests.server.app.server.view_functions

    def failing(**words: object) -> str:
        raise ValueError(f"gone: {requests.server.secrets[0]}")

    def telling(**words: object) -> str:
        return requests.server.secrets[0]

    for bad, said in ((failing, "500"), (telling, "in the answer")):
        monkeypatch.setitem(endpoints, "save_history", bad)
        with pytest.raises(Broken, match=said):
            requests.server.hold(case)
