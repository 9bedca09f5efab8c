"""One key a joint unit: serial number, else arm and joint; older archives are brought over."""

import json
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from replay.archive import layout, migrate, open_archive
from replay.archive.catalogue import session_of
from replay.cleaning import ingest
from replay.logs import load_map
from replay.records import Session
from replay.wear import limits, maintenance

START = datetime(2031, 1, 1, tzinfo=UTC)


def record(session: str, arm: str, units: dict[str, str]) -> Session:
    return Session(
        session=session,
        source=f"{session}.csv",
        arm=arm,
        rows=2,
        start=START,
        end=START + timedelta(seconds=1),
        joints=("J1", "J2"),
        units=units,
        channels={"main": ("J1.current_a", "J2.current_a")},
    )


def test_the_key_is_the_serial_number_else_arm_and_joint():
    one = record("s", "Heron", {"J1": "TU-101"})
    assert one.unit("J1") == "TU-101"
    assert one.unit("J2") == "Heron J2"
    assert one.unit("J2") != record("t", "Teal", {}).unit("J2")


def test_a_joints_own_name_is_no_serial_number_in_an_old_record():
    old = {
        "session": "s", "source": "s.csv", "arm": "Heron", "rows": 2, "joints": ["J1", "J2"],
        "start": START.isoformat(), "end": START.isoformat(), "channels": {},
        "units": {"J1": "TU-101", "J2": "J2"},
    }  # fmt: skip
    assert session_of(old).units == {"J1": "TU-101"}


@pytest.fixture
def shared(tmp_path):
    """An archive of version 1 in which two arms share the key of a joint's bare name."""
    archive = open_archive(tmp_path / "archive", create=True)
    times = pl.Series("time", [START, START + timedelta(seconds=1)]).dt.cast_time_unit("ns")
    frame = pl.DataFrame({"time": times, "J1.current_a": [1.0, 1.0], "J2.current_a": [1.0, 1.0]})
    for name, arm in (("s1", "Heron"), ("s2", "Teal")):
        archive.add_session(record(name, arm, {"J1": f"{arm}-1"}), {"main": frame})
    at = {"start": START, "end": START}
    flags = [
        {"flag": f"F{s}{j}", "session": s, "joint": j, "unit": u, "kind": "friction", **at}
        for s, j, u in (("s1", "J1", "Heron-1"), ("s1", "J2", "J2"), ("s2", "J2", "J2"))
    ]
    archive.replace("flags", pl.DataFrame(flags), session=["s1", "s2"])
    rows = [{"session": s, "joint": "J2", "serial": "J2", "value": 1.0} for s in ("s1", "s2")]
    archive.replace("indicators", pl.DataFrame(rows), session=["s1", "s2"])
    kept = {"J2/play": 0.5, "Heron-1/play": 0.4, "play": 0.9}
    archive.write_document("wear/limits.json", json.dumps(kept).encode())
    note = {"note": "n1", "session": "", "arm": "", "serial": "J2", "joint": "", "date": START}
    done = {"what": "replaced", "detail": ""}
    archive.append("maintenance", pl.DataFrame([note | done]))
    (tmp_path / "archive" / layout.MARKER).write_text('{"schema_version": 1}')
    return tmp_path / "archive"


def test_migration_parts_what_two_arms_shared(shared):
    assert 2 in migrate(shared)
    archive = open_archive(shared)
    units = dict(archive.table("flags").select("flag", "unit").iter_rows())
    assert units == {"Fs1J1": "Heron-1", "Fs1J2": "Heron J2", "Fs2J2": "Teal J2"}
    assert sorted(archive.table("indicators")["serial"]) == ["Heron J2", "Teal J2"]
    assert limits(archive) == {
        "margin left": 0.0, "Heron J2/play": 0.5, "Teal J2/play": 0.5, "Heron-1/play": 0.4,
        "play": 0.9,
    }  # fmt: skip
    assert sorted(maintenance(archive)["serial"]) == ["Heron J2", "Teal J2"]
    assert migrate(shared) == []


MAP = """
[log]
arm = "{arm}"
joints = 1
[time]
column = "t"
format = "seconds"
start = "2031-03-01T00:00:00Z"
[joint.angle]
column = "a{{n}}"
unit = "deg"
[joint.current]
column = "i{{n}}"
unit = "A"
"""


def test_two_arms_without_serial_numbers_share_no_unit(tmp_path):
    archive = open_archive(tmp_path / "archive", create=True)
    for k, arm in enumerate(("Heron", "Teal")):
        log, log_map = tmp_path / f"{arm}.csv", tmp_path / f"{arm}.toml"
        rows = "".join(f"{n / 10 + k},{n * 0.01:.2f},{n % 7 * 0.1:.1f}\n" for n in range(100))
        log.write_text("t,a1,i1\n" + rows)
        log_map.write_text(MAP.format(arm=arm))
        ingest(archive, [log], log_map=load_map(log_map))
    records = [archive.session(s) for s in archive.sessions()["session"]]
    assert sorted(r.unit("J1") for r in records) == ["Heron J1", "Teal J1"]
    assert all(r.units == {} for r in records)
