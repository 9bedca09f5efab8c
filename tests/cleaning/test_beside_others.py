"""A log that has to be read line by line comes out the same, alone and beside others."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cleaning.logs import notes, only, samples, table, take, text

ROWS = 3000
Lines = list[str]


def short(lines: Lines) -> Lines:
    return [*lines[:2000], ",".join(lines[2000].split(",")[:3]), *lines[2001:]]


def long(lines: Lines) -> Lines:
    return [*lines[:2000], lines[2000] + ",5.0", *lines[2001:]]


def open_quote(lines: Lines) -> Lines:
    return [*lines[:2000], '"' + lines[2000], *lines[2001:]]


def mostly_blank_at_the_end(lines: Lines) -> Lines:
    return [
        lines[0] + ",rider",
        *(f"{x},{'yes' if k % 500 == 0 else ''}" for k, x in enumerate(lines[1:])),
    ]


@pytest.mark.parametrize("broken", [short, long, open_quote, mostly_blank_at_the_end])
def test_what_is_read_line_by_line_is_the_same_alone_and_beside_others(
    tmp_path: Path, broken: Callable[[Lines], Lines]
) -> None:
    log, good = tmp_path / "log.csv", tmp_path / "good.csv"
    log.write_text("\n".join(broken(text(table(ROWS)).splitlines())) + "\n")
    good.write_text(text(table(50)).replace("2031-03-01", "2031-03-02"))
    alone, beside = tmp_path / "alone", tmp_path / "beside"
    alone.mkdir()
    beside.mkdir()
    archive, result = take(alone, log)
    one = only(result)
    assert one.rows in (ROWS, ROWS - 1)
    others, both = take(beside, log, good)
    assert not both.refused
    two = next(s for s in both.sessions if s.source.endswith("log.csv"))
    assert samples(others, two).equals(samples(archive, one))
    for kind in ("short-row", "long-row"):
        assert notes(two, kind) == notes(one, kind)
    assert not [p for p in (beside / "archive" / "staging").glob("*") if p.is_dir()]
