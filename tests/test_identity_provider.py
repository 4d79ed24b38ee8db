"""Sign-in by OpenID Connect against a real provider on this machine (OpenID Connect Core 1.0, authorization code flow).

The provider is `oidc-provider-mock` from the package registry: discovery, code, token and user info over HTTP, tokens
signed and verified.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from oidc_provider_mock import User, run_server_in_thread
from playwright.sync_api import Browser, Page

from dashboard.launch import accounts_of
from pipelines.access.roles import Role
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import CHROMIUM, WAIT_MS, chromium, free_port, served

pytestmark = [
    pytest.mark.xdist_group("browser"),
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it"),
    pytest.mark.filterwarnings("ignore::authlib.deprecate.AuthlibDeprecationWarning"),
]


def _person(name: str, *, verified: bool) -> User:
    claims = {"email": f"{name}@shop.example", "email_verified": verified}
    return User(sub=name, claims=claims)


PEOPLE = (_person("lea", verified=True), _person("mallory", verified=True), _person("tarn", verified=False))


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder, port = tmp_path_factory.mktemp("provider"), free_port()
    Warehouse(folder / "w", create=True)
    accounts = accounts_of(folder / "w")
    for name, role in (("Olga", Role.OWNER), ("Lea", Role.LEAD), ("Tarn", Role.TRAINER)):
        accounts.invite(name, [role], email=f"{name.lower()}@shop.example", by="test")
    with run_server_in_thread(user_claims=PEOPLE) as provider, pytest.MonkeyPatch.context() as patch:
        given = {
            "METADATA_URL": f"http://localhost:{provider.server_port}/.well-known/openid-configuration",
            "CLIENT_ID": "shopspread",
            "CLIENT_SECRET": "known to both",
            "REDIRECT_URL": f"http://127.0.0.1:{port}/oauth2callback",
            "COOKIE_SECRET": "0123456789abcdef0123456789abcdef",
        }
        for name, value in given.items():
            patch.setenv(f"SHOPSPREAD_OIDC_{name}", value)
        with served(folder / "w", folder, port) as url:
            yield url


@pytest.fixture
def tab() -> Iterator[Page]:
    with chromium() as browser:
        yield _new(browser)


def _new(browser: Browser) -> Page:
    return browser.new_context().new_page()


def _through_the_provider(tab: Page, address: str, name: str) -> None:
    tab.goto(address)
    tab.get_by_role("button", name="Sign in with the shop's identity provider").click(timeout=WAIT_MS)
    tab.locator(f"button[value={name}]").click(timeout=WAIT_MS)


def test_who_is_admitted_comes_in_with_their_role(tab: Page, address: str) -> None:
    _through_the_provider(tab, address, "lea")
    tab.get_by_text("Signed in as Lea (lead)").wait_for(timeout=WAIT_MS)
    assert tab.url.startswith(address)
    tab.get_by_role("button", name="Sign out").click()
    tab.wait_for_url("**/end_session*", timeout=WAIT_MS)  # the provider is told too
    tab.goto(address)
    tab.get_by_role("button", name="Sign in with the shop's identity provider").wait_for(timeout=WAIT_MS)


@pytest.mark.parametrize("name", ["mallory", "tarn"])
def test_an_address_nobody_admitted_or_verified_stays_outside(tab: Page, address: str, name: str) -> None:
    _through_the_provider(tab, address, name)
    tab.get_by_text("Nobody of the address").wait_for(timeout=WAIT_MS)
    assert "Signed in as" not in tab.inner_text("body")
