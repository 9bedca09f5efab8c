"""Requests to fuzz a dashboard's server with, made from what it says of itself.

A request is a document: ``who`` sends it, ``method``, ``path`` (its parts), ``query`` (pairs),
``headers`` and ``json`` or ``text``. Routes come from the server's table of rules with their
words, and what the interface's own description says of parameters; callbacks from
``/_dash-dependencies``, with the values that the pages' own layouts hold for each part
(`fuzzing_layouts`). `fuzzing_changes` makes others of them.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

from dashboards.api.description import OPERATIONS
from dashboards.gate import rules
from tests.benchmarks.fuzzing_layouts import PAGES, UPDATE, Layouts, name_of
from tests.benchmarks.fuzzing_server import Server


class Requests:
    """The requests that the fuzzer begins with."""

    def __init__(self, server: Server) -> None:
        self.server = server
        flags = server.archives["ann"].table("flags")
        self.names: tuple[Any, ...] = (
            *sorted(server.sessions), *flags["flag"].to_list()[:3], *sorted(server.serials),
        )  # fmt: skip
        self.flag = flags.row(0, named=True)
        self.layouts = Layouts(server, self.flag)
        server.plausible = self.layouts.plausible

    def of_routes(self) -> Iterator[dict[str, Any]]:
        """Yield a request for every address, by everybody's method, with its known parameters."""
        described = {f"api-{o.name}": o.parameters for o in OPERATIONS}
        session, start = self.flag["session"], f"{self.flag['start']:%Y-%m-%dT%H:%M:%SZ}"
        end = f"{self.flag['end']:%Y-%m-%dT%H:%M:%SZ}"
        words = {
            "session": session, "joint": "P1", "serial": "TU-P1", "form": "csv", "what": "pairs",
            "name": "signed-off", "kind": "js", "path": "replay",
        }  # fmt: skip
        page = [["session", session], ["flag", self.flag["flag"]], ["joints", "P1,P2"],
                ["from", start], ["to", end], ["at", start]]  # fmt: skip
        data = [["from", "10"], ["to", "90"], ["columns", "100"], ["joints", "P1"], ["joint", "P1"],
                ["base", "B"]]  # fmt: skip
        more = {
            "save": [*page, ["with", sorted(self.server.sessions)[0]]],
            "news_since": [["after", "0"], ["session", session], ["me", "x"]],
            "completeness_of": [["session", session], ["session", session]],
            "save_bundle": [["session", session], ["finding", self.flag["flag"]]],
            "save_history": [["serial", "TU-P1"], ["indicator", "drag"], ["against", "time"]],
            "draw": [["theme", "dark"]],
            "receive": [["name", "a.csv"]],
            "sign-in": [["next", "/wear"]],
        }
        for rule in sorted(self.server.app.server.url_map.iter_rules(), key=str):
            if rule.endpoint == rules.UPDATE:
                continue
            with self.server.app.server.test_request_context():
                bound = self.server.app.server.url_map.bind("localhost")
                path = bound.build(rule.endpoint, {a: words.get(a, "x") for a in rule.arguments})
            query = more.get(rule.endpoint, data if rule.endpoint.startswith("replay-") else page)
            if rule.endpoint in described:
                asked = (
                    [p.name, str(p.schema.get("default", ""))] for p in described[rule.endpoint]
                )
                query = [[k, v or (start if k in ("start", "from") else end)] for k, v in asked]
            for method in sorted(set(rule.methods or ()) & {"GET", "POST"}):
                case = {"who": "ann", "method": method, "path": path.strip("/").split("/"),
                        "query": query, "headers": {"X-Jointbook": "intake"}}  # fmt: skip
                if method == "POST":
                    case |= {
                        "text": "name=ann&password=x",
                        "kind": "application/x-www-form-urlencoded",
                    }
                yield case
                yield {**case, "who": "lea", "query": []}
        for name in PAGES:
            yield {"who": "ann", "method": "GET", "path": [name], "query": page}

    def of_callbacks(self) -> Iterator[dict[str, Any]]:
        """Yield a body for every callback and each part that can set it off."""
        browser = self.server.browsers["ann"]
        for about in browser.get("/_dash-dependencies").get_json():
            if about["clientside_function"] is not None or not about["inputs"]:
                continue
            inputs, state = ([self.layouts.given(p) for p in about[k]] for k in ("inputs", "state"))
            for part in inputs:
                one = part[0] if isinstance(part, list) and part else part
                if not isinstance(one, dict):
                    continue
                set_off = copy.deepcopy(inputs)
                for given in set_off:
                    for each in given if isinstance(given, list) else [given]:
                        if each["property"] == "n_clicks" and each["id"] == one["id"]:
                            each["value"] = 1
                body = {
                    "output": about["output"], "outputs": self._outputs(about["output"], one),
                    "inputs": set_off, "state": state,
                    "changedPropIds": [f"{name_of(one['id'])}.{one['property']}"],
                }  # fmt: skip
                for who in ("ann", "lea"):
                    yield {"who": who, "method": "POST", "path": [UPDATE],
                           "json": body}  # fmt: skip

    def _outputs(self, output: str, one: dict[str, Any]) -> Any:
        parts = [p.rpartition(".") for p in output.split("@")[0].strip(".").split("...")]
        made = []
        for where, _, prop in parts:
            name = json.loads(where) if where.startswith("{") else where
            if isinstance(name, dict) and isinstance(one["id"], dict):
                name = {k: one["id"].get(k) if isinstance(v, list) else v for k, v in name.items()}
            made.append({"id": name, "property": prop.split("@")[0]})
        return made if output.startswith("..") else made[0]
