"""At every door a function says what goes in, what comes out, and what it may raise.

Arrays have a shape, tables their columns, numbers a unit. A source where a formula is
used is for people to judge: no test asks for it.
"""

import ast
import importlib
import inspect
import re
import textwrap
from pathlib import Path

import polars as pl
import pytest

import replay
from replay import errors
from replay.statistics.spread import Floats

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


ARRAY = re.compile(r"ArrayLike|\bArray\b|[nN][dD][aA]rray|\bFloats\b|\bInts\b|\bMask\b|\bIndex\b")
TABLE = re.compile(r"DataFrame|LazyFrame|\bSeries\b")
NUMBER = re.compile(r"\bfloat(64)?\b|ArrayLike|\bArray\b|\bFloats\b")
SHAPE = re.compile(r"\([nkm\d][\w, ]*,?[\w ]*\)|of shape ")
COLUMNS = re.compile(r"[Cc]olumns|[Ff]ields|`{1,2}[\w.]+`{1,2}")
UNIT_NAME = re.compile(r"_(deg|deg_s|deg_s2|s|ms|ns|a|kg|m|m_s|m_s2|nm|hz|c|k|h|per_100h)$")
UNIT = re.compile(
    r"\bin A\b|(?<!['’])\b(deg|degrees?|radians|N m|kg|m|m/s|s|seconds?|Hz|°C|[Uu]nits?|[Ss]hares?|"
    r"per 100|log10|probability|standard (deviation|error)s?)\b"
)


def entries(text: str, section: str) -> dict[str, str]:
    """Return what a section of a docstring says, by name (of Returns and Raises: by type)."""
    found = re.search(
        rf"^{section}\n-+\n(.*?)(?=^\S[^\n]*\n-+$|\Z)", text, re.MULTILINE | re.DOTALL
    )
    said: dict[str, str] = {}
    names: list[str] = []
    for line in (found.group(1) if found else "").splitlines():
        if line and not line.startswith(" "):
            names = [n.strip(" *") for n in line.partition(" : ")[0].split(",")]
        for name in names:
            said[name] = said.get(name, "") + line + "\n"
    return said


def unsaid(name: str, kind: str, said: str) -> list[str]:
    """Return what is not said of one value: a shape, columns, a unit."""
    without = []
    if ARRAY.search(kind) and not SHAPE.search(said):
        without.append(f"the shape of {name}")
    if TABLE.search(kind) and not COLUMNS.search(said):
        without.append(f"the columns of {name}")
    if NUMBER.search(kind) and not UNIT_NAME.search(name) and not UNIT.search(said):
        without.append(f"the unit of {name}")
    return without


def raised(function: object) -> set[type[errors.JointbookError]]:
    """Return the exceptions of the family that a function raises itself."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    thrown = [n.exc for n in ast.walk(tree) if isinstance(n, ast.Raise) and n.exc is not None]
    names = {ast.unparse(t.func if isinstance(t, ast.Call) else t) for t in thrown}
    kinds = {getattr(errors, n.rpartition(".")[2], None) for n in names}
    return {k for k in kinds if inspect.isclass(k) and issubclass(k, errors.JointbookError)}


def lacking(function: object) -> list[str]:
    """Return what a function's docstring does not say."""
    text = inspect.getdoc(function) or ""
    signature = inspect.signature(function)
    taken = [p for p in signature.parameters if p not in ("self", "archive")]
    without = []
    sections = set(re.findall(r"^(Parameters|Returns|Yields|Raises)\n-+$", text, re.MULTILINE))
    if taken and "Parameters" not in sections:
        without.append("a section Parameters")
    described = entries(text, "Parameters")
    for name in taken if described else ():
        if name not in described:
            without.append(f"parameter {name}")
            continue
        kind = str(signature.parameters[name].annotation)
        without += unsaid(name, kind, described[name].replace(name, ""))
    gives = signature.return_annotation
    head = text.split("\nParameters\n---", 1)[0]
    told = sections & {"Returns", "Yields"} or re.search(r"\b[Rr]eturn", text.split("\n\n", 1)[0])
    if gives not in (None, "None", inspect.Signature.empty):
        given = "\n".join(
            [head, *entries(text, "Returns").values(), *entries(text, "Yields").values()]
        )
        without += unsaid("what is returned", str(gives), given) if told else ["what is returned"]
    for kind in raised(function):
        if not any(k.__name__ in entries(text, "Raises") for k in kind.__mro__):
            without.append(f"that it raises {kind.__name__}")
    return without


def test_a_bare_docstring_is_seen():
    def bare(archive: object, many: int) -> int:
        """Count."""
        return many

    assert lacking(bare) == ["a section Parameters", "what is returned"]


def test_a_docstring_without_shape_unit_columns_or_error_is_seen():
    def vague(load: Floats, table: pl.DataFrame, speed_m_s: float, width: float) -> Floats:
        """Return the margins.

        Parameters
        ----------
        load : array
            The arm's, as a whole.
        table : DataFrame
            What was seen.
        speed_m_s : float
            How fast.
        width : float
            How wide.
        """
        raise errors.StaleError("the load is old", ())

    assert lacking(vague) == [
        "the shape of load",
        "the unit of load",
        "the columns of table",
        "the unit of width",
        "the shape of what is returned",
        "the unit of what is returned",
        "that it raises StaleError",
    ]


def test_a_docstring_with_them_is_let_pass():
    def plain(load: Floats, table: pl.DataFrame, speed_m_s: float, width: float) -> Floats:
        """Return the margins, (n,), as shares of the limit.

        Parameters
        ----------
        load : array of shape (n, joints)
            In N m.
        table : DataFrame
            Columns of `SCHEMA`.
        speed_m_s, width : float
            How fast, and the width in m.

        Raises
        ------
        UsageError
            The load is old.
        """
        raise errors.StaleError("the load is old", ())

    assert lacking(plain) == []


def test_no_room_is_left_out():
    rooms = {p.parent.name for p in Path(replay.__file__).parent.glob("*/__init__.py")}
    assert rooms == set(ROOMS)


@pytest.mark.parametrize("name", functions_at_doors())
def test_a_function_at_a_door_says_what_it_takes_and_gives(name):

    assert lacking(functions_at_doors()[name]) == []
