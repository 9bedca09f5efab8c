"""What the pages say of a session in a word or a number."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboards.queries.catalogue import facts
from dashboards.queries.session import completeness
from replay.archive import open_archive
from replay.records import Session

START = datetime(2031, 4, 2, 9, tzinfo=UTC)


def of_rate(rate_hz: float) -> Session:
    """Return a session that was logged so often."""
    return Session(
        session="s1",
        arm="heron",
        source="s1.parquet",
        start=START,
        end=START + timedelta(minutes=10),
        joints=("J1",),
        units={"J1": "TU-1"},
        channels={"main": ("J1.angle_deg",)},
        rows=600,
        rate_hz=rate_hz,
    )


def test_what_varies_is_told_from_what_is_not_said():
    never = of_rate(20.0)
    logged = ("J1.angle_deg", "base_end", "payload_kg", "person_on_tip")
    varying = replace(never, channels={"main": logged})
    empty = replace(varying, payload_kg=0.0, person_on_tip=False)
    names = ("Base end", "Payload", "Person on the tip")
    for record, words in (
        (never, ["not said"] * 3),
        (varying, ["varying"] * 3),
        (empty, ["varying", "0 kg", "no"]),
    ):
        said = dict(facts(record))
        assert [said[name] for name in names] == words


@pytest.mark.parametrize(
    ("rate_hz", "said"),
    [(20.0, "20 Hz"), (99.96, "100 Hz"), (999.7, "1,000 Hz"), (1000.0, "1,000 Hz")],
)
def test_a_fast_logs_rate_is_no_power_of_ten(rate_hz, said):
    assert dict(facts(of_rate(rate_hz)))["Rate"] == said


def test_a_joint_that_lacks_samples_is_named_beside_rows_that_are_whole(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    times = pl.Series([START + timedelta(seconds=0.1 * k) for k in range(100)])
    frame = pl.DataFrame(
        {
            "time": times.cast(pl.Datetime("ns", "UTC")),
            "J1.current_a": [1.0] * 100,
            "J2.current_a": [1.0] * 75 + [None] * 25,
        }
    )
    channels = {"main": ("J1.current_a", "J2.current_a")}
    record = replace(
        of_rate(10.0), joints=("J1", "J2"), channels=channels, rows=100, completeness=1.0
    )
    archive.add_session(record, {"main": frame})
    said = completeness.words(archive, record)
    assert said == "100.0 % of the rows; least J2, 75.0 %"
    assert dict(facts(record, said))["Complete"] == said
