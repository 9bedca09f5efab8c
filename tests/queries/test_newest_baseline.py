"""The newest baseline is read once, until another one is there or its file has changed."""

from __future__ import annotations

from pathlib import Path

import orjson
import pytest

from dashboards.queries import baselines
from replay import models
from replay.archive import open_archive
from replay.errors import DamageError


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return which documents of baselines were read, as they are read."""
    seen: list[str] = []

    def load(archive, version=None):
        seen.append(models.list_versions(archive)[-1])
        document = orjson.loads(archive.read_document(f"baselines/{seen[-1]}.json"))
        return models.Baseline.from_plain(document)

    monkeypatch.setattr(models, "load_baseline", load)
    return seen


def test_it_is_read_once_and_a_newer_one_is_noticed(tmp_path: Path, read: list[str]) -> None:
    archive = open_archive(tmp_path, create=True)
    old = {"format": 1, "version": "b1"}
    archive.write_document("baselines/b1-00.json", orjson.dumps(old))
    said = [baselines.newest(archive) for _ in range(3)]
    assert read == ["b1-00"]
    assert said[0] == said[1] == said[2]
    assert said[0][0] is None
    assert "b1" in said[0][1]
    assert "learn again" in said[0][1].lower()
    archive.write_document("baselines/b2-00.json", orjson.dumps(old | {"version": "b2"}))
    assert "b2" in baselines.newest(archive)[1]
    assert read == ["b1-00", "b2-00"]


def test_one_that_is_harmed_meanwhile_is_not_believed(tmp_path: Path, read: list[str]) -> None:
    archive = open_archive(tmp_path, create=True)
    archive.write_document("baselines/b1-00.json", orjson.dumps({"format": 1, "version": "b1"}))
    baselines.newest(archive)
    for lies, other in (("documents", b'"c1"'), ("copies/documents", b'"d1"')):
        file = tmp_path / lies / "baselines" / "b1-00.json"
        file.write_bytes(file.read_bytes().replace(b'"b1"', other))
    with pytest.raises(DamageError):
        baselines.newest(archive)
