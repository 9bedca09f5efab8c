"""Two real data sets that hold no wear: a trend found in them would be false.

The mill: 18 runs with worn and fresh tools, confounded by feed rate
(University of Michigan SMART lab, 2018). The cobot: seven hours of one day
(UCI data set 963, doi 10.24432/C5J891, CC BY 4.0), whose joints warm up.
"""

from datetime import date, timedelta

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import load_map
from replay.wear import indicators, trends
from replay.wear.units.not_measured import not_measured_of
from tests.real_logs import MAPS, whole


def test_tools_that_wear_are_no_wearing_axes(tmp_path):
    runs = sorted(whole("cnc_mill").glob("experiment_*.csv"))
    assert runs
    archive = open_archive(tmp_path / "archive", create=True)
    text = (MAPS / "mill.toml").read_text()
    assert "2018-01-01" in text
    for week, run in enumerate(runs):
        # The log has no dates: one run a week stands in for them.
        day = date(2018, 1, 1) + timedelta(weeks=week)
        result = ingest(archive, [run], log_map=load_map(text.replace("2018-01-01", f"{day}")))
        assert len(result.sessions) == 1
    indicators(archive)
    found = trends(archive)
    judged = [t for t in found if t.result != "too-few"]
    assert {t.joint for t in judged} >= {"X", "Y"}
    assert [t for t in judged if t.result != "steady"] == []


def test_a_day_of_warming_up_is_no_wear(tmp_path):
    log = whole("cobotops", "dataset_02052023.xlsx")
    archive = open_archive(tmp_path / "archive", create=True)
    ingest(archive, [log], log_map=load_map(MAPS / "cobot.toml"))
    table = indicators(archive)
    assert table.height
    assert [t for t in trends(archive) if t.result != "too-few"] == []
    # the arm stands under gravity that no arm file tells: its currents are no figures of wear
    for serial in table["serial"].unique():
        reasons = dict(not_measured_of(archive, serial))
        assert reasons["holding current"].startswith("withheld: "), serial
        assert reasons["friction at usual rate"].startswith("withheld: "), serial
    # Without angles gravity hides friction: no number is given for it.
    assert not table["indicator"].str.contains("friction").any()
