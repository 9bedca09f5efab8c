"""What every open page asks again and again takes one look at the record, and lists no folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboards.queries import news
from replay.archive.disk.place import DiskPlace
from replay.record.database import Database
from replay.reviews import add_pin
from tests.reviews.makers import at, make_archive


def test_what_came_is_one_state_of_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = make_archive(tmp_path / "archive")
    session = archive.sessions()["session"][0]
    add_pin(archive, session, at(0), at(1), text="it knocks", author="ann", joint="J1")
    looks, lists = [], []
    reading, files = Database.reading, DiskPlace.files

    def looked(self: Database):
        looks.append(self.name)
        return reading(self)

    def listed(self: DiskPlace) -> list[str]:
        lists.append(self.path)
        return files(self)

    monkeypatch.setattr(Database, "reading", looked)
    monkeypatch.setattr(DiskPlace, "files", listed)
    last, came = news.since(archive, 0, session, "bob")
    assert [(n.kind, n.who) for n in came] == [("pin", "ann")]
    assert came[0].seq == last
    assert (len(looks), lists) == (1, [])
    assert news.since(archive, last, session, "bob") == (last, ())
    assert (len(looks), lists) == (2, [])
