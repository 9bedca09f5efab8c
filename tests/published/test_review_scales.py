"""The risk table of MIL-STD-882E and the words of ECSS-Q-ST-10-09C, cell by cell.

Table III of MIL-STD-882E (11 May 2012), document page 12. Copies of it in
circulation are wrong in some cells, most often II/E, III/B, III/D, III/E and IV/B.
"""

import pytest

from replay.reviews.judgements.scales import CLASSES, DECISIONS, LIKELIHOODS, SEVERITIES, risk

TABLE_III = """
A High    High    Serious Medium
B High    High    Serious Medium
C High    Serious Medium  Low
D Serious Medium  Medium  Low
E Medium  Medium  Medium  Low
"""


@pytest.mark.parametrize("line", TABLE_III.strip().splitlines())
def test_risk_is_that_of_table_iii(line):
    level, *cells = line.split()
    assert [risk(category, level) for category in ("I", "II", "III", "IV")] == cells


def test_categories_and_levels_are_those_of_tables_i_and_ii():
    assert SEVERITIES == {
        "I": "catastrophic", "II": "critical", "III": "marginal", "IV": "negligible",
    }  # fmt: skip
    assert list(LIKELIHOODS.values()) == [
        "frequent", "probable", "occasional", "remote", "improbable",
    ]  # fmt: skip
    with pytest.raises(KeyError):
        risk("I", "F")  # eliminated: a state of a hazard, nothing is assessed into it


def test_classes_and_dispositions_are_the_standards_words():
    assert list(CLASSES) == ["major", "minor", "none"]
    assert set(DECISIONS) == {"use-as-is", "rework", "repair", "scrap", "return-to-supplier"}
