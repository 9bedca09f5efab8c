"""Requests are answered under the names that were allowed, and no others."""

from __future__ import annotations

import pytest
from flask import Flask

from dashboards import wire


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200), ("LOCALHOST:8050", 200), ("[::1]:8050", 200), ("[::1]", 200),
        ("arm.test:8443", 200), ("elsewhere.test", 400), ("localhost.elsewhere.test", 400),
        ("", 400), ("[::2]:8050", 400), ("arm.test", 400), ("::1", 400),
    ],
)  # fmt: skip
def test_a_name_that_is_not_allowed_is_400(host: str, status: int) -> None:
    server = Flask("names")
    server.add_url_rule("/", "home", lambda: "here")
    wire.trust_only(server, ["localhost", "[::1]", "arm.test:8443"])
    assert server.test_client().get("/", headers={"Host": host}).status_code == status
