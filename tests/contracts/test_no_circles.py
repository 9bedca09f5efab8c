"""No circle of imports, wherever the import stands: for types only, inside a function, anywhere."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def modules() -> dict[str, Path]:
    found = {}
    for room in ("replay", "dashboards"):
        for path in (ROOT / room).rglob("*.py"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


def imports(source: str, known: set[str]) -> set[str]:
    """Return the modules that a file imports, of those that are known."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            for a in node.names:
                whole = f"{node.module}.{a.name}"
                found.add(whole if whole in known else node.module)
    return found & known


def circles(graph: dict[str, set[str]]) -> list[set[str]]:
    """Return the groups of modules that reach each other (R. Tarjan 1972)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    made = []

    def visit(name: str) -> None:
        order[name] = low[name] = len(order)
        stack.append(name)
        for other in graph[name]:
            if other not in order:
                visit(other)
                low[name] = min(low[name], low[other])
            elif other in stack:
                low[name] = min(low[name], order[other])
        if low[name] == order[name]:
            group = set()
            while name not in group:
                group.add(stack.pop())
            if len(group) > 1:
                made.append(group)

    for name in graph:
        if name not in order:
            visit(name)
    return made


@pytest.mark.parametrize(
    "source",
    [
        "from replay.b import x",
        "def f():\n    import replay.b",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from replay import b",
    ],
)
def test_a_circle_is_seen_wherever_the_import_stands(source):
    known = {"replay.a", "replay.b"}
    back = imports("from replay.a import y", known)
    assert circles({"replay.a": imports(source, known), "replay.b": back}) == [known]


def test_no_modules_import_each_other():
    known = modules()
    assert len(known) > 200
    graph = {name: imports(path.read_text(), set(known)) - {name} for name, path in known.items()}
    graph["replay"] = set()  # the front door loads its rooms when a name is asked for
    assert circles(graph) == []
