"""Whether what was sent to a callback is what a page of ours would send it.

Dash takes values by their place and believes the names that came with them. A body that puts
another name to a place could so have the gate look past it: what goes on record under the
sign-in's name, and the role that a button needs, are read from those names.
"""

from __future__ import annotations

import json
import re
import types
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

MANY = (["ALL"], ["ALLSMALLER"])
"""How Dash declares a part that is any number of components."""

_HALF = re.compile(rb"\\u[dD][89a-fA-F]")
"""JSON's spelling of one half of a pair of surrogates; both halves make a letter."""


def is_body(body: Any) -> bool:
    """Tell whether something has the form of a callback's body at all."""
    if not isinstance(body, dict) or not isinstance(body.get("output"), str):
        return False
    parts = (body.get("inputs"), body.get("state", []), body.get("changedPropIds", []))
    return all(isinstance(p, list) for p in parts) and all(
        isinstance(c, str) for c in body.get("changedPropIds", [])
    )


def is_text(sent: bytes, body: Any) -> bool:
    """Tell whether all words of a body are letters: half a pair of surrogates is none.

    Nothing takes such a half in: no file's name, no database, no answer.

    Parameters
    ----------
    sent : bytes
        The body as it came.
    body
        What it says.
    """
    try:
        sent.decode()
        if _HALF.search(sent):
            json.dumps(body, ensure_ascii=False).encode()
    except UnicodeError:
        return False
    return True


def is_as_declared(body: Mapping[str, Any], about: Mapping[str, Any]) -> bool:
    """Tell whether each part of a body is the one that the callback declares at its place.

    Parameters
    ----------
    body : mapping
        What was sent; `is_body` holds.
    about : mapping
        What Dash keeps of the callback: ``inputs`` and ``state``, each with ``id``, ``property``.
    """
    for kind in ("inputs", "state"):
        given, declared = body.get(kind, []), about[kind]
        if len(given) != len(declared):
            return False
        if not all(_is_part(g, d) for g, d in zip(given, declared, strict=True)):
            return False
    return _are_outputs(body.get("outputs"))


def fits(function: Callable[..., Any], body: Mapping[str, Any]) -> bool:
    """Tell whether the values of a body are of the kinds that a callback's function takes."""
    given = [*body["inputs"], *body.get("state", [])]
    try:
        hints = get_type_hints(function)
    except (NameError, TypeError):
        return True
    hints.pop("return", None)
    if len(hints) != len(given):
        return True
    values = (
        [one.get("value") for one in g] if isinstance(g, list) else g.get("value") for g in given
    )
    return all(_is_of(v, h) for v, h in zip(values, hints.values(), strict=True))


def _is_part(given: Any, declared: Mapping[str, Any]) -> bool:
    where = declared["id"]
    name = json.loads(where) if where.startswith("{") else where
    many = isinstance(name, dict) and any(v in MANY for v in name.values())
    if many != isinstance(given, list):
        return False
    return all(
        isinstance(one, dict)
        and one.get("property") == declared["property"]
        and _is_name(one.get("id"), name)
        for one in (given if many else [given])
    )


def _is_name(given: Any, name: Any) -> bool:
    if not isinstance(name, dict):
        return bool(given == name)
    return isinstance(given, dict) and set(given) == set(name) and all(
        isinstance(given[k], str | int | float) if isinstance(v, list) else given[k] == v
        for k, v in name.items()
    )  # fmt: skip


def _are_outputs(given: Any) -> bool:
    """Tell whether these name parts of a page, or nothing: older pages leave them out."""
    if given is None:
        return True
    if isinstance(given, list):
        return all(_are_outputs(one) and one is not None for one in given)
    return (
        isinstance(given, dict)
        and isinstance(given.get("id"), str | dict)
        and isinstance(given.get("property"), str)
    )


def _is_of(value: Any, hint: Any) -> bool:
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return any(_is_of(value, h) for h in inner)
    if origin is Literal:
        return value in inner
    if origin in (list, Sequence):
        return isinstance(value, list) and all(_is_of(v, inner[0]) for v in value)
    if origin in (dict, Mapping):
        return isinstance(value, dict) and all(_is_of(v, inner[1]) for v in value.values())
    if hint is type(None):
        return value is None
    if hint is float:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if hint is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return not isinstance(hint, type) or isinstance(value, hint)
