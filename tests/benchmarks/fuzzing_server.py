"""What the dashboard's server owes to whoever asks it whatever: for requests of the fuzzer.

Two dashboards are asked, each with its sign-in: one over an archive that nobody who asks it may
change (by nobody and by a reader), one over a copy (by a reviewer and an administrator). A request
is a document of JSON, see `fuzzing_requests`. After each of them is asked:

- no answer of 500 or more, and no waiting for one beyond a minute;
- no trace of Python and no path of this machine in what came back;
- a callback that was sent what a page could send fails in words of its own, not of Python;
- what is refused is refused in our words, 400, 401, 403, 404 and the like;
- a session, joint or unit that there is not is 400 or 404;
- without a sign-in nothing is answered but what is open to all;
- where a reader asks, not a byte of the archive is another afterwards, but for trends: they
  are computed of what was measured when they are asked for, and kept;
- what came on record stands under the name that signed in.

Jobs are noted and not run: what they do is no part of an answer.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

import atheris

with atheris.instrument_imports(include=["dashboards"]):
    from dashboards.app import create_app, load_pages

    load_pages()

from werkzeug.test import TestResponse

from dashboards.gate import rules
from replay.accounts import Role, Users
from replay.archive import Archive, open_archive
from replay.record import open_record

HERE = Path(__file__).parents[2]
PASSWORD = "correct horse battery"
PEOPLE = {"lea": Role.READER, "rita": Role.REVIEWER, "ann": Role.ADMINISTRATOR}
LONGEST_S = 60.0
REFUSED = frozenset({400, 401, 403, 404, 405, 409, 411, 413, 415, 429})
ANSWERED = frozenset({200, 204, 302, 303, 304, 308}) | REFUSED
NAMED = ("session", "joint", "serial")
"""Words of an address that name something which must be there."""
BY_QUERY = frozenset({"save_bundle", "save_table", "save", "replay-window"})
"""Routes whose query names the one session that they are about."""


class Broken(AssertionError):
    """An answer that the server owes nobody."""


class Server:
    """The two dashboards, and everybody's browser."""

    def __init__(self, archive: Path, folder: Path) -> None:
        users = Users(folder / "users.json")
        for name, role in PEOPLE.items():
            users.put(name, role, PASSWORD)
        self.browsers: dict[str, Any] = {}
        self.archives: dict[str, Archive] = {}
        for kept, names in (("read", ("", "lea")), ("written", ("rita", "ann"))):
            own = open_archive(Path(shutil.copytree(archive, folder / kept)))
            app = create_app(own, users)
            app.desk.jobs.start = lambda title, work: "job-0"
            for name in names:
                self.browsers[name] = app.server.test_client()
                self.archives[name] = own
                if name:
                    self._sign_in(name)
        self.app = app
        self.sessions = set(own.sessions()["session"])
        self.serials = set(own.table("indicators")["serial"])
        self.secrets = [
            str(folder), str(HERE), sys.prefix, "site-packages/", "Traceback (most recent call",
        ]  # fmt: skip
        self.ends = app.desk.at_stop
        self.plausible: Callable[[dict[str, Any]], bool] = lambda case: True
        """Tells whether a page could have sent a case: then a failure is the server's."""

    def _sign_in(self, name: str) -> None:
        said = {"name": name, "password": PASSWORD, "next": "/"}
        if self.browsers[name].post("/sign-in", data=said).status_code not in (303, 429):
            raise Broken(f"{name} cannot sign in")

    def ask(self, case: dict[str, Any]) -> TestResponse:
        """Send what a case says; whatever of it is no request is left out."""
        path = "/" + "/".join(_quoted(p) for p in _list(case.get("path")))
        pairs = [p for p in _list(case.get("query")) if isinstance(p, list) and len(p) == 2]
        query = "&".join(f"{_quoted(k)}={_quoted(v)}" for k, v in pairs)
        heads = case.get("headers")
        headers = {
            k: v
            for k, v in (heads.items() if isinstance(heads, dict) else ())
            if (k.isascii() and k.isidentifier()) or k in ("X-Jointbook", "Sec-Fetch-Site")
            if isinstance(v, str) and v.isascii() and v.isprintable()
        }
        body = case.get("text")
        if not isinstance(body, str):
            body = json.dumps(case["json"]) if "json" in case else None
        method = case.get("method")
        method = method if method in ("GET", "POST", "HEAD", "OPTIONS", "PUT", "DELETE") else "GET"
        return self.browsers[self.who(case)].open(
            path, method=method, query_string=query, headers=headers,
            data=None if body is None else body.encode("utf-8", "surrogatepass"),
            content_type=str(case.get("kind") or "application/json"),
        )  # fmt: skip

    def who(self, case: dict[str, Any]) -> str:
        """Return who sends a case; whoever is not known has not signed in."""
        name = case.get("who")
        return name if isinstance(name, str) and name in self.browsers else ""

    def hold(self, case: dict[str, Any]) -> None:
        """Send a case and see that the server kept what it owes.

        Raises
        ------
        Broken
            It did not; the case is told.
        """
        who = self.who(case)
        archive = self.archives[who]
        before = _everything(archive) if who in ("", "lea") else None
        head = 0 if before else open_record(archive).head()[0]
        try:
            answer = self.ask(case)
            content = answer.get_data()
            self._answer(case, answer, content)
            answer.close()
        except Broken:
            raise
        except Exception as error:
            raise Broken(f"{type(error).__name__}: {error} at {json.dumps(case)}") from error
        if before is not None:
            if (after := _everything(archive)) != before:
                raise Broken(
                    f"written by {who or 'nobody'}: {after ^ before} at {json.dumps(case)}"
                )
        elif open_record(archive).head()[0] > head:
            names = {e.who for e in open_record(archive).entries()[head:] if e.kind != "begun"}
            if names - {who}:
                raise Broken(f"{names} on record, sent by {who} at {json.dumps(case)}")

    def _answer(self, case: dict[str, Any], answer: TestResponse, content: bytes) -> None:
        status = answer.status_code
        said = f"{status} {content[:900]!r} at {json.dumps(case)}"
        if status not in ANSWERED:
            raise Broken(said)
        sent = json.dumps(case)
        for secret in self.secrets:
            if secret.encode() in content and secret not in sent:
                raise Broken(f"{secret} in the answer: {said}")
        if status in REFUSED and status != 405 and content.lstrip()[:9].lower() == b"<!doctype":
            if answer.request.method == "GET" and status in (401, 404, 429):
                pass  # a document that tells it, the sign-in's or a page's
            elif not answer.request.path.startswith("/sign-in"):
                raise Broken(f"not in our words: {said}")
        asked = answer.request
        with self.app.server.test_request_context(asked.path, method=asked.method) as context:
            rule, words = context.request.url_rule, context.request.view_args or {}
        endpoint = rule.endpoint if rule else ""
        who = self.who(case)
        closed = not who and endpoint and endpoint not in rules.OPEN
        told_methods = asked.method == "OPTIONS" and status == 200 and not content
        if closed and status not in (*REFUSED, 303) and not told_methods:
            raise Broken(f"answered nobody: {said}")
        if who and status == 401:  # it signed out
            self._sign_in(who)
        self._unknown(endpoint, dict(words), answer, said, who)
        if b"could not be shown" in content or (
            b"That did not work" in content and self.plausible(case)
        ):
            raise Broken(f"a failure without words of its own: {said}")

    def _unknown(
        self, endpoint: str, words: dict[str, Any], answer: TestResponse, said: str, who: str
    ) -> None:
        if not who or answer.request.method not in ("GET", "POST"):
            return
        if endpoint in BY_QUERY:
            query = answer.request.query_string
            query = query.decode() if isinstance(query, bytes) else query
            words.setdefault("session", parse_qs(query).get("session", [""])[-1])
        known = {"session": self.sessions, "joint": {"P1", "P2"}, "serial": self.serials}
        for name in NAMED:
            there = name not in words or words[name] in known[name]
            if not there and answer.status_code not in (400, 401, 403, 404, 405):
                raise Broken(f"no {name} {words[name]!r}, yet {said}")

    def close(self) -> None:
        """Let what the dashboards started end."""
        for end in self.ends:
            end()


def made_archive(folder: Path) -> Path:
    """Return the folder of a new small archive with sessions, flags and indicators."""
    import replay
    from tests.reports.yard import taught_archive

    folder.mkdir()
    archive, _ = taught_archive(folder)
    replay.indicators(archive)
    return folder / "archive"


def _everything(archive: Archive) -> frozenset[tuple[str, int, int]]:
    root = Path(str(archive.root))
    # trends are kept once they are read, and the archive then knows of their table
    kept = ("trends-", "jointbook.json")
    files = (p for p in root.rglob("*") if not any(k in str(p.relative_to(root)) for k in kept))
    found = ((p, p.stat()) for p in files if p.is_file())
    return frozenset((str(p.relative_to(root)), s.st_size, s.st_mtime_ns) for p, s in found)


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _quoted(value: Any) -> str:
    """Return a value as it stands in an address; half a letter as bytes that are no UTF-8."""
    text = value if isinstance(value, str) else json.dumps(value)
    return quote(text.encode("utf-8", "surrogatepass"), safe="")
