"""Files are named in the trade's words and statistics' words, and are short or say why not."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text()

RETIRED = {
    "remainder": "residual",
    "heaves": "speed oscillation",
    "wobble": "residual ripple",
    "astray": "encoder drift",
    "pushes": "blocked motion",
    "stir": "excitation",
    "tails": "extreme values",
    "surprises": "outlier trimming",
    "held_out": "cross-validation",
    "natures": "unit scale",
    "spokesman": "lead detector",
    "grasp": "payload overlap",
    "mirrored": "complement",
    "yardstick": "reference model",
    "yardsticks": "reference model",
    "levelling": "covariate adjustment",
    "thinning": "aggregation",
    "lookback": "projection backtest",
    "keeping": "trend cache",
    "beside": "compare, align",
    "together": "session grouping",
    "late": "overlap",
    "watch": "channel statistics",
    "incoming": "folder watcher",
    "shelf": "spill file",
    "sorting": "partition by channel",
    "hands": "pointer",
    "pens": "renderers",
    "tape": "data cache",
    "stage": "player",
    "plates": "figure card",
    "strays": "unknown parameters",
    "likeness": "similar motions",
}
"""Words that names of files no longer use, and the term that stands instead."""

LONGEST = 245
REASON = re.compile(r"Longer than 245 lines[:,]? (because|for)\b", re.IGNORECASE)


def sources() -> list[str]:
    return sorted(
        path.relative_to(ROOT).as_posix()
        for room in ("replay", "dashboards")
        for path in (ROOT / room).rglob("*")
        if path.suffix in (".py", ".js", ".css") and "__pycache__" not in path.parts
    )


def retired_words(name: str) -> set[str]:
    return set(re.split(r"[/_.\d-]+", name)) & set(RETIRED)


def test_a_retired_word_is_seen():
    assert retired_words("replay/wear/lookback.py") == {"lookback"}
    assert retired_words("dashboards/assets/replay_3_tape.js") == {"tape"}
    assert not retired_words("replay/statistics/spread.py")


def test_no_file_is_named_by_a_retired_word():
    used = {name: retired_words(name) for name in sources()}
    wrong = {n: {w: RETIRED[w] for w in words} for n, words in used.items() if words}
    assert wrong == {}


def glossary() -> list[tuple[str, str]]:
    """Return term and file of the guide's table of terms."""
    part = GUIDE.split("### Terms and their files", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| ([^|]+) \| `([^`]+)` \|", part, re.MULTILINE)
    return [(term.strip(), path) for term, path in rows]


@pytest.mark.parametrize(("term", "path"), glossary())
def test_a_term_of_the_glossary_names_its_file(term, path):
    assert (ROOT / path).exists(), f"{term}: no {path}"
    words = set(re.split(r"\W+", term.lower())) - {"a", "of", "the", "by", "and"}
    named = set(re.split(r"[/_.]", path)) | {w.rstrip("s") for w in re.split(r"[/_.]", path)}
    assert any(w in named or w.rstrip("s") in named for w in words), f"{path} does not say {term}"


def test_the_glossary_is_whole():
    assert len(glossary()) >= 30


def too_long(name: str, text: str) -> bool:
    head = "\n".join(text.splitlines()[:40])
    return len(text.splitlines()) > LONGEST and not REASON.search(head)


def test_a_long_file_needs_a_reason_in_its_head():
    assert too_long("x.py", "x = 1\n" * 246)
    assert not too_long("x.py", "x = 1\n" * 245)
    assert not too_long("x.py", '"""Longer than 245 lines because it is a table."""\n' * 246)


def test_no_file_is_long_without_a_reason():
    long = {n for n in sources() if too_long(n, (ROOT / n).read_text(encoding="utf-8"))}
    assert sorted(long) == []


MOST_IN_A_FOLDER = 17
"""About fifteen: more than so many files want folders by subject (``__init__`` left out)."""

LISTS = {"dashboards/assets"}
"""Folders that are a list: one file a page."""


def crowded() -> dict[str, int]:
    folders = [name.rpartition("/")[0] for name in sources() if "/__init__" not in name]
    counted = {folder: folders.count(folder) for folder in set(folders)}
    return {folder: n for folder, n in counted.items() if n > MOST_IN_A_FOLDER}


def test_rooms_of_many_files_have_inner_folders():
    assert set(crowded()) == LISTS
