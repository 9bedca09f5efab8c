"""A count and its noun agree: no sentence says '1 sessions'."""

import ast
import re
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

ROOMS = ("dashboards", "replay")
"""Where sentences for people are made."""

NOUNS = re.compile(
    r" rows\b(?! in a )"
    r"| (?:[a-z-]+ ){0,2}"
    r"(sessions|flags|findings|logs|units|decisions|entries|events|notes|lines)\b(?! per )"
)


def bare_counts(text: str) -> list[str]:
    """Return the f-strings that put a plural behind a count whatever the count is.

    A value with a format, or one per something, is a rate, which is not counted; behind
    'of' stands what there is in all.
    """
    found = []
    for node in ast.walk(ast.parse(text)):
        parts = node.values if isinstance(node, ast.JoinedStr) else []
        for n, (value, after) in enumerate(pairwise(parts)):
            if not isinstance(value, ast.FormattedValue) or value.format_spec is not None:
                continue
            before = parts[n - 1] if n else None
            whole = isinstance(before, ast.Constant) and str(before.value).endswith(" of ")
            spoken = not isinstance(value.value, ast.Call) or ast.unparse(value.value.func) == "len"
            if isinstance(after, ast.Constant) and NOUNS.match(str(after.value)) and spoken:
                found += [] if whole else [ast.unparse(node)]
    return found


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ('f"{n} sessions"', True),
        ('f"in {len(done)} logged sessions: "', True),
        ('f"{rate:g} false flags per 100 joint-hours"', False),
        ('f"{left} of {n} sessions are not checked"', False),
        ('f"{session.rows} rows{whole}"', True),
        ('f"{counted(n, word)} in all"', False),
    ],
)
def test_a_bare_count_is_seen(text, seen):
    assert bool(bare_counts(text)) == seen


def test_counts_and_nouns_agree():
    found = {}
    for room in ROOMS:
        for path in (ROOT / room).rglob("*.py"):
            bare = bare_counts(path.read_text(encoding="utf-8"))
            if bare:
                found[path.relative_to(ROOT).as_posix()] = bare
    assert found == {}
