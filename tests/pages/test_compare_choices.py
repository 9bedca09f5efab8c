"""What a page of comparison offers is all that its callbacks take: without a browser."""

from __future__ import annotations

import json
from typing import Any

import pytest

from dashboards.app import create_app
from dashboards.figures.event import QUANTITIES as TRACES
from dashboards.gate import guard
from dashboards.queries.comparison import QUANTITIES
from tests.reports.yard import bench_yard

CHOICES = {
    "other_quantity": ("compare-of", "amperes"),
    "other_joint": ("compare-joint", "P9"),
    "other_pair": ("compare-by", "taste"),
}


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    archive, last = bench_yard(tmp_path_factory)
    app = create_app(archive)
    browser = app.server.test_client()
    browser.get("/")
    first = archive.sessions()["session"][0]
    what = {"search": f"?session={first}&with={last}", "first": first, "second": last}
    held = {
        "compare-what": what, "compare-of": next(iter(QUANTITIES)), "compare-joint": "P1",
        "compare-pair": 1, "compare-by": next(iter(TRACES)),
    }  # fmt: skip

    def ask(name: str, changes: dict[str, Any]) -> str:
        output = next(
            o for o, n in guard.named_callbacks(app).items() if n == f"pages.compare.{name}"
        )
        about, values = app.callback_map[output], held | changes
        parts = {
            kind: [
                {"id": p["id"], "property": p["property"], "value": values[p["id"]]}
                for p in about[kind]
            ]
            for kind in ("inputs", "state")
        }
        outputs = [
            dict(zip(("id", "property"), o.rsplit(".", 1), strict=True))
            for o in output.strip(".").split("...")
        ]
        changed = [f"{p['id']}.{p['property']}" for p in parts["inputs"]]
        body = {
            "output": output, "outputs": outputs if output.startswith("..") else outputs[0],
            **parts, "changedPropIds": changed[:1],
        }  # fmt: skip
        answer = browser.post("/_dash-update-component", json=body)
        assert answer.status_code == 200, answer.text
        return json.dumps(answer.get_json())

    yield ask
    for end in app.desk.at_stop:
        end()


@pytest.mark.parametrize("name", CHOICES)
def test_a_choice_that_no_list_offers_is_told_in_words(asked: Any, name: str) -> None:
    part, choice = CHOICES[name]
    said = asked(name, {part: choice})
    assert f"'{choice}' is not offered" in said
    assert "choose one of the list" in said
    assert "That did not work" not in said


@pytest.mark.parametrize("name", CHOICES)
def test_what_the_lists_offer_is_answered(asked: Any, name: str) -> None:
    said = asked(name, {})
    assert "is not offered" not in said
    assert "That did not work" not in said
