"""The door before the pages: who is let through, where a sign-in leads, and what its cookie is.

Outside sources: RFC 6265 (cookie attributes), RFC 6454 (origin), OWASP on unvalidated redirects (which forms of an
address lead elsewhere).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocket, WebSocketDisconnect

from dashboard.door.routes import inside, routes
from dashboard.door.wall import Wall
from pipelines.access.accounts import COOKIE, Accounts
from pipelines.access.provider import secrets_of
from pipelines.access.roles import Role
from pipelines.errors import ShopspreadError

HOST = "http://shop.example"
PASSWORD = "four plain words do"
ORIGIN = {"origin": HOST}


async def _page(request: Request) -> PlainTextResponse:
    return PlainTextResponse(f"the page {request.url.path}")


async def _live(socket: WebSocket) -> None:
    await socket.accept()
    await socket.send_text("live")
    await socket.close()


@pytest.fixture
def accounts(tmp_path: Path, quick_hashes: None) -> Accounts:  # noqa: ARG001
    found = Accounts(tmp_path / "a.sqlite")
    found.accept(found.invite("Olga", [Role.OWNER], by="test"), PASSWORD)
    return found


@pytest.fixture
def browser(accounts: Accounts) -> TestClient:
    served = Starlette(
        routes=[*routes(accounts), WebSocketRoute("/_stcore/stream", _live), Route("/{rest:path}", _page)],
        middleware=[Middleware(Wall, accounts=accounts)],
    )
    return TestClient(served, base_url=HOST, follow_redirects=False)


def sign_in(browser: TestClient, password: str = PASSWORD, **fields: str) -> int:
    """Fill in the form; the status of the answer."""
    return browser.post(
        "/sign-in", data={"name": "Olga", "password": password, **fields}, headers=ORIGIN
    ).status_code


@pytest.mark.parametrize(
    "path", ["/", "/thresholds?group=a%20b", "/media/x.csv", "/_stcore/upload_file/1", "/static/a.js"]
)
def test_nothing_is_served_before_sign_in(browser: TestClient, path: str) -> None:
    answer = browser.get(path)
    assert answer.status_code in (303, 401)
    assert "the page" not in answer.text
    assert browser.post(path, content=b"x").status_code == 401
    with pytest.raises(WebSocketDisconnect), browser.websocket_connect("/_stcore/stream"):
        pass


def test_it_leads_back_to_where_one_wanted(browser: TestClient) -> None:
    asked = browser.get("/thresholds?group=a%20b")
    shown = browser.get(asked.headers["location"])
    assert 'value="/thresholds?group=a%20b"' in shown.text
    answer = browser.post(
        "/sign-in",
        data={"name": "Olga", "password": PASSWORD, "next": "/thresholds?group=a%20b"},
        headers=ORIGIN,
    )
    assert answer.headers["location"] == "/thresholds?group=a%20b"
    assert browser.get("/thresholds").text == "the page /thresholds"
    with browser.websocket_connect(
        "/_stcore/stream", headers={"cookie": f"{COOKIE}={browser.cookies[COOKIE]}"}
    ) as live:
        assert live.receive_text() == "live"


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(browser: TestClient) -> None:
    sign_in(browser)
    answer = browser.post("/sign-in", data={"name": "Olga", "password": PASSWORD}, headers=ORIGIN)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    behind_tls = browser.post(
        "/sign-in",
        data={"name": "Olga", "password": PASSWORD},
        headers={**ORIGIN, "x-forwarded-proto": "https"},
    )
    assert "secure" in behind_tls.headers["set-cookie"].lower()


def test_a_wrong_password_says_so_and_gives_no_cookie(browser: TestClient) -> None:
    assert sign_in(browser, "wrong but long enough") == 403
    assert COOKIE not in browser.cookies
    shown = browser.post("/sign-in", data={"name": '"><b>', "password": "x"}, headers=ORIGIN)
    assert "<b>" not in shown.text


def test_a_form_of_another_page_is_refused(browser: TestClient, accounts: Accounts) -> None:
    link = accounts.invite("Tarn", [Role.TRAINER], by="Olga")
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"}):
        form = {"name": "Olga", "password": PASSWORD, "again": PASSWORD}
        for path in ("/sign-in", "/sign-out", f"/invitation/{link}"):
            answer = browser.post(path, data=form, headers=headers)
            assert answer.status_code in (401, 403)
            assert COOKIE not in browser.cookies
    assert accounts.invited(link) == "Tarn"


def test_a_link_is_followed_once(browser: TestClient, accounts: Accounts) -> None:
    path = f"/invitation/{accounts.invite('Tarn', [Role.TRAINER], by='Olga')}"
    assert "Hello Tarn" in browser.get(path).text
    assert (
        browser.post(path, data={"password": PASSWORD, "again": "other"}, headers=ORIGIN).status_code == 400
    )
    assert browser.post(path, data={"password": "short", "again": "short"}, headers=ORIGIN).status_code == 400
    assert (
        browser.post(path, data={"password": PASSWORD, "again": PASSWORD}, headers=ORIGIN).status_code == 303
    )
    assert browser.get("/").text == "the page /"
    assert browser.get(path).status_code == 404


def test_out_is_out(browser: TestClient) -> None:
    sign_in(browser)
    held = browser.cookies[COOKIE]
    assert browser.post("/sign-out", headers=ORIGIN).status_code == 303
    browser.cookies.set(COOKIE, held)
    assert browser.get("/").status_code == 303


@pytest.mark.parametrize(
    "address",
    ["http://evil.example", "//evil.example", "/\\evil.example", "\\\\evil.example", "javascript:alert(1)",
     "evil", "", "/a\nSet-Cookie: x=1", "///evil.example"],
)  # fmt: skip
def test_a_sign_in_never_leads_elsewhere(address: str) -> None:
    assert inside(address) == "/"


def test_a_sign_in_leads_to_any_page_of_ours() -> None:
    assert inside("/capture?capture=week1%2Fa.csv") == "/capture?capture=week1%2Fa.csv"


def test_a_huge_form_is_not_read(browser: TestClient) -> None:
    assert sign_in(browser, "x" * 100_000) == 403


def test_a_provider_is_described_whole_or_not_at_all() -> None:
    whole = {
        "SHOPSPREAD_OIDC_METADATA_URL": "https://id.example/.well-known/openid-configuration",
        "SHOPSPREAD_OIDC_CLIENT_ID": "shopspread",
        "SHOPSPREAD_OIDC_CLIENT_SECRET": "s",
        "SHOPSPREAD_OIDC_REDIRECT_URL": "https://shop.example/oauth2callback",
        "SHOPSPREAD_OIDC_COOKIE_SECRET": "c" * 32,
    }
    found = secrets_of(whole)
    assert found is not None
    assert set(found["auth"]) == {
        "server_metadata_url",
        "client_id",
        "client_secret",
        "redirect_uri",
        "cookie_secret",
    }
    assert secrets_of({}) is None
    for name in whole:
        with pytest.raises(ShopspreadError, match=name):
            secrets_of({**whole, name: ""})
    with pytest.raises(ShopspreadError, match="fewer than 32"):
        secrets_of({**whole, "SHOPSPREAD_OIDC_COOKIE_SECRET": "short"})
