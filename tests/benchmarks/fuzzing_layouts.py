"""What the pages' own layouts hold for each part: with that a callback is set off."""

from __future__ import annotations

import json
from typing import Any

from tests.benchmarks.fuzzing_server import Server

UPDATE = "_dash-update-component"
PAGES = ("queue", "library", "replay", "event", "wear", "review", "sign-off", "compare")
LONGEST_VALUE = 1500
"""Letters of a layout's value that is sent back; what is longer is a picture."""


class Layouts:
    """The values of all pages' components, by their names."""

    def __init__(self, server: Server, flag: dict[str, Any]) -> None:
        self._server = server
        self._held = _held(self._documents(flag))

    def plausible(self, case: dict[str, Any]) -> bool:
        """Tell whether a page could have sent this: stores hold what they held in its layout.

        Plain values may be any: which kinds a callback takes the server has to see itself.
        """
        body = case.get("json")
        if not isinstance(body, dict) or "text" in case:
            return False
        for part in [*body.get("inputs", []), *body.get("state", [])]:
            for one in part if isinstance(part, list) else [part]:
                held = self._held.get(name_of(one["id"]), {}).get(one["property"])
                if not _alike(one.get("value"), held):
                    return False
        return True

    def given(self, part: dict[str, Any]) -> Any:
        """Return a part as a callback's body has it, with the value that its page holds."""
        where, prop = part["id"], part["property"]
        if not where.startswith("{"):
            return {"id": where, "property": prop, "value": self._value(where, prop)}
        wanted = json.loads(where)
        ids = [json.loads(i) for i in self._held if i.startswith("{")]
        found = [i for i in ids if _fits(i, wanted)]
        found = found or [{k: "x" if isinstance(v, list) else v for k, v in wanted.items()}]
        values = [
            {"id": i, "property": prop, "value": self._value(name_of(i), prop)} for i in found
        ]
        return values[:4] if ["ALL"] in wanted.values() else values[0]

    def _value(self, where: str, prop: str) -> Any:
        if prop == "id":
            return json.loads(where) if where.startswith("{") else where
        value = self._held.get(where, {}).get(prop)
        return None if len(json.dumps(value)) > LONGEST_VALUE else value

    def _documents(self, flag: dict[str, Any]) -> list[Any]:
        ask, search = self._server.ask, f"?session={flag['session']}&flag={flag['flag']}"
        search += f"&with={sorted(self._server.sessions)[0]}"
        found = [ask({"who": "ann", "path": ["_dash-layout"]}).get_json()]
        for name in PAGES:
            for query in (search, ""):
                inputs = [{"id": "url", "property": "pathname", "value": f"/{name}"},
                          {"id": "url", "property": "search", "value": query}]  # fmt: skip
                body = {"output": "page.children", "inputs": inputs, "state": [],
                        "outputs": {"id": "page", "property": "children"},
                        "changedPropIds": ["url.pathname"]}  # fmt: skip
                case = {"who": "ann", "method": "POST", "path": [UPDATE], "json": body}
                found.append(ask(case).get_json())
        return found


def _held(documents: list[Any]) -> dict[str, dict[str, Any]]:
    """Return by its name what each component of some layouts holds."""
    found: dict[str, dict[str, Any]] = {}
    waiting = list(documents)
    while waiting:
        one = waiting.pop()
        if isinstance(one, list):
            waiting += one
        elif isinstance(one, dict):
            waiting += one.values()
            props = one.get("props")
            if isinstance(props, dict) and "id" in props:
                found[name_of(props["id"])] = props
    return found


def _fits(name: Any, wanted: dict[str, Any]) -> bool:
    return set(name) == set(wanted) and all(
        isinstance(v, list) or name[k] == v for k, v in wanted.items()
    )


def _alike(value: Any, held: Any) -> bool:
    if isinstance(value, dict):
        same = isinstance(held, dict) and set(value) == set(held)
        return same and all(
            _alike(v, held[k]) and isinstance(v, type(held[k])) for k, v in value.items()
        )
    if isinstance(value, list):
        return isinstance(held, list) and all(_alike(v, held[0] if held else None) for v in value)
    return not isinstance(held, dict | list)


def name_of(where: Any) -> str:
    """Return a component's name as Dash writes it."""
    if isinstance(where, dict):
        return json.dumps(where, sort_keys=True, separators=(",", ":"))
    return str(where)
