"""Where logs of real machines lie: cuts and maps in this project, the whole logs beside it.

What this project holds is always there, so a test that does not find it fails. The whole logs
are no part of it; their tests are skipped where they are not.
"""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HELD = ROOT / "tests" / "data"
MAPS = HELD / "maps"
COBOT_CUT = HELD / "cobotops_cut.csv"
WHOLE = ROOT.parent / "shared" / "data"
COBOT = ("cobotops", "dataset_02052023.csv")


def whole(*parts: str) -> Path:
    """Return where a whole log, or a folder of them, lies; skip the test if it is not there."""
    path = WHOLE.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"{'/'.join(parts)} is not in ../shared/data beside the project")
    return path
