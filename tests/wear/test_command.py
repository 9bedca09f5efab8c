import json
import shutil
import sys

import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.cli.main import main
from replay.errors import UsageError
from replay.record import open_record
from replay.wear import add_maintenance, maintenance
from replay.wear.reference.store import DOCUMENT


@pytest.fixture
def copy(worn, tmp_path):
    """A copy of the worn archive that a test may write to."""
    from replay.wear import indicators

    indicators(worn)
    shutil.copytree(worn.root, tmp_path / "copy")
    return open_archive(tmp_path / "copy")


def run(archive, capsys, *words):
    code = main(["wear", "--archive", str(archive.root), *words])
    return code, capsys.readouterr()


@pytest.mark.parametrize("ending", ["csv", "parquet", "json"])
def test_trends_are_exported(copy, capsys, tmp_path, ending):
    path = tmp_path / f"wear.{ending}"
    code, _ = run(copy, capsys, "--out", str(path), "--joint", "J1")
    assert code == 0
    if ending == "json":
        rows = json.loads(path.read_text())["trends"]
    else:
        read = pl.read_csv if ending == "csv" else pl.read_parquet
        rows = read(path).to_dicts()
    found = {r["indicator"]: r for r in rows}
    assert found["friction at usual rate"]["verdict"] == "rising"
    assert {r["joint"] for r in rows} == {"J1"}


def test_a_maintenance_note_is_recorded_and_splits_the_history(copy, capsys):
    code, said = run(
        copy, capsys, "--json", "--note", "TU-101", "2032-01-10", "replaced", "by", "a", "spare"
    )
    assert code == 0
    notes = maintenance(copy)
    assert notes["detail"].to_list() == ["by a spare"]
    document = json.loads(said.out)
    assert document["note"] == notes["note"][0]
    sessions = {t["n"] for t in document["trends"] if t["serial"] == "TU-101"}
    assert max(sessions) == 15


def test_a_limit_is_kept_and_projected(copy, capsys):
    code, said = run(copy, capsys, "--json", "--limit", "TU-101/coulomb friction=2.0")
    assert code == 0
    trends = {(t["serial"], t["indicator"]): t for t in json.loads(said.out)["trends"]}
    projection = trends["TU-101", "coulomb friction"]["detail"]["projection"]
    assert projection["limit"] == 2.0
    # 0.2 A a year from 1.0 A at the start of 2031.
    assert "2035" < projection["date"] < "2038"
    assert projection["date_low"] < projection["date"] < (projection["date_high"] or "9999")
    assert "projection" not in trends["TU-102", "coulomb friction"]["detail"]
    _, said = run(copy, capsys, "--json", "--limit", "TU-101/coulomb friction=")
    trends = {(t["serial"], t["indicator"]): t for t in json.loads(said.out)["trends"]}
    assert "projection" not in trends["TU-101", "coulomb friction"]["detail"]


def test_the_fleet_has_the_worn_unit_first(copy, capsys):
    code, said = run(copy, capsys, "--json", "--fleet")
    assert code == 0
    fleet = json.loads(said.out)["fleet"]
    assert [(u["serial"], u["attention"]) for u in fleet] == [
        ("TU-101", "worsening"),
        ("TU-102", "steady"),
    ]


def test_looking_back_counts_intervals_that_held(copy, capsys):
    code, said = run(copy, capsys, "--json", "--look-back", "--limit", "coulomb friction=1.25")
    assert code == 0
    found = json.loads(said.out)["look_back"]
    assert found["stands"] >= 1
    assert 0 <= found["held"] <= found["stands"]
    assert found["claimed"] == 0.9
    # units that wear without a limit are asked after levels on their way
    reached = found["at_levels_reached"]
    assert {"serial": "TU-101", "indicator": "friction at usual rate"} in reached["histories"]
    assert 0 <= reached["held"] <= reached["stands"]


def test_looking_back_is_said_in_words(copy, capsys):
    code, said = run(copy, capsys, "--look-back")
    assert code == 0
    assert "claimed 90%" in said.out
    assert "no history has crossed its limit yet" in said.err


