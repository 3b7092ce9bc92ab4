"""Who may talk to the server, and what a stranger, another tab or a forged name gets."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import builders
import dashboard_work
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.security import COOKIE, Door, allowed_host, content_policy, is_loopback
from dashboard.server import close, create_app

HOME = "http://127.0.0.1:8050"


def make_folder(root: Path) -> Path:
    folder = root / "sessions"
    for name in ("lean", "<b>bold</b>"):
        (folder / name.replace("/", "_")).mkdir(parents=True)
        (folder / name.replace("/", "_") / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
    (root / "secret.toml").write_text("the secret", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The application as served on loopback."""
    app = create_app(make_folder(tmp_path_factory.mktemp("local")), work=dashboard_work.invented)
    yield app
    close(app)


@pytest.fixture
def remote(tmp_path: Path) -> Iterator[Any]:
    """The application as served to the network."""
    app = create_app(make_folder(tmp_path), host="0.0.0.0", work=dashboard_work.invented)
    yield app
    close(app)


def get(app: Any, path: str = "/", host: str = "127.0.0.1:8050", **headers: str) -> Any:
    return app.server.test_client().get(path, base_url=f"http://{host}", headers=headers)


@pytest.mark.parametrize(
    ("host", "served_on", "allowed"),
    [
        ("127.0.0.1:8050", "127.0.0.1", True),
        ("localhost:8050", "127.0.0.1", True),
        ("[::1]:8050", "127.0.0.1", True),
        ("evil.test", "127.0.0.1", False),
        ("127.0.0.1.evil.test", "127.0.0.1", False),
        ("localhost.evil.test:8050", "127.0.0.1", False),
        ("192.168.1.5:8050", "127.0.0.1", False),
        ("", "127.0.0.1", False),
        ("192.168.1.5:8050", "0.0.0.0", True),
        ("evil.test:8050", "0.0.0.0", False),
        ("dyno-cell", "dyno-cell", True),
    ],
)
def test_host_header(host: str, served_on: str, allowed: bool) -> None:
    assert allowed_host(host, served_on) is allowed


@given(st.text(max_size=30))
def test_no_host_header_breaks_the_check(host: str) -> None:
    assert allowed_host(host, "127.0.0.1") in {True, False}


@pytest.mark.parametrize(
    ("host", "loopback"),
    [("127.0.0.1", True), ("localhost", True), ("::1", True), ("0.0.0.0", False), ("box", False)],
)
def test_loopback(host: str, loopback: bool) -> None:
    assert is_loopback(host) is loopback


def test_a_rebound_name_gets_nothing(local: Any) -> None:
    answer = get(local, host="evil.test")
    assert answer.status_code == 421
    assert b"Evenburn" not in answer.data


@pytest.mark.parametrize(
    "path", ["/", "/_dash-layout", "/_dash-dependencies", "/live/events", "/download/lean/trims.csv"]
)
def test_every_route_is_behind_the_door(remote: Any, path: str) -> None:
    assert get(remote, path, host="192.168.1.5:8050").status_code == 403


def post(app: Any, path: str, **headers: str) -> Any:
    base = {"Origin": HOME, "Content-Type": "application/json"} | headers
    return app.server.test_client().post(path, base_url=HOME, data="{}", headers=base)


@pytest.mark.parametrize(
    "path", ["/_dash-update-component", "/live/stop", "/live/mark", "/live/start", "/live/sweep"]
)
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.test"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": "http://127.0.0.1:9999"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_a_page_in_another_tab_cannot_send(
    local: Any, path: str, headers: dict[str, str], status: int
) -> None:
    assert post(local, path, **headers).status_code == status


def test_our_own_page_can_send(local: Any) -> None:
    answer = post(local, "/live/mark")
    assert answer.status_code == 409
    assert answer.json["said"] == "nothing is being recorded"


