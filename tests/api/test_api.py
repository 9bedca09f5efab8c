"""The HTTP interface is what its description says, and only reads."""

from __future__ import annotations

import errno
import io
import os
import random
import re
import tempfile
import threading
from pathlib import Path
from urllib.parse import urlsplit

import jsonschema
import polars as pl
import pytest
from openapi_spec_validator import validate
from werkzeug.serving import make_server

import replay
from dashboards.api.description import ROOT
from dashboards.app import create_app
from dashboards.components.report_links import bundle_link
from replay.archive import open_archive
from replay.reports import verify_bundle
from replay.reviews import findings, history, judge
from tests.reports.yard import bench_yard

PAGE = Path(__file__).parents[2] / ".docs" / "handing-on.md"


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    archive, session = bench_yard(tmp_path_factory)
    replay.indicators(archive)
    one = findings(archive, session)[-1]
    judge(archive, session, one.finding, "watch", reviewer="R. Moss", note='="1+1" <b>')
    return archive, session


@pytest.fixture(scope="module")
def server(yard):
    return create_app(yard[0]).server


@pytest.fixture(scope="module")
def client(server):
    return server.test_client()


@pytest.fixture(scope="module")
def document(client):
    return client.get(f"{ROOT}/openapi.json").get_json()


def operations(document):
    for path, item in document["paths"].items():
        for method, operation in item.items():
            yield path, method, operation


def test_the_description_is_openapi(document):
    validate(document)


def test_every_route_is_described_and_every_address_is_served(document, server):
    served = {
        re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule.removeprefix(ROOT))
        for rule in server.url_map.iter_rules()
        if rule.rule.startswith(ROOT)
    }
    assert served - {"/openapi.json"} == set(document["paths"])


def test_every_operation_answers_in_every_form_as_described(document, client, yard):
    _, session = yard
    asked = 0
    for path, method, operation in operations(document):
        assert method == "get"
        for kind, content in operation["responses"]["200"]["content"].items():
            form = next(p for p in operation["parameters"] if p["name"] == "form")
            word = next(f for f in form["schema"]["enum"] if f in kind or kind.endswith(f))
            answer = client.get(address_of(path, session), query_string={"form": word})
            assert answer.status_code == 200, answer.get_data()[:300]
            assert answer.mimetype == kind
            if word in ("html", "pdf"):
                assert answer.data.startswith(b"%PDF" if word == "pdf" else b"<!DOCTYPE html>")
            if "schema" in content:
                said = answer.get_json()
                jsonschema.Draft202012Validator(
                    content["schema"], format_checker=jsonschema.FormatChecker()
                ).validate(said)
                assert said["rows"] or path == "/trends", path
            asked += 1
    assert asked >= 20


def address_of(path, session):
    return ROOT + path.replace("{session}", session).replace("{serial}", "TU-P1")


def bad_values(schema):
    """Values that a schema does not allow, as a query would hold them."""
    if "enum" in schema:
        yield "zebra"
    elif schema["type"] == "integer":
        yield from ("-1", "1.5", "many", str(schema.get("maximum", 2**40) + 1), "")
    elif schema.get("format") == "date-time":
        yield from ("soon", "2031-13-01", "-1", "99999-01-01T00:00:00Z")
    else:
        yield "x" * (schema["maxLength"] + 1)


def test_what_the_description_does_not_allow_is_refused_in_words(document, client, yard):
    _, session = yard
    schema = document["components"]["schemas"]["Error"]
    refused = 0
    for path, _, operation in operations(document):
        address = address_of(path, session)
        for parameter in operation["parameters"]:
            if parameter["in"] != "query":
                continue
            for value in bad_values(parameter["schema"]):
                answer = client.get(address, query_string={parameter["name"]: value})
                assert answer.status_code == 400, (path, parameter["name"], value)
                jsonschema.validate(answer.get_json(), schema)
                refused += 1
        assert client.get(f"{address}?colour=red").status_code == 400
        if "{" in path:
            answer = client.get(re.sub(r"{\w+}", "nobody", ROOT + path))
            assert answer.status_code == 404
            jsonschema.validate(answer.get_json(), schema)
    assert refused > 20


def test_nothing_can_be_written(document, client, yard):
    _, session = yard
    for path in document["paths"]:
        for method in ("post", "put", "patch", "delete"):
            answer = getattr(client, method)(address_of(path, session), json={})
            assert answer.status_code == 405


