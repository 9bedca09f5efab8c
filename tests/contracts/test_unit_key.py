"""The key of a joint unit is made in one place; nothing falls back to a joint's bare name."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

MAKER = "replay/records.py"
"""`Session.unit` alone makes keys."""

OTHER_UNITS = {"replay/logs/proposing/propose.py"}
"""Where ``units`` are a file's units of measure."""

NAMES = {"serial", "unit", "units", "serials"}


def own_name(node: ast.expr) -> str:
    """Return the last name in an expression: ``record.units.get(joint)`` gives ``units``."""
    while isinstance(node, (ast.Call, ast.Subscript)):
        node = node.func if isinstance(node, ast.Call) else node.value
        if isinstance(node, ast.Attribute) and node.attr == "get":
            node = node.value
    if isinstance(node, ast.Attribute):
        return node.attr
    return node.id if isinstance(node, ast.Name) else ""


def fallbacks(text: str) -> list[int]:
    """Return the lines in which a unit's key falls back to something else."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.BoolOp) and isinstance(node.op, ast.Or):
            last = node.values[-1]
            named = isinstance(last, (ast.Name, ast.Attribute, ast.JoinedStr))
            if own_name(node.values[0]) in NAMES and named:
                found.append(node.lineno)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            of = own_name(node.func.value) if node.func.attr == "get" else ""
            if of in {"units", "serials"} and len(node.args) == 2:
                found.append(node.lineno)
    return found


@pytest.mark.parametrize(
    "line",
    [
        "unit = units.get(joint) or joint",
        "unit = record.units[joint] or f'{arm} {joint}'",
        "unit = units.get(joint, joint)",
        "name = trend.serial or trend.joint",
    ],
)
def test_a_fallback_is_seen(line):
    assert fallbacks(line) == [1]


def test_no_key_of_a_unit_falls_back():
    found = {}
    for room in ("replay", "dashboards"):
        for path in (ROOT / room).rglob("*.py"):
            name = path.relative_to(ROOT).as_posix()
            lines = fallbacks(path.read_text(encoding="utf-8"))
            if lines:
                found[name] = lines
    assert set(found) == OTHER_UNITS, found


def test_only_the_record_of_a_session_makes_keys():
    callers = [
        path.relative_to(ROOT).as_posix()
        for room in ("replay", "dashboards")
        for path in (ROOT / room).rglob("*.py")
        if "unit_key(" in path.read_text(encoding="utf-8")
    ]
    assert sorted(callers) == [MAKER, "replay/unit_keys.py"]