def test_another_site_cannot_read_but_can_link_here(local: Any) -> None:
    assert get(local, **{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}).status_code == 403
    assert get(local, **{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(local: Any, method: str) -> None:
    answer = local.server.test_client().open("/", method=method, base_url=HOME)
    assert answer.status_code == 405
    assert "Access-Control-Allow-Origin" not in answer.headers


def test_a_token_opens_once_and_becomes_a_cookie_that_scripts_cannot_read(remote: Any, caplog: Any) -> None:
    caplog.set_level(logging.DEBUG)
    token = remote.server.config["EVENBURN"].door.invite()
    assert len(token) >= 128 / 6  # six bits a character
    client, base = remote.server.test_client(), "http://192.168.1.5:8050"
    first = client.get(f"/balance?session=lean&token={token}", base_url=base)
    assert first.status_code == 303
    assert first.headers["Location"] == "/balance?session=lean"
    cookie = first.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and token not in cookie
    assert client.get("/", base_url=base).status_code == 200
    assert remote.server.test_client().get(f"/?token={token}", base_url=base).status_code == 403
    assert token not in caplog.text


@pytest.mark.parametrize("token", ["", "x", "é" * 43, "a" * 10_000])
def test_a_wrong_token_or_cookie_opens_nothing(remote: Any, token: str) -> None:
    remote.server.config["EVENBURN"].door.invite()
    client, base = remote.server.test_client(), "http://192.168.1.5:8050"
    assert client.get("/", query_string={"token": token}, base_url=base).status_code == 403
    client.set_cookie(COOKIE, "guessed", domain="192.168.1.5")
    assert client.get("/", base_url=base).status_code == 403


def test_the_redirect_never_leaves_the_server(remote: Any) -> None:
    token = remote.server.config["EVENBURN"].door.invite()
    answer = remote.server.test_client().get(
        f"//evil.test/?token={token}", base_url="http://192.168.1.5:8050"
    )
    location = answer.headers.get("Location", "/")
    assert location.startswith("/") and not location.startswith("//")


def test_a_token_for_a_forged_host_is_not_spent(remote: Any) -> None:
    door = remote.server.config["EVENBURN"].door
    token = door.invite()
    assert get(remote, f"/?token={token}", host="evil.test").status_code == 421
    assert door.redeem(token) is not None


def test_tokens_differ_and_two_devices_have_their_own_cookies() -> None:
    door = Door(needs_token=True)
    cookies = {door.redeem(door.invite()) for _ in range(20)}
    assert len(cookies) == 20 and None not in cookies
    assert all(door.knows(cookie) for cookie in cookies)
    assert not door.knows(None)


def test_only_a_device_that_is_in_can_invite_another(remote: Any) -> None:
    base, door = "http://192.168.1.5:8050", remote.server.config["EVENBURN"].door
    asked = {"Origin": base, "Content-Type": "application/json"}
    client = remote.server.test_client()
    assert client.post("/invite", base_url=base, data="{}", headers=asked).status_code == 403
    client.get(f"/?token={door.invite()}", base_url=base)
    assert b"?token=" not in client.get("/invite", base_url=base).data
    path = client.post("/invite", base_url=base, data="{}", headers=asked).json["path"]
    assert remote.server.test_client().get(path, base_url=base).status_code == 303


def test_pages_allow_only_their_own_scripts(local: Any) -> None:
    answer = get(local)
    policy = answer.headers["Content-Security-Policy"]
    scripts = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "unsafe" not in scripts
    assert re.fullmatch(r"script-src 'self'( 'sha256-[\w+/=]+')+", scripts)
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    page = answer.get_data(as_text=True)
    assert not re.search(r'(?:src|href)="(?:https?:)?//', page)  # nothing from elsewhere
    assert '<html lang="en">' in page
    assert "http" not in content_policy([])


@pytest.mark.parametrize(
    "path",
    [
        "/download/..%2f..%2fsecret.toml/trims.csv",
        "/download/lean/..%2f..%2fsecret.toml",
        "/download/lean/setup.toml",
        "/picture/time/..%2fsecret.toml",
        "/assets/..%2f..%2fsecurity.py",
        "/assets/../../security.py",
    ],
)
def test_paths_do_not_leave_the_folder(local: Any, path: str) -> None:
    answer = get(local, path)
    assert b"the secret" not in answer.data and b"hmac" not in answer.data
    # an unknown path is the application's own page, which then says that there is no such page
    assert answer.status_code == 404 or b"_dash-config" in answer.data


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(max_size=30), st.sampled_from(["trims.csv", "trims.pdf", "x"]))
def test_downloads_of_any_name_are_an_answer_and_no_traceback(local: Any, session: str, file: str) -> None:
    if session == "lean":
        return
    answer = local.server.test_client().get(f"/download/{session}/{file}", base_url=HOME)
    assert answer.status_code < 500
    assert b"Traceback" not in answer.data


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=10,
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.sampled_from(["start", "stop", "mark", "sweep"]), JSON_VALUES)
def test_the_run_pages_routes_take_any_json(local: Any, route: str, sent: Any) -> None:
    answer = local.server.test_client().post(
        f"/live/{route}",
        base_url=HOME,
        data=json.dumps(sent),
        headers={"Origin": HOME, "Content-Type": "application/json"},
    )
    assert answer.status_code in {200, 400, 409}
    assert "said" in answer.json


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(JSON_VALUES)
def test_callbacks_take_any_json_without_showing_a_traceback(local: Any, sent: Any) -> None:
    answer = local.server.test_client().post(
        "/_dash-update-component", base_url=HOME, json=sent, headers={"Origin": HOME}
    )
    assert b"Traceback" not in answer.data


def test_a_request_that_is_too_large_is_refused(local: Any) -> None:
    answer = local.server.test_client().post(
        "/live/mark", base_url=HOME, data=b'"' + b"x" * 3_000_000 + b'"',
        headers={"Origin": HOME, "Content-Type": "application/json"},
    )  # fmt: skip
    assert answer.status_code in {400, 413}


def test_no_debugging_and_no_other_endpoint(local: Any) -> None:
    assert not local.server.debug
    rules = {rule.rule for rule in local.server.url_map.iter_rules()}
    assert not [rule for rule in rules if "mcp" in rule or ("reload" in rule and "hash" not in rule)]
