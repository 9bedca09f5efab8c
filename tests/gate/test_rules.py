"""Nothing is answered without a rule, and each rule holds."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from dash import Dash
from flask.testing import FlaskClient

from dashboards.app import create_app
from dashboards.gate import guard, rules
from dashboards.shell import Shell
from replay.accounts import Role, Users
from replay.archive import Archive, open_archive
from replay.reviews import pins
from tests.checks.sessions import add, bench

PASSWORD = "correct horse battery"
PEOPLE = {
    "ann": Role.ADMINISTRATOR, "max": Role.MAINTAINER, "rita": Role.REVIEWER, "lea": Role.READER,
}  # fmt: skip


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = open_archive(tmp_path_factory.mktemp("gate"), create=True)
    add(made, "s0", bench(0, minutes=0.5))
    return made


@pytest.fixture(scope="module")
def users(tmp_path_factory: pytest.TempPathFactory) -> Users:
    held = Users(tmp_path_factory.mktemp("users") / "users.json")
    for name, role in PEOPLE.items():
        held.put(name, role, PASSWORD)
    return held


@pytest.fixture(scope="module")
def app(archive: Archive, users: Users) -> Iterator[Shell]:
    made = create_app(archive, users)
    made.server.test_client().get("/")  # Dash makes its tables at the first request
    yield made
    for end in made.desk.at_stop:
        end()


@pytest.fixture(scope="module")
def signed(app: Shell) -> dict[str, FlaskClient]:
    """A browser for each person, signed in."""
    found = {}
    for name in PEOPLE:
        client = app.server.test_client()
        answer = client.post("/sign-in", data={"name": name, "password": PASSWORD, "next": "/wear"})
        assert answer.status_code == 303, answer.text
        assert answer.location == "/wear"
        found[name] = client
    return found


def all_endpoints(app: Dash) -> set[str]:
    return {r.endpoint for r in app.server.url_map.iter_rules()}


def test_every_route_and_every_callback_has_a_rule_and_no_rule_is_left_over(app: Shell) -> None:
    assert all_endpoints(app) - rules.OPEN - {rules.UPDATE} == set(rules.ROUTES)
    assert set(guard.named_callbacks(app).values()) == set(rules.CALLBACKS)


def test_whatever_takes_a_method_that_writes_takes_more_than_a_reader(app: Shell) -> None:
    for rule in app.server.url_map.iter_rules():
        writes = (rule.methods or set()) - set(guard.SAFE)
        if writes and rule.endpoint not in rules.OPEN | {rules.UPDATE, "sign-out"}:
            assert rules.ROUTES[rule.endpoint].role >= Role.REVIEWER, rule


def test_without_a_sign_in_nothing_is_answered_but_health_and_the_form(app: Shell) -> None:
    client = app.server.test_client()
    for rule in app.server.url_map.iter_rules():
        words = dict.fromkeys(rule.arguments, "x")
        with app.server.test_request_context():
            path = str(app.server.url_map.bind("localhost").build(rule.endpoint, words))
        method = "POST" if "POST" in (rule.methods or ()) else "GET"
        answer = client.open(path, method=method, json={} if method == "POST" else None)
        if rule.endpoint in rules.OPEN:
            assert answer.status_code in (200, 401), (path, answer.status_code)
        elif rule.endpoint in ("/", "/<path:path>"):
            assert answer.location.startswith("/sign-in?next=")
        else:
            assert answer.status_code == 401, (path, answer.status_code)


def test_each_role_reaches_its_callbacks_and_no_others(
    app: Shell, signed: dict[str, FlaskClient]
) -> None:
    refused = 0
    for output, name in guard.named_callbacks(app).items():
        body = {"output": output, "inputs": [], "state": [], "changedPropIds": []}
        for who, role in PEOPLE.items():
            if role >= rules.CALLBACKS[name].role:
                continue  # what is allowed is walked by the pages' own tests
            answer = signed[who].post("/_dash-update-component", json=body)
            assert answer.status_code == 403, (name, who)
            assert "this takes a" in answer.text
            refused += 1
    assert refused > 20


def test_a_rule_that_is_missing_refuses(
    app: Shell, signed: dict[str, FlaskClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "ROUTES", {})
    assert signed["ann"].get("/api/v1/sessions").status_code == 403


def pin_body(app: Shell, who: str) -> dict[str, Any]:
    output = next(
        o for o, n in guard.named_callbacks(app).items() if n.endswith("session_pins.pin")
    )
    about = app.callback_map[output]

    def given(part: dict[str, Any], value: Any) -> dict[str, Any]:
        return {"id": part["id"], "property": part["property"], "value": value}

    values = {
        "replay-shown": {"session": "s0", "at": "2031-04-01T00:00:10Z"}, "reviewer-name": who,
        "rp-pin-text": "look here",
    }  # fmt: skip
    inputs = [given(p, 1) for p in about["inputs"]]
    state = [given(p, values.get(p["id"], values["replay-shown"])) for p in about["state"]]
    outputs = [
        {"id": o.rpartition(".")[0], "property": o.rpartition(".")[2]}
        for o in output.strip(".").split("...")
    ]
    changed = [f"{inputs[0]['id']}.{inputs[0]['property']}"]
    return {"output": output, "outputs": outputs, "inputs": inputs, "state": state,
            "changedPropIds": changed}  # fmt: skip


def test_the_name_on_record_is_the_sign_ins_whatever_the_page_sent(
    app: Shell, archive: Archive, signed: dict[str, FlaskClient]
) -> None:
    answer = signed["rita"].post("/_dash-update-component", json=pin_body(app, "somebody else"))
    assert answer.status_code == 200, answer.text
    kept = pins(archive, "s0")
    assert kept["author"].to_list() == ["rita"]
    assert signed["lea"].post("/_dash-update-component", json=pin_body(app, "x")).status_code == 403
    assert pins(archive, "s0").height == 1


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.test"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
    ],
)
def test_a_write_from_another_origin_is_refused(
    app: Shell, signed: dict[str, FlaskClient], headers: dict[str, str]
) -> None:
    for path in ("/_dash-update-component", "/data/library/intake", "/sign-in", "/sign-out"):
        answer = signed["ann"].post(path, json=pin_body(app, "x"), headers=headers)
        assert answer.status_code == 403, path


def test_a_write_of_our_own_page_goes_through(signed: dict[str, FlaskClient]) -> None:
    own = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}
    answer = signed["max"].post("/data/library/intake", headers={**own, "X-Jointbook": "intake"})
    assert answer.status_code == 200


MALFORMED: list[Any] = [
    "", "{", "[]", "null", "7", json.dumps({"output": 3, "inputs": []}),
    json.dumps({"output": "no such.children", "inputs": []}),
    json.dumps({"output": "page.children"}),
    json.dumps({"output": "page.children", "inputs": "x"}),
    json.dumps({"output": "page.children", "inputs": [], "changedPropIds": [3]}),
    json.dumps({"output": "page.children", "inputs": [3]}),
    json.dumps({"output": "page.children", "outputs": 3, "inputs": [{}]}),
]  # fmt: skip


@pytest.mark.parametrize("body", MALFORMED)
def test_a_malformed_callback_is_400(signed: dict[str, FlaskClient], body: str) -> None:
    answer = signed["ann"].post(
        "/_dash-update-component", data=body, content_type="application/json"
    )
    assert answer.status_code == 400, answer.text


def test_a_body_that_nothing_but_a_log_can_be_is_refused(signed: dict[str, FlaskClient]) -> None:
    answer = signed["ann"].post(
        "/_dash-update-component", data=b" " * (guard.MOST_BODY + 1), content_type="text/plain"
    )
    assert answer.status_code == 413


def test_a_job_is_cancelled_by_a_maintainer_but_watched_by_all() -> None:
    body = {
        "inputs": [
            {"id": "jobs-beat", "property": "n_intervals", "value": 3},
            [{"id": {"type": "job-cancel", "job": "job-1"}, "property": "n_clicks", "value": 0}],
        ],
        "changedPropIds": ['{"job":"job-1","type":"job-cancel"}.n_clicks'],
    }
    rule = rules.CALLBACKS["app.follow_jobs"]
    assert rule.needed(guard._set_off(body)) == Role.READER, "a fresh button is no click"
    body["inputs"][1][0]["value"] = 1  # type: ignore[index]
    assert rule.needed(guard._set_off(body)) == Role.MAINTAINER


def test_who_is_taken_out_is_out_at_once(archive: Archive, tmp_path: Path) -> None:
    users = Users(tmp_path / "users.json")
    users.put("eve", Role.READER, PASSWORD)
    client = create_app(archive, users).server.test_client()
    client.post("/sign-in", data={"name": "eve", "password": PASSWORD})
    assert client.get("/api/v1/sessions").status_code == 200
    users.remove("eve")
    assert client.get("/api/v1/sessions").status_code == 401


def test_batches_are_their_owners(signed: dict[str, FlaskClient]) -> None:
    head = {"X-Jointbook": "intake"}
    batch = signed["max"].post("/data/library/intake", headers=head).get_json()["batch"]
    there = f"/data/library/intake/{batch}?name=a.csv"
    assert signed["ann"].post(there, data=b"x", headers=head).status_code == 409
    assert signed["max"].post(there, data=b"x", headers=head).status_code == 200
    assert signed["rita"].post(there, data=b"x", headers=head).status_code == 403
