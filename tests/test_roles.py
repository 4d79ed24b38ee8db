"""What each role is shown: the frames below the pages, and every page as every role in a real browser.

The table the test holds is written down here a second time, by hand, so that a slip in `RIGHTS` is seen.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Browser, Page

from dashboard.launch import accounts_of
from dashboard.shared.pages import PAGES
from pipelines.access.accounts import COOKIE, Accounts
from pipelines.access.hiding import Hiding
from pipelines.access.roles import EVERYBODY, NotAllowed, Right, Role, viewer_of
from pipelines.access.sight import OTHERS, seen
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import CHROMIUM, WAIT_MS, chromium, served, settle

PASSWORD = "four plain words do"
# Role: the pages it opens beyond those everybody opens, whether it sees names, other people's figures, money.
TABLE = {
    Role.OWNER: ({"shop", "digest", "technicians", "intake", "add"}, True, True, True),
    Role.MANAGER: ({"shop", "digest", "intake"}, False, False, True),
    Role.LEAD: ({"intake", "add"}, True, False, False),
    Role.TRAINER: ({"technicians", "add"}, True, True, False),
    Role.TECHNICIAN: ({"technicians", "add"}, False, False, False),
}
FOR_SOME = {"shop", "digest", "technicians", "intake", "add"}
NOTHING = Hiding()
"""Where no names of files or in texts are hidden."""
in_a_browser = [
    pytest.mark.xdist_group("browser"),
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it"),
]

CAPTURES = pl.DataFrame(
    {
        "capture_file": ["a", "b", "c"],
        "technician": ["ann", "bo", None],
        "call": ["odd", "even", None],
        "call_elements": [["3"], [], []],
        "parts_cost": [1.0, 2.0, None],
    }
)


def test_where_nobody_signs_in_nothing_is_hidden() -> None:
    assert seen(EVERYBODY, "captures", CAPTURES, NOTHING).equals(CAPTURES)


@pytest.mark.parametrize("role", Role)
def test_names_calls_and_money_are_hidden_from_whom_they_are_not_for(role: Role) -> None:
    _, names, _, money = TABLE[role]
    shown = seen(viewer_of("Ann", [role], "ann"), "captures", CAPTURES, NOTHING)
    assert shown.schema == CAPTURES.schema
    assert shown["technician"].to_list() == (["ann", "bo", None] if names else ["ann", OTHERS, None])
    assert shown["call"].to_list() == (["odd", "even", None] if names else ["odd", None, None])
    assert shown["call_elements"].to_list() == [["3"], [], []]
    assert shown["parts_cost"].is_null().all() == (not money)


def test_somebody_without_a_key_owns_nothing() -> None:
    shown = seen(
        viewer_of("Mo", [Role.TECHNICIAN]), "captures", CAPTURES.with_columns(technician=pl.lit("")), NOTHING
    )
    assert shown["call"].is_null().all()


@pytest.mark.parametrize("role", Role)
def test_rows_about_people_are_for_who_coaches_them_and_for_themselves(role: Role) -> None:
    people = TABLE[role][2]
    viewer = viewer_of("Ann", [role], "ann")
    rows = pl.DataFrame({"technician": ["ann", "bo", None]})
    everybody = ["ann", "bo", None]
    assert seen(viewer, "technicians", rows, NOTHING)["technician"].to_list() == (
        everybody if people else ["ann"]
    )
    assert seen(viewer, "drills", rows, NOTHING)["technician"].to_list() == (
        everybody if people else ["ann", None]
    )
    assert viewer.sees("ann")
    assert viewer.sees("bo") == people


@pytest.mark.parametrize("role", Role)
def test_the_log_tells_no_names_to_whom_they_are_not_for(role: Role) -> None:
    log = pl.DataFrame(
        {
            "subject": ["capture", "coaching", "coaching.csv", "drills.xlsx"],
            "key": ["a", "k", "k", "k"],
            "before": ["bo"] * 4,
            "after": ["bo"] * 4,
        }
    )
    shown = seen(viewer_of("Ann", [role], "ann"), "intake_log", log, NOTHING)
    assert ("bo" in str(shown.rows())) == (role is Role.OWNER)
    assert shown.height == {Role.OWNER: 4, Role.MANAGER: 1, Role.LEAD: 1}.get(role, 0)


@pytest.mark.parametrize("role", Role)
def test_what_others_typed_is_told_without_what_is_not_for_whoever_looks(role: Role) -> None:
    typed = pl.DataFrame(
        {
            "subject": ["outcomes.csv", "coaching.csv", "repair_orders.csv", "outcomes.csv"],
            "key": ["a", "bo k", "R1", "b"],
            "before": [None, None, "bo 9.99", None], "after": ["odd", "bo", "bo 8.88", "even"],
            "entered_by": ["Bo", "Bo", "Bo", "Ann"],
        }
    )  # fmt: skip
    shown = seen(viewer_of("Ann", [role], "ann"), "entered", typed, NOTHING)
    _, names, people, money = TABLE[role]
    assert ("bo k" in shown["key"]) == people
    assert ("Bo" in shown["entered_by"]) == names
    assert ("9.99" in str(shown.rows())) == (names and money)
    assert shown.filter(entered_by="Ann")["after"].to_list() == ["even"]
    assert seen(EVERYBODY, "entered", typed, NOTHING).equals(typed)


def test_a_refusal_says_who_may_change_it() -> None:
    with pytest.raises(NotAllowed, match=r"As trainer you may not set thresholds.*owner"):
        viewer_of("T", [Role.TRAINER]).require(Right.DECIDE)
    assert viewer_of("T", [Role.TRAINER, Role.LEAD]).may(Right.DECIDE)


# -- in a browser --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shop(small_warehouse: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("roles") / "shop"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop"))
    return folder


@pytest.fixture(scope="module")
def people(shop: Path) -> list[str]:
    """Technicians of the shop by the number of their captures; the first signs in as a technician."""
    captures = Warehouse(shop).frames(["captures"])["captures"]
    counts = captures.drop_nulls("technician").group_by("technician").len()
    return counts.sort("len", "technician", descending=True)["technician"].to_list()


@pytest.fixture(scope="module")
def sessions(shop: Path, people: list[str]) -> dict[Role, str]:
    """A session of somebody in every role."""
    accounts = accounts_of(shop)
    found = {}
    for role in Role:
        key = people[0] if role is Role.TECHNICIAN else ""
        link = accounts.invite(f"The {role}", [role], technician=key, by="test")
        found[role] = accounts.accept(link, PASSWORD)
    return found


@pytest.fixture(scope="module")
def accounts(shop: Path) -> Accounts:
    return accounts_of(shop)


@pytest.fixture(scope="module")
def address(
    shop: Path,
    sessions: dict[Role, str],  # noqa: ARG001  (people are admitted before the server starts)
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[str]:
    with served(shop, tmp_path_factory.mktemp("elsewhere")) as url:
        yield url


@pytest.fixture(scope="module")
def headless() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def opened(headless: Browser, address: str, session: str) -> Page:
    """A tab of somebody signed in."""
    context = headless.new_context(viewport={"width": 1400, "height": 2400})
    context.add_cookies(
        [{"name": COOKIE, "value": session, "url": address, "httpOnly": True, "sameSite": "Lax"}]
    )
    return context.new_page()


def visit(tab: Page, url: str) -> str:
    """Open a page, wait until it is drawn, and return all its text."""
    tab.goto(url)
    tab.wait_for_selector("[data-testid=stApp] h1", timeout=WAIT_MS)
    settle(tab)
    return tab.inner_text("body")


class TestInABrowser:
    """Every page as every role, and what happens when a role or a person goes."""

    pytestmark = in_a_browser

    @pytest.mark.parametrize("role", Role)
    def test_every_page_as_every_role(
        self,
        headless: Browser,
        address: str,
        sessions: dict[Role, str],
        people: list[str],
        role: Role,
    ) -> None:
        pages, names, figures, _ = TABLE[role]
        tab = opened(headless, address, sessions[role])
        for entry in PAGES:
            text = visit(tab, f"{address}/{entry.name}")
            assert "could not be drawn" not in text, (role, entry.name)
            withheld = entry.name in FOR_SOME - pages
            # a form that is not somebody's says so in its own place, on a page that is theirs
            refused = tab.locator("[data-testid=stAlert]", has_text="you may not").count() > 0
            assert refused == withheld, (role, entry.name, text[:600])
            told = [name for name in (people[1:] if role is Role.TECHNICIAN else people) if name in text]
            if not names or (not figures and entry.name == "technicians"):
                assert not told, (role, entry.name)
        tab.context.close()

    def test_a_role_withdrawn_a_second_ago_writes_nothing(
        self, headless: Browser, address: str, accounts: Accounts, shop: Path
    ) -> None:
        session = accounts.accept(accounts.invite("Lena", [Role.LEAD], by="test"), PASSWORD)
        tab = opened(headless, address, session)
        assert "Signed in as Lena (lead)" in visit(tab, f"{address}/thresholds")
        before = Warehouse(shop).frames(["thresholds"])["thresholds"].height
        tab.get_by_label("Why").first.fill("a trial")
        accounts.set_roles("Lena", [Role.TECHNICIAN], by="test")
        tab.get_by_role("button", name="Put in force").first.click()
        tab.get_by_text("you may not set thresholds").first.wait_for(timeout=WAIT_MS)
        assert Warehouse(shop).frames(["thresholds"])["thresholds"].height == before
        tab.context.close()

    def test_who_is_withdrawn_is_shown_the_door(
        self, headless: Browser, address: str, accounts: Accounts
    ) -> None:
        session = accounts.accept(accounts.invite("Lena", [Role.LEAD], by="test"), PASSWORD)
        tab = opened(headless, address, session)
        visit(tab, f"{address}/todo")
        accounts.withdraw("Lena", by="test")
        tab.goto(f"{address}/todo")
        tab.wait_for_url("**/sign-in?next=*", timeout=WAIT_MS)
        tab.context.close()

    def test_a_link_a_password_and_out(self, headless: Browser, address: str, accounts: Accounts) -> None:
        tab = headless.new_context().new_page()
        tab.goto(f"{address}/invitation/{accounts.invite('Nils', [Role.LEAD], by='test')}")
        tab.fill("#password", PASSWORD)
        tab.fill("#again", PASSWORD)
        tab.get_by_role("button").click()
        tab.get_by_text("Signed in as Nils (lead)").wait_for(timeout=WAIT_MS)
        settle(tab)
        tab.get_by_role("button", name="Sign out").click()
        tab.get_by_role("link", name="Sign in with a name and a password").wait_for(timeout=WAIT_MS)
        tab.goto(f"{address}/thresholds")
        tab.fill("#name", "nils")
        tab.fill("#password", PASSWORD)
        tab.get_by_role("button").click()
        tab.get_by_role("heading", name="Thresholds").wait_for(timeout=WAIT_MS)
        tab.context.close()
