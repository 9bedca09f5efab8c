"""How one request of the fuzzer becomes another: a few values, names or parts are others.

What comes out is mostly a document still, so that it comes further than the first check.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import atheris

from tests.benchmarks.fuzzing_server import PEOPLE

SENDERS = ("", *PEOPLE)

WILD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 7, 10**30, 2**63, 1.5, -0.0, 1e308, float("nan"), float("inf"),
    "", " ", "0", "-1", "1e400", "nan", "J1", "P1", "P2", "main", "..", "../..", "/etc/passwd",
    "a/../b", "\x00", "a\x00b", "\ud800", "\u202e", "x" * 300, "%", "%00", "%s", "{n}", "=1+1",
    "<script>", "2031-04-01T08:00:00Z", "2031-04-07", "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59Z", "2031-04-01T08:00:00.123456789+23:59", "P1,P2", "json", "csv",
    "parquet", "arrow", "pdf", "time", "current_a", "drag", "watch", "open", "fault", "?session=",
    [], {}, [None], [[]], ["P1"], {"a": 1}, {"id": 3}, [1] * 50, {"session": None}, {"type": []},
)  # fmt: skip


def changed(
    content: bytes,
    most: int,
    seed: int,
    names: Sequence[Any],
    mutate: Callable[[bytes, int], Any] = atheris.Mutate,
) -> bytes:
    """Return another request, as bytes of ``most`` at most; ``names`` are of what is there.

    ``mutate`` changes bytes up to a length; libFuzzer's own works while it runs alone.
    """
    draw = random.Random(seed)
    try:
        case = json.loads(content)
    except ValueError:
        case = None
    if not isinstance(case, dict):
        return content[:most]
    if draw.random() < 0.15:
        case["who"] = draw.choice(SENDERS)
    if draw.random() < 0.06 and "json" in case:
        raw = json.dumps(case["json"]).encode()
        case["text"] = bytes(mutate(raw, len(raw) + 32)).decode("utf-8", "replace")
        return json.dumps(case).encode()[:most]
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        _change(case, draw, names, mutate)
    made = json.dumps(case).encode()
    return made if len(made) <= most else content[:most]


def _change(
    case: dict[str, Any],
    draw: random.Random,
    names: Sequence[Any],
    mutate: Callable[[bytes, int], Any],
) -> None:
    roots = [k for k in ("json", "query", "path", "text", "method", "headers") if k in case]
    root = roots[0] if "json" in case else draw.choice(roots)
    places = list(_places(case, root))
    if draw.random() < 0.6:
        places = [p for p in places if p[1] == "value"] or places
        within, key = draw.choice(places)
        if isinstance(within[key], (dict, list)) and draw.random() < 0.6:
            places = list(_places(within, key))
    within, key = draw.choice(places)
    what = draw.random()
    if what < 0.45:
        within[key] = draw.choice(WILD)
    elif what < 0.65:
        within[key] = draw.choice(names)
    elif what < 0.8 and isinstance(within[key], str):
        raw = within[key].encode("utf-8", "replace")
        within[key] = bytes(mutate(raw, len(raw) + 8)).decode("utf-8", "replace")
    elif what < 0.9 and within is not case:
        del within[key]
    elif isinstance(within, list):
        within.insert(draw.randrange(len(within) + 1), copy.deepcopy(within[key]))
    else:
        within[draw.choice(("id", "property", "value", "session", "flag"))] = within[key]


def _places(within: Any, key: Any) -> Iterator[tuple[Any, Any]]:
    """Yield every place of a document that holds something, as its holder and its key."""
    yield within, key
    inner = within[key]
    keys = (
        inner if isinstance(inner, dict) else range(len(inner)) if isinstance(inner, list) else ()
    )
    for k in list(keys):
        yield from _places(inner, k)
