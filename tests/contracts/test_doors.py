"""At every door a function says what goes in, what comes out, and what it may raise."""

import importlib
import inspect
import re
from pathlib import Path

import pytest

import replay

ROOMS = (
    "accounts",
    "workers",
    "statistics",
    "arm",
    "logs",
    "cleaning",
    "archive",
    "record",
    "signals",
    "models",
    "signatures",
    "checks",
    "wear",
    "reviews",
    "reports",
    "cli",
    "demo",
)
"""All of them; a room without ``__all__`` has no functions at its door."""


def functions_at_doors() -> dict[str, object]:
    """Return the functions that the front door and each room's door name."""
    found = {f"replay.{n}": getattr(replay, n) for n in replay.__all__}
    for room in ROOMS:
        door = importlib.import_module(f"replay.{room}")
        found |= {f"{room}.{n}": getattr(door, n) for n in getattr(door, "__all__", ())}
    return {k: v for k, v in found.items() if inspect.isfunction(v)}


def lacking(function: object) -> list[str]:
    """Return what a function's docstring does not say."""
    text = inspect.getdoc(function) or ""
    signature = inspect.signature(function)
    taken = [p for p in signature.parameters if p not in ("self", "archive")]
    without = []
    sections = set(re.findall(r"^(Parameters|Returns|Yields|Raises)\n-+$", text, re.MULTILINE))
    if taken and "Parameters" not in sections:
        without.append("a section Parameters")
    described = text.split("Parameters\n---", 1)[-1] if "Parameters" in sections else ""
    without += [
        f"parameter {name}"
        for name in taken
        if described and not re.search(rf"^[\w, *]*\b{name}\b[\w, *]* :", described, re.MULTILINE)
    ]
    gives = signature.return_annotation
    summary = text.split("\n\n", 1)[0]
    told = sections & {"Returns", "Yields"} or re.search(r"\b[Rr]eturn", summary)
    if gives not in (None, "None", inspect.Signature.empty) and not told:
        without.append("what is returned")
    return without


def test_a_bare_docstring_is_seen():
    def bare(archive: object, many: int) -> int:
        """Count."""
        return many

    assert lacking(bare) == ["a section Parameters", "what is returned"]


def test_no_room_is_left_out():
    rooms = {p.parent.name for p in Path(replay.__file__).parent.glob("*/__init__.py")}
    assert rooms == set(ROOMS)


@pytest.mark.parametrize("name", functions_at_doors())
def test_a_function_at_a_door_says_what_it_takes_and_gives(name):

    assert lacking(functions_at_doors()[name]) == []
