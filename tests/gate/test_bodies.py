"""A callback's body is what a page of ours would send, or it is refused before anything runs."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboards.shell import Shell
from replay.archive import Archive
from replay.reviews import pins
from tests.gate.test_rules import app, archive, pin_body, signed, users

__all__ = ["app", "archive", "signed", "users"]

UPDATE = "/_dash-update-component"


def sent(client: FlaskClient, body: Any) -> tuple[int, str]:
    answer = client.post(UPDATE, json=body)
    return answer.status_code, answer.text


def test_another_name_at_the_place_of_the_reviewers_puts_nobody_else_on_record(
    app: Shell, archive: Archive, signed: dict[str, FlaskClient]
) -> None:
    before = pins(archive, "s0").height
    body = pin_body(app, "somebody else")
    place = next(k for k, p in enumerate(body["state"]) if p["id"] == "reviewer-name")
    for name, prop in (("reviewer_name", "value"), ("reviewer-name", "data"), (None, "value")):
        forged = copy.deepcopy(body)
        forged["state"][place] |= {"id": name, "property": prop}
        status, said = sent(signed["rita"], forged)
        assert (status, said) == (400, "this is no callback of this dashboard")
    assert pins(archive, "s0").height == before
    assert sent(signed["rita"], body)[0] == 200
    assert pins(archive, "s0")["author"].to_list()[before:] == ["rita"]


@pytest.mark.parametrize(
    "change",
    [
        lambda b: b["inputs"].pop(),
        lambda b: b["state"].append(b["state"][0]),
        lambda b: b["state"].__setitem__(0, "x"),
        lambda b: b["state"].__setitem__(0, [b["state"][0]]),
        lambda b: b["inputs"].reverse(),
        lambda b: b.update(outputs="x"),
        lambda b: b.update(outputs=[None]),
        lambda b: b.update(outputs=[{"id": 3, "property": "data"}]),
    ],
)
def test_parts_out_of_their_places_are_400_and_nothing_is_written(
    app: Shell, archive: Archive, signed: dict[str, FlaskClient], change: Any
) -> None:
    body, before = pin_body(app, "x"), pins(archive, "s0").height
    change(body)
    assert sent(signed["rita"], body) == (400, "this is no callback of this dashboard")
    assert pins(archive, "s0").height == before


@pytest.mark.parametrize("value", [None, 3, "s0", [], [["session", "s0"]]])
def test_a_value_of_a_kind_that_no_page_sends_is_400(
    app: Shell, signed: dict[str, FlaskClient], value: Any
) -> None:
    body = pin_body(app, "x")
    for part in body["state"]:
        if isinstance(part["value"], dict):
            part["value"] = value
    assert sent(signed["rita"], body) == (400, "this callback takes no such values")


def test_a_choice_that_no_list_offers_has_no_risk(signed: dict[str, FlaskClient]) -> None:
    inputs = [
        {"id": f"finding-{name}", "property": "value", "value": "no such"}
        for name in ("severity", "likelihood")
    ]
    body = {
        "output": "finding-risk.children", "inputs": inputs, "state": [],
        "outputs": {"id": "finding-risk", "property": "children"},
        "changedPropIds": ["finding-severity.value"],
    }  # fmt: skip
    status, said = sent(signed["lea"], body)
    assert status == 200
    assert json.loads(said) == {"multi": True, "response": {"finding-risk": {"children": ""}}}


@pytest.mark.parametrize(
    "path",
    [
        "/_dash-component-suites/nothing/nothing.js",
        "/_dash-component-suites/dash/no-such.js",
        "/data/queue/bundle.zip?session=no-such",
        "/data/queue/bundle.zip",
        "/data/review/no-such/flags.csv",
    ],
)
def test_what_there_is_not_is_404_in_words(signed: dict[str, FlaskClient], path: str) -> None:
    answer = signed["lea"].get(path)
    assert answer.status_code == 404, answer.text
    assert answer.text.startswith("there is no ")


@pytest.mark.parametrize("half", ["\ud800", "a\udfffb"])
def test_half_a_letter_is_400_and_a_whole_one_goes_on_record(
    app: Shell, archive: Archive, signed: dict[str, FlaskClient], half: str
) -> None:
    before = pins(archive, "s0").height

    def with_text(text: str) -> str:
        body = pin_body(app, "x")
        given = [p for p in body["state"] if p["value"] == "look here"]
        assert len(given) == 1
        given[0]["value"] = text
        return json.dumps(body)

    for sent_so in (with_text(half).encode(), with_text("?").encode()):
        raw = sent_so.replace(b'"?"', b'"' + half.encode("utf-8", "surrogatepass") + b'"')
        answer = signed["rita"].post(UPDATE, data=raw, content_type="application/json")
        assert (answer.status_code, answer.text) == (400, "a callback's words are Unicode")
    assert pins(archive, "s0").height == before
    whole = with_text("warm \U0001f321")
    assert "\\ud83c" in whole, "a pair, as a browser may spell it"
    answer = signed["rita"].post(UPDATE, data=whole, content_type="application/json")
    assert answer.status_code == 200
    assert pins(archive, "s0").height == before + 1
