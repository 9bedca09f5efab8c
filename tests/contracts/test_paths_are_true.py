"""A path that the guide, the front page, a docstring or the handbook names is there."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOPS = ("replay", "dashboards", "tests", "sample_logs")
ENDS = (".py", ".js", ".css", ".toml", ".md")
"""How a file of the repository ends; with other ends it is an archive's or a person's."""

GIVEN = {
    "my.map.toml", "my-arm.toml", "Arm.toml", "arm.toml", "map.toml", "names-only.toml",
    "dashboards.py",
}  # fmt: skip
"""What a person has or writes: examples of names, which the repository does not hold."""

KEPT = re.compile(r"(record|wear|samples|staging|set-aside)/.*\.(sqlite|parquet|json)$")
"""Files of an archive, some of whose folders are called as a room is."""


@cache
def files() -> tuple[str, ...]:
    """Return every file and folder of the repository, as a path from its top."""
    found = [p for top in TOPS for p in (ROOT / top).rglob("*") if "__pycache__" not in p.parts]
    here = [p for p in ROOT.iterdir() if p.is_file()]
    return tuple(p.relative_to(ROOT).as_posix() for p in [*found, *here])


def first_parts() -> set[str]:
    """Return what a path of the repository can begin with: a top folder or a room."""
    return {*TOPS, *(f.split("/")[1] for f in files() if f.count("/") >= 2)}


def paths(text: str) -> set[str]:
    """Return what stands in backticks and looks like a path of the repository."""
    found = set()
    for span in re.findall(r"`+([^`\n]+)`+", text):
        for word in span.split():
            path = word.partition("::")[0].rstrip(".,;:/")
            if not re.fullmatch(r"[\w./*…-]*\w[\w./*…-]*", path) or path[0] in "./*":
                continue
            room = "/" in path and path.split("/")[0] in first_parts()
            if (path.endswith(ENDS) or room) and not KEPT.search(path) and path not in GIVEN:
                found.add(path)
    return found


def is_there(path: str) -> bool:
    """Return whether the repository has it, said from its top or by its last parts."""
    ends = re.escape(path).replace(r"\*", "[^/]*").replace("…", ".*")
    return any(re.search(rf"(^|/){ends}$", name) for name in files())


def docstrings(text: str) -> Iterator[str]:
    """Give every text that stands alone in a module: docstrings, and those under a constant."""
    for node in ast.walk(ast.parse(text)):
        alone = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        if alone and isinstance(node.value.value, str):
            yield node.value.value


def texts() -> dict[str, str]:
    """Return what is read by people, by where it stands."""
    found = {}
    for name in files():
        if not name.endswith((".py", ".md")) and not name.startswith("dashboards/handbook/"):
            continue
        if (ROOT / name).is_file():
            text = (ROOT / name).read_text(encoding="utf-8")
            found[name] = "\n".join(docstrings(text)) if name.endswith(".py") else text
    return found


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("see `wear/limits.py`", {"wear/limits.py"}),
        ("see `replay/wear/units/limits.py` and `limits.py`", set()),
        ("held by `statistics/moderation`", {"statistics/moderation"}),
        ("`tests/pages/test_gone.py::test_it` is seen", {"tests/pages/test_gone.py"}),
        ("`wear/…/maintenance.py`, `dashboards/assets/*.js`", set()),
        ("`record/head.json` of an archive, `my-arm.toml`, `deg/s`", set()),
    ],
)
def test_an_untrue_path_is_seen(text, wrong):
    assert {path for path in paths(text) if not is_there(path)} == wrong


def test_paths_that_people_read_are_there():
    said = {name: paths(text) for name, text in texts().items() if "test_paths_are" not in name}
    assert len(set().union(*said.values())) > 100
    lost = {name: {p for p in found if not is_there(p)} for name, found in said.items()}
    assert {name: found for name, found in lost.items() if found} == {}


def test_no_example_is_kept_that_nobody_names():
    words = {
        w
        for text in texts().values()
        for s in re.findall(r"`+([^`\n]+)`+", text)
        for w in s.split()
    }
    assert words >= GIVEN