def test_duty_since_installation_is_told(copy, capsys):
    code, said = run(copy, capsys, "--json", "--duty", "--serial", "TU-101")
    assert code == 0
    duty = {d["indicator"]: d for d in json.loads(said.out)["duty"]}
    assert duty["starts"]["sessions"] == 30
    assert duty["starts"]["total"] == 30 * 30
    # 30 legs of 4 s a session, ends of a stretch known to a sample
    assert duty["hours moving"]["total"] == pytest.approx(30 * 30 * 4 / 3600, rel=0.08)
    assert 0 < duty["hours moving"]["se"] < 0.01 * duty["hours moving"]["total"]
    assert 0 < duty["travel"]["se"] < 0.01 * duty["travel"]["total"]
    add_maintenance(copy, "TU-101", "2032-01-10", "replaced")
    _, said = run(copy, capsys, "--json", "--serial", "TU-101")
    anew = {d["indicator"]: d for d in json.loads(said.out)["duty"]}
    assert anew["starts"]["sessions"] == 15
    add_maintenance(copy, "TU-102", "2033-06-01", "replaced")
    _, said = run(copy, capsys, "--duty")
    assert "TU-102" in said.out  # its life is over, not forgotten


def test_the_fleet_and_the_measures_are_saved(copy, capsys, tmp_path):
    code, _ = run(copy, capsys, "--fleet", "--out", str(tmp_path / "fleet.parquet"))
    assert code == 0
    assert pl.read_parquet(tmp_path / "fleet.parquet")["serial"].to_list() == ["TU-101", "TU-102"]
    code, _ = run(copy, capsys, "--measures", str(tmp_path / "m.csv"), "--serial", "TU-101")
    assert code == 0
    rows = pl.read_csv(tmp_path / "m.csv", infer_schema_length=None)
    assert set(rows["serial"]) == {"TU-101"}
    assert {"value", "se", "session", "indicator"} <= set(rows.columns)
    assert rows["session"].n_unique() == 30


def test_a_unit_that_nobody_knows_is_refused_unless_it_is_new(copy, capsys):
    code, said = run(copy, capsys, "--note", "TU-110", "2032-05-01", "inspected")
    assert code == 2
    assert "TU-101, TU-102" in said.err
    assert "--new-unit" in said.err
    assert not maintenance(copy).height
    code, _ = run(copy, capsys, "--note", "TU-110", "2032-05-01", "inspected", "--new-unit")
    assert code == 0
    code, _ = run(copy, capsys, "--note", "TU-110", "2032-05-02", "adjusted")
    assert code == 0  # a note names it now
    assert maintenance(copy)["serial"].to_list() == ["TU-110", "TU-110"]


def test_what_no_session_could_give_is_said(copy, capsys):
    _, said = run(copy, capsys)
    assert "not measured in any session: margin left (needs the arm file's current limit)" in (
        said.err
    )


