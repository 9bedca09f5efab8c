"""A short run of the fuzzer over what comes from outside; `tests.benchmarks.fuzzing` runs long."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("atheris")

RUNS = {"reader": 30, "log_map": 4000, "arm": 500, "address": 4000}
"""So many inputs each, a few seconds in all."""


@pytest.mark.parametrize("target", RUNS)
def test_what_comes_from_outside_is_read_or_refused_in_words(target: str, tmp_path: Path) -> None:
    kept, place = tmp_path / "kept", tmp_path / "place"
    place.mkdir()
    words = [sys.executable, "-m", "tests.benchmarks.fuzzing", target, "--keep", str(kept)]
    words += ["--runs", str(RUNS[target]), "--place", str(place)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert f"Done {RUNS[target]} runs" in done.stderr
    assert list(kept.glob("seed*"))
    assert not list(kept.glob("find-*"))
    assert not list(place.iterdir()), "what it worked in is left"