def test_samples_are_the_archives_to_the_bit(client, yard):
    archive, session = yard
    record = archive.session(session)
    finding = findings(archive, session)[0]
    window = {"start": finding.start.isoformat(), "end": finding.end.isoformat()}
    address = f"{ROOT}/sessions/{session}/samples"
    got = pl.read_ipc_stream(io.BytesIO(client.get(address, query_string=window).data))
    kept = archive.samples(session, start=finding.start, end=finding.end).collect()
    assert got.height > 10
    assert got.equals(kept.select(got.columns))
    assert set(got.columns) == {"time", *record.channels["main"]}
    text = client.get(
        address, query_string=window | {"form": "csv", "channels": "P1.current_a"}
    ).data
    csv = pl.read_csv(io.BytesIO(text), try_parse_dates=True)
    assert csv.columns == ["time", "P1.current_a"]
    assert csv["P1.current_a"].equals(kept["P1.current_a"])
    wrong = client.get(address, query_string={"channels": "P9.current_a"})
    assert "no channel 'P9.current_a'" in wrong.get_json()["error"]


def test_a_list_is_given_in_pieces_that_make_the_whole(client, yard):
    archive, _ = yard
    whole = client.get(f"{ROOT}/sessions").get_json()
    parts = [
        client.get(f"{ROOT}/sessions?limit=3&offset={k}").get_json()["rows"] for k in (0, 3, 6)
    ]
    assert [r for part in parts for r in part] == whole["rows"]
    assert whole["total"] == archive.sessions().height
    day = whole["rows"][2]["start"]
    later = client.get(f"{ROOT}/sessions", query_string={"since": day}).get_json()
    assert later["rows"] == whole["rows"][2:]


def test_verdicts_filter_findings_and_carry_the_records_hash(client, yard):
    archive, session = yard
    watched = client.get(f"{ROOT}/findings?verdict=watch").get_json()["rows"]
    assert [r["by"] for r in watched] == ["R. Moss"]
    given = client.get(f"{ROOT}/verdicts").get_json()["rows"]
    assert given == client.get(f"{ROOT}/sessions/{session}/verdicts").get_json()["rows"]
    assert (given[0]["note"], len(given[0]["hash"])) == ('="1+1" <b>', 64)
    kept = [e.hash for e in history(archive, session) if e.kind == "verdict"]
    assert [r["hash"] for r in given] == kept


def test_a_report_served_as_a_page_may_run_nothing(client, yard):
    _, session = yard
    answer = client.get(f"{ROOT}/sessions/{session}/report")
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert "script-src" not in answer.headers["Content-Security-Policy"]


def test_the_worked_example_runs(server, yard, monkeypatch, capsys):
    archive, session = yard
    running = make_server("127.0.0.1", 0, server, threaded=True)
    thread = threading.Thread(target=running.serve_forever, daemon=True)
    thread.start()
    try:
        blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), flags=re.S)
        assert len(blocks) == 2
        monkeypatch.chdir(Path(archive.root).parent)  # the example opens ./archive
        names: dict[str, object] = {}
        for block in blocks:
            exec(block.replace(":8050/", f":{running.server_port}/"), names)
    finally:
        running.shutdown()
        thread.join()
    assert names["worst"]["session"] == session
    assert names["samples"].height > 10
    assert names["samples_here"].height == names["samples"].height
    assert names["worst"]["summary"] in capsys.readouterr().out


def test_the_pages_lead_to_reports_that_are_there(document, yard):
    """In forms of which the test of every operation asks that they answer."""
    import json

    from dashboards.jobs import Jobs
    from dashboards.links import View
    from dashboards.pages import signoff
    from dashboards.pages.library_pages import library
    from dashboards.pages.page import Desk
    from dashboards.pages.wear_pages import wear

    archive, session = yard
    desk = Desk(archive, Jobs())
    found = set()
    for page, view in (
        (signoff.PAGE, View(session=session)),
        (wear.PAGE, View(extra={"serial": "TU-P1"})),
        (library.PAGE, View()),
    ):
        text = json.dumps(
            page.layout(desk, view).to_plotly_json(),
            default=lambda c: c.to_plotly_json() if hasattr(c, "to_plotly_json") else str(c),
        )
        found |= set(re.findall(rf'"({ROOT}/[^"]*report[^"]*)"', text))
    assert {a.partition("?")[0] for a in found} == {
        f"{ROOT}/sessions/{session}/report", f"{ROOT}/units/TU-P1/report", f"{ROOT}/report",
    }  # fmt: skip
    offered = {
        (address_of(path, session), form)
        for path, _, operation in operations(document)
        for p in operation["parameters"]
        if p["name"] == "form"
        for form in p["schema"]["enum"]
    }
    asked = {(a.partition("?")[0], form) for a in found for form in re.findall("form=([a-z]+)", a)}
    assert len(asked) == 6
    assert asked <= offered


