"""What the sheet before a take offers and marks: what the map leaves out, what cannot be shown."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from dashboards.components.library_page.intake import confirm_sheet
from dashboards.queries.intake import Proposed, ReviewLine, propose
from replay.cleaning.preview import preview
from replay.errors import UsageError
from replay.logs import load_map
from replay.logs.proposing.proposal import SURE
from tests.cleaning.test_formats import LONG
from tests.logs.test_propose import SEVEN, log

OFFERED = "Show a joint as this map reads it"


def test_lines_that_the_map_comments_out_are_marked(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}_deg", "dq{}_deg_s", "i{}_A", SEVEN)
    load = pl.read_csv(path).with_columns(payload=pl.lit(120.0))
    load.write_csv(path)  # a payload without a unit: kg is assumed, and not sure enough
    item = propose(path)
    assert "# [session.payload]" in item.toml
    assert {x.text.partition(" ")[0] for x in item.lines if not x.used} == {"[session.payload]"}


def test_the_sheet_says_which_lines_are_left_out() -> None:
    lines = (
        ReviewLine('[joint.brake_state] column = "b{n}"', 0.9, "", used=False),
        ReviewLine("[joint.brake_state] words = {}", SURE - 0.2, "", used=False),
        ReviewLine('[joint.current] column = "i{n}"', 0.9, ""),
    )
    said = str(confirm_sheet([Proposed(("a.csv",), "", lines=lines)], {}, []))
    assert "1 of them not sure (below 60 %), 2 left out of the map" in said
    assert said.count("left out: its part of the map is not sure enough") == 2
    all_used = str(confirm_sheet([Proposed(("a.csv",), "", lines=lines[2:])], {}, []))
    assert "left out" not in all_used


def test_a_log_of_one_value_a_row_is_not_offered_a_look_and_told_why() -> None:
    said = str(confirm_sheet([Proposed(("a.csv",), LONG)], {}, []))
    assert OFFERED not in said
    assert "one value a row: a joint cannot be shown before it is taken in" in said
    wide = str(confirm_sheet([Proposed(("a.csv",), "[log]\n")], {}, []))  # no map: the look says so
    assert OFFERED in wide


def test_a_look_at_one_value_a_row_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="replay page"):
        preview(tmp_path / "long.csv", load_map(LONG))
