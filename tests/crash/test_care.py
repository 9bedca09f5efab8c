"""A small run of the harm campaign; `tests.benchmarks.archive_care` is the long one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.crash.care import base_archive, corruptions


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return base_archive(tmp_path_factory.mktemp("care"))


@pytest.mark.timeout(600)
def test_one_harmed_file_is_told_and_what_people_gave_comes_back(
    base: Path, tmp_path: Path
) -> None:
    found = corruptions(base, tmp_path, 8)
    assert found["wrong shown"] == 0, found
    assert found["noticed or harmless"] == found["harmed"], found
    assert found["people restored"] == found["people asked"], found