def test_a_limit_on_the_axis_of_use_is_given_in_use(copy, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")  # one line a trend
    limit = ["--limit", "TU-101/friction at usual rate=2.2"]
    code, said = run(copy, capsys, "--against", "travel", "--serial", "TU-101", *limit)
    assert code == 0
    line = next(row for row in said.out.splitlines() if "friction at usual rate" in row)
    assert " turns (" in line
    assert ", about 203" in line
    assert "per 1000 turns (90 %)" in said.out


def test_an_export_has_the_axis_that_was_asked_for(copy, capsys, tmp_path):
    path = tmp_path / "work.csv"
    code, _ = run(copy, capsys, "--against", "work", "--out", str(path))
    assert code == 0
    rows = pl.read_csv(path, infer_schema_length=None)
    assert set(rows["axis_unit"]) == {"MA2 s"}
    known = rows.filter(pl.col("slope").is_not_null())
    assert known.height
    assert (known["slope_axis_low"] <= known["slope"]).all()
    assert (known["slope"] <= known["slope_axis_high"]).all()


@pytest.mark.parametrize(
    "words",
    [
        ["--note", "TU-101", "2032-01-10"],
        ["--note", "TU-101", "soon", "replaced"],
        ["--note", "TU-101", "2032-01-10", "painted"],
        ["--limit", "coulomb friction"],
        ["--limit", "coulomb friction=much"],
        ["--out", "wear.docx"],
        ["--out", "nowhere/wear.csv"],
        ["--measures", "wear.json"],
        ["--limit", "coulomb fricton=2"],
        ["--limit", "TU-999/coulomb friction=2"],
        ["--limit", "travel=2"],
    ],
)
def test_wrong_words_are_refused_and_nothing_is_kept(copy, capsys, words):
    code, said = run(copy, capsys, *words)
    assert code == 2
    assert said.err
    assert not maintenance(copy).height
    assert open_record(copy).entries("limit") == []


def test_a_note_needs_a_serial(copy):
    with pytest.raises(UsageError, match="serial"):
        add_maintenance(copy, " ", "2032-01-10", "replaced")


def test_kept_trends_are_judged_again_where_something_changed(copy, monkeypatch):
    from replay.wear import judge, limits, set_limit, trends
    from replay.wear.assessment import trend_cache

    room = sys.modules["replay.wear.assessment.trends"]
    looked = []
    whole = room.assess

    def counted(history, **more):
        looked.append((history.serial, history.indicator))
        return whole(history, **more)

    monkeypatch.setattr(room, "assess", counted)
    # whoever had trends of the shared archive before, here none are kept yet
    monkeypatch.setattr(trend_cache, "PROGRAM", -1)
    trends(copy)
    every = set(looked)
    assert {serial for serial, _ in every} == {"TU-101", "TU-102"}
    looked.clear()
    trends(copy)
    assert looked == []
    add_maintenance(copy, "TU-101", "2032-01-10", "inspected")
    trends(copy)
    assert looked == []  # it splits nothing
    add_maintenance(copy, "TU-101", "2032-01-10", "repaired")
    found = trends(copy)
    assert set(looked) == {pair for pair in every if pair[0] == "TU-101"}
    looked.clear()
    set_limit(copy, "coulomb friction", 2.0, serial="TU-102")
    found = trends(copy)
    assert looked == [("TU-102", "coulomb friction")]
    set_limit(copy, "coulomb friction", 3.0)
    found = trends(copy)
    assert looked[1:] == [("TU-101", "coulomb friction")]
    assert found == judge(trend_cache.indicator_rows(copy), maintenance(copy), limits(copy))
    use = trends(copy, against="travel")
    add_maintenance(copy, "TU-102", "2031-12-10", "relubricated")
    assert use != trends(copy, against="travel")
    assert trends(copy, against="travel") == judge(
        trend_cache.indicator_rows(copy), maintenance(copy), limits(copy), against="travel"
    )


def test_of_one_unit_nothing_is_said_of_any_session(copy, capsys):
    for words in (["--serial", "TU-101"], ["--joint", "J1"]):
        _, said = run(copy, capsys, *words)
        assert "not measured of TU-101: margin left (needs" in said.err
        assert "in any session" not in said.err


def test_reference_models_are_read_once_for_all_units(copy, capsys, monkeypatch):
    read = []
    whole = Archive.read_document

    def counted(self, name):
        read.append(name)
        return whole(self, name)

    run(copy, capsys)  # judged, so that only what is kept is read
    monkeypatch.setattr(Archive, "read_document", counted)
    _, said = run(copy, capsys)
    assert "not measured" in said.err
    assert read.count(DOCUMENT) == 2  # for the measures, and for what was not measured


def test_trends_are_the_same_whatever_the_order_in_which_a_table_holds_its_rows(copy):
    from replay.wear import judge, limits
    from replay.wear.assessment import trend_cache

    table = trend_cache.indicator_rows(copy)
    by_unit = table.sort("serial", "session", maintain_order=True)
    assert not by_unit.equals(table), "the order is another"
    told = [judge(rows, maintenance(copy), limits(copy)) for rows in (table, by_unit)]
    assert len(told[0]) > 20
    assert repr(told[0]) == repr(told[1])
