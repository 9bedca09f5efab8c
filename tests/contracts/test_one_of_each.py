"""A statistic stands once, and so do an error's first line, a file's digest, tests' start."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

MARKS = {
    "ratio of spread to median deviation": r"\b(1\.4826\d*|0\.6744?[59]\d*)\b",
    "Huber's constant": r"\b1\.345\b",
    "runs of a mask": r"np\.diff\(\s*np\.(concatenate|pad|r_)[^\n]*\[?0\]?",
    "false discovery rate": r"(?i)\bdef \w*(benjamini|false_discovery|adjusted_p)",
    "median absolute deviation": r"np\.median\(\s*np\.abs\([^\n]*\)\s*\)\s*[*/]\s*\d",
    "SHA-256 of a file": r"hashlib\.file_digest\(|def _?file_(sha256|digest)\(",
    "first line of an error": r"\berror\b[^\n]*\.(splitlines|split)\(|def _?first_line\(error",
}
"""What a second copy is known by."""

HOMES = ("replay/statistics/", "replay/errors.py", "replay/digests.py", "replay/demo/")
"""Where the first stands; the demo takes nothing of the engine's."""


def copies(text: str) -> set[str]:
    """Return which statistics a text has its own copy of."""
    return {name for name, mark in MARKS.items() if re.search(mark, text)}


@pytest.mark.parametrize(
    "line",
    [
        "s = 1.4826 * np.median(np.abs(x))",
        "s = np.median(np.abs(x)) / 0.6745",
        "HUBER = 1.345",
        "edges = np.flatnonzero(np.diff(np.concatenate([[0], far, [0]])))",
        "def benjamini_hochberg(p):",
        "s = np.median(np.abs(x)) * 1.5",
        "raise LogRefused(f'no table: {error}'.splitlines()[0])",
        "def file_sha256(path: Path) -> str:",
        "    return hashlib.file_digest(handle, 'sha256').hexdigest()",
        "def _first_line(error: BaseException) -> str:",
    ],
)
def test_a_second_copy_is_seen(line):
    assert copies(line)


def test_statistics_stand_once():
    found = {}
    for room in ("replay", "dashboards"):
        for path in (ROOT / room).rglob("*.py"):
            name = path.relative_to(ROOT).as_posix()
            if not name.startswith(HOMES):
                found[name] = copies(path.read_text(encoding="utf-8"))
    assert {name: what for name, what in found.items() if what} == {}


def test_the_instant_that_test_data_begins_at_stands_once():
    """Whoever needs another takes it from there, or calls it otherwise."""
    said = re.compile(r"^START_NS = |\b1_930_089_600_000_000_000\b", re.M)
    tests = (ROOT / "tests").rglob("*.py")
    found = {p.relative_to(ROOT).as_posix() for p in tests if said.search(p.read_text("utf-8"))}
    assert found - {"tests/contracts/test_one_of_each.py"} == {"tests/start.py"}
