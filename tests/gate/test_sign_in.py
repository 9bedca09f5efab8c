"""Signing in: the cookie, the guesses, the users file."""

from __future__ import annotations

import io
import re
import stat
from pathlib import Path

import pytest
from flask import Flask

from dashboards import theme
from dashboards.__main__ import allowed
from dashboards.gate import sign_in
from dashboards.gate.visitors import MOST_FAILURES, WITHIN_S, Failures, Sessions
from replay.accounts import Role, Users
from replay.cli.main import main
from replay.errors import UsageError

PASSWORD = "correct horse battery"


@pytest.fixture
def users(tmp_path: Path) -> Users:
    held = Users(tmp_path / "users.json")
    held.put("ann", Role.REVIEWER, PASSWORD)
    return held


def server(users: Users) -> Flask:
    made = Flask("gate")
    sign_in.add_routes(made, Sessions(users))
    return made


def test_the_form_has_the_colours_of_the_pages_light_and_dark(users: Users) -> None:
    """Its fields stayed white on a dark page: the browser draws them by the scheme it is told."""
    style = server(users).test_client().get("/sign-in/style.css").text
    assert style.startswith(theme.css())
    own = style.removeprefix(theme.css())
    assert not re.search(r"#[0-9a-f]{3,6}\b|rgb|white|black", own)  # the theme's, and no others
    used = set(re.findall(r"var\(--([a-z-]+)\)", own))
    assert {"ink", "paper", "sheet", "rule", "accent", "on-accent", "faint", "act"} <= used
    assert used <= set(theme.LIGHT)
    for what in ("input", "button"):  # not the browser's own greys
        rule = re.search(rf"\n{what}[^{{]*{{([^}}]*)}}", own)
        assert rule is not None
        assert {"color", "background", "border"} <= {p.split(":")[0].strip() for p in
                                                     rule[1].split(";") if p.strip()}  # fmt: skip


def test_the_cookie_is_out_of_a_scripts_reach(users: Users) -> None:
    client = server(users).test_client()
    said = client.post("/sign-in", data={"name": "ann", "password": PASSWORD})
    cookie = said.headers["Set-Cookie"]
    assert cookie.startswith("jointbook=")
    assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= set(cookie.split("; "))
    secure = client.post(
        "/sign-in", data={"name": "ann", "password": PASSWORD}, base_url="https://arm.test"
    )
    cookie = secure.headers["Set-Cookie"]
    assert cookie.startswith("__Host-jointbook=")
    assert "Secure" in cookie.split("; ")


def test_one_is_never_sent_on_to_another_place(users: Users) -> None:
    client = server(users).test_client()
    for bad in ("//elsewhere.test", "https://elsewhere.test", "/\\elsewhere.test", "/a\nb"):
        words = {"name": "ann", "password": PASSWORD, "next": bad}
        assert client.post("/sign-in", data=words).location == "/"


def test_guesses_are_slowed_down(users: Users) -> None:
    client = server(users).test_client()
    for _ in range(MOST_FAILURES["both"]):
        wrong = client.post("/sign-in", data={"name": "ann", "password": "wrong password"})
        assert wrong.status_code == 401
    right = client.post("/sign-in", data={"name": "ann", "password": PASSWORD})
    assert right.status_code == 429
    assert 0 < int(right.headers["Retry-After"]) <= WITHIN_S


def test_failures_count_by_name_by_address_and_for_a_time() -> None:
    failures = Failures()
    for k in range(MOST_FAILURES["address"]):
        failures.count(f"name{k}", "a", now=float(k))
    assert failures.wait_s("another", "a", now=30.0) > 0
    assert failures.wait_s("another", "b", now=30.0) == 0
    assert failures.wait_s("another", "a", now=30.0 + WITHIN_S) == 0
    for k in range(MOST_FAILURES["name"]):
        failures.count("ann", f"address{k}", now=0.0)
    assert failures.wait_s("Ann", "fresh", now=1.0) > 0


def test_the_users_file_is_its_owners_and_holds_no_password(users: Users) -> None:
    text = users.path.read_text()
    assert stat.S_IMODE(users.path.stat().st_mode) == 0o600
    assert PASSWORD not in text
    assert "$argon2id$" in text
    assert users.checked("ann", PASSWORD) is not None
    assert users.checked("ann", PASSWORD + "x") is None
    assert users.checked("nobody", PASSWORD) is None


def test_the_command_adds_lists_and_removes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = ["--users", str(tmp_path / "u.json")]

    def typed(text: str) -> None:
        monkeypatch.setattr("sys.stdin", io.StringIO(text + "\n"))

    typed("too short")
    assert main(["users", "add", "ann", "--role", "reader", *file]) == 2
    typed("ann-and-her-password")
    assert main(["users", "add", "ann", "--role", "reader", *file]) == 2
    typed(PASSWORD)
    assert main(["users", "add", "ann", "--role", "reader", *file]) == 0
    assert main(["users", "list", "--json", *file]) == 0
    assert '"reader"' in capsys.readouterr().out
    assert main(["users", "remove", "ann", *file]) == 0
    assert main(["users", "remove", "ann", *file]) == 2
    (tmp_path / "u.json").write_text("[]")
    assert main(["users", "list", *file]) == 2
    assert "no users file" in capsys.readouterr().err


def test_on_a_network_nothing_starts_without_a_sign_in_and_a_name(
    users: Users, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match="nobody has to sign in"):
        allowed("0.0.0.0", None, ["arm.test"])
    with pytest.raises(UsageError, match="by which name"):
        allowed("0.0.0.0", str(users.path), [])
    with pytest.raises(UsageError, match="has no user"):
        allowed("0.0.0.0", str(tmp_path / "none.json"), ["arm.test"])
    assert allowed("0.0.0.0", str(users.path), ["arm.test"]) == ["arm.test"]
    assert "[::1]" in allowed("::1", None, [])