def shown(root: Path, session: str) -> dict[str, object]:
    """Return what pages and programs are shown of an archive; an error is None."""
    client = create_app(open_archive(root)).server.test_client()
    data = f"/data/replay/{session}"
    asked = [
        *(f"{data}/{what}" for what in ("window?columns=600", "exact?to=20", "runs", "span.csv")),
        f"{data}/plane?joint=P1",
        f"{data}/measure?from=5&to=90",
        *(f"{ROOT}/{what}" for what in ("sessions", "findings", "verdicts", "trends")),
        f"{ROOT}/sessions/{session}/samples?channels=P1.current_a",
    ]
    answers = {}
    for address in asked:
        told = client.get(address)
        answers[address] = told.data if told.status_code == 200 else None
    return answers


def test_no_page_shows_a_changed_byte(yard):
    """Digests are compared as files are opened, so no page needs to be warned of them."""
    archive, session = yard
    root, pick = archive.root, random.Random(5)
    true = shown(root, session)
    assert all(v is not None for v in true.values()), [a for a, v in true.items() if v is None]
    files = [
        *(root / "samples" / session).rglob("*.parquet"),
        root / "samples" / session / "session.json",
        *(p for t in ("sessions", "flags", "checks", "indicators")
          for p in sorted((root / "tables" / t).glob("*.parquet"))[-1:]),
        *sorted((root / "documents/baselines").glob("*.json"))[-1:],
    ]  # fmt: skip
    refused = 0
    for path in files:
        content = path.read_bytes()
        for at in (pick.randrange(len(content)), len(content) // 2):
            harmed = bytearray(content)
            harmed[at] ^= 1 << pick.randrange(8)
            path.write_bytes(harmed)
            now = shown(root, session)
            path.write_bytes(content)
            wrong = [a for a, v in now.items() if v is not None and v != true[a]]
            assert wrong == [], f"{path.relative_to(root)}, byte {at}"
            refused += None in now.values()
    assert refused >= len(files)
    assert shown(root, session) == true


def test_a_disk_without_room_for_a_bundle_is_told_and_shuts_out_nobody(client, yard, monkeypatch):
    where = urlsplit(bundle_link(yard[1], "N0").href)  # as the pages have it
    full = tempfile.mkdtemp

    def refuse(*words, **more):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    answer = client.get(where.path, query_string=where.query)
    assert answer.status_code == 507
    assert "No space left" in answer.get_data(as_text=True)
    monkeypatch.setattr(tempfile, "mkdtemp", full)
    answer = client.get(where.path, query_string=where.query)
    assert answer.status_code == 409  # not 503: nobody else's is being made
    assert "N0" in answer.get_data(as_text=True)


def test_a_bundle_comes_from_the_page_and_is_whole(client, yard, tmp_path):
    archive, session = yard
    where = "/data/queue/bundle.zip"
    before = set(Path(tempfile.gettempdir()).glob("jointbook-bundle-*"))
    for words, said, code in (
        ({"session": "nobody"}, "nobody", 404),
        ({"session": session, "finding": "N0"}, "N0", 409),
    ):
        refused = client.get(where, query_string=words)
        assert refused.status_code == code
        assert said in refused.get_data(as_text=True)
    one = findings(archive, session)[-1].finding
    answer = client.get(where, query_string={"session": session, "finding": one})
    assert answer.mimetype == "application/zip"
    assert f"evidence-{session}-{one}.zip" in answer.headers["Content-Disposition"]
    kept = tmp_path / "kept.zip"
    kept.write_bytes(answer.get_data())
    assert answer.content_length == kept.stat().st_size
    assert verify_bundle(kept, compute=False).whole
    assert set(Path(tempfile.gettempdir()).glob("jointbook-bundle-*")) == before
