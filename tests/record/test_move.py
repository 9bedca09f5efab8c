"""What the archive's tables hold moves onto the record, all of it, once."""

from __future__ import annotations

import json

import polars as pl
import pytest

from replay.archive import open_archive
from replay.cli.main import main
from replay.record import open_record
from replay.record.proof import prove
from replay.reviews import pin_history, pins, verdict_history
from replay.wear import limits, maintenance
from tests.record.test_chain import note
from tests.reviews.makers import at

REVIEWS = [
    {
        "session": "s1", "flag": flag, "verdict": word, "note": note, "reviewer": who, "at": at(n),
        "joint": "J1", "kind": "stall", "start": at(10), "end": at(12),
    }
    for n, (flag, word, note, who) in enumerate(
        [
            ("f1", "watch", "", "R. Moss"),
            ("f1", "repair", "a bent <b>rail</b>, «très» 李", "Zoë Müller"),
            ("f1", "repair", "a bent <b>rail</b>, «très» 李", "Zoë Müller"),
            ("f4", "open", "", "K. Fell"),
        ]
    )
]  # fmt: skip
PINS = [
    {
        "session": "s1", "pin": pin, "start": at(5), "end": at(6), "joint": joint, "text": text,
        "author": "R. Moss", "at": at(20 + n),
    }
    for n, (pin, joint, text) in enumerate(
        [("p1", None, "look here"), ("p2", "J2", "and here"), ("p1", None, "")]
    )
]  # fmt: skip
NOTES = [
    {
        "note": f"n{n}", "session": "", "arm": "Heron", "serial": "TU-J1", "joint": "J1",
        "date": at(-n * 1000), "what": "inspected", "detail": "as before",
    }
    for n in range(2)
]  # fmt: skip


@pytest.fixture
def old(archive):
    archive.append("reviews", pl.DataFrame(REVIEWS[:2]))
    archive.append("reviews", pl.DataFrame(REVIEWS[2:]))
    archive.append("pins", pl.DataFrame(PINS, schema_overrides={"joint": pl.String}))
    archive.append("maintenance", pl.DataFrame(NOTES))
    archive.write_document("wear/limits.json", json.dumps({"TU-J1/ripple": 0.5}).encode())
    return archive


def everything(archive):
    return (
        sorted(map(str, verdict_history(archive, "s1").drop("seq").rows())),
        sorted(map(str, pin_history(archive, "s1").rows())),
        maintenance(archive).rows(),
        limits(archive),
    )


def test_every_row_moves_with_every_field(old, any_database, capsys):
    before = everything(old)  # as the tables have it, before there is a record
    assert len(before[0]) == 4
    assert not open_record(old).database.exists()
    assert main(["record", "move", "--archive", str(old.root), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["moved"] == 10
    assert said["from_tables"] == {"verdict": 4, "pin": 3, "maintenance": 2, "limit": 1}
    fresh = open_archive(old.root)
    assert everything(fresh) == before
    rows = verdict_history(fresh, "s1").sort("at").drop("seq").to_dicts()
    assert sorted(rows, key=str) == sorted(REVIEWS, key=str)
    assert pins(fresh, "s1")["pin"].to_list() == ["p2"]
    assert limits(fresh)["TU-J1/ripple"] == 0.5
    assert prove(fresh).whole


def test_moving_again_moves_nothing_and_the_tables_stay(old):
    open_record(old).begin()
    count = len(open_record(old).entries())
    fresh = open_archive(old.root)
    assert open_record(fresh).begin() == 0
    assert len(open_record(fresh).entries()) == count
    assert fresh.table("reviews").height == 4


def test_the_first_entry_takes_what_was_there_along(old):
    before = everything(old)
    open_record(old).append([note(1, session="s2")])
    assert everything(open_archive(old.root)) == before


def test_an_archive_that_can_only_be_read_still_shows_what_people_gave(old, monkeypatch):
    def refuse(self, *, make=False):
        raise AssertionError("reading must not write")

    monkeypatch.setattr("replay.record.database.Database.writing", refuse)
    assert len(everything(open_archive(old.root))[0]) == 4
