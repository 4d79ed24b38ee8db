"""Each page in a real headless browser, from a server started in a folder that is not ours."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from dashboard.launch import launch
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, served, settle, visit

pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1400, "height": 2400}

# A page's path, a sentence it must say, and whether it draws.
PAGES = {
    "": ("Do scoped jobs come back less?", True),
    "spread": ("A healthy cylinder of this group scatters by", True),
    "thresholds": ("A cylinder counts as odd from", True),
    "known_good": ("Against a gauge test", True),
    "capture": ("Each cylinder against the group", True),
    "technicians?part=Everybody beside chance": ("nobody is ranked", True),
    "week": ("Every capture of that week", False),
    "jobs": ("Which jobs", False),
    "intake": ("Refused, waiting, unusable: what to do", False),
}


@pytest.mark.parametrize("path", PAGES)
def test_a_page_opens_and_asks_nobody_else(tab: Page, address: str, path: str) -> None:
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    sentence, draws = PAGES[path]
    visit(tab, f"{address}/{path}")
    expect(tab.get_by_text(sentence).first).to_be_visible(timeout=WAIT_MS)
    assert tab.locator("[data-testid=stException]").count() == 0
    assert tab.get_by_text("could not be drawn").count() == 0
    if draws:
        chart = (
            tab.locator("[data-testid=stVegaLiteChart] :is(canvas, svg.marks)").locator("visible=true").first
        )
        expect(chart).to_be_visible(timeout=WAIT_MS)
        box = chart.bounding_box()
        assert box is not None
        assert box["width"] > 200
        assert box["height"] > 60
    elsewhere = [url for url in asked if not url.startswith((address, "data:", "blob:", "ws://127.0.0.1"))]
    assert not elsewhere


def test_an_open_page_follows_the_warehouse(tab: Page, address: str, shop: Path) -> None:
    visit(tab, f"{address}/intake")
    waiting = tab.locator("[data-testid=stMetric]", has_text="waiting").locator("[data-testid=stMetricValue]")
    before = Warehouse(shop).frame("captures").filter(status="waiting").height
    expect(waiting).to_have_text(str(before), timeout=WAIT_MS)
    with Warehouse(shop).transaction() as connection:
        connection.execute(
            "INSERT INTO capture_state (capture_file, status, reason) VALUES ('late.csv', 'waiting', 'no log row')"
        )
    expect(waiting).to_have_text(str(before + 1), timeout=WAIT_MS)


def test_a_setting_changed_elsewhere_shows_without_a_reload(tab: Page, address: str, shop: Path) -> None:
    visit(tab, f"{address}/")
    expect(tab.get_by_text("Back within 30 days", exact=False).first).to_be_visible(timeout=WAIT_MS)
    set_setting(Warehouse(shop), "comeback_window_days", 60, set_by="the test")
    expect(tab.get_by_text("Back within 60 days", exact=False).first).to_be_visible(timeout=WAIT_MS)


def test_a_capture_opens_by_its_address_with_waveform_and_cautions(
    tab: Page, address: str, shop: Path
) -> None:
    captures = (
        Warehouse(shop).frame("captures").filter(status="read", ch_signals="battery_voltage;ignition_primary")
    )
    name = captures["capture_file"][3]
    visit(tab, f"{address}/capture?capture={name}")
    expect(tab.get_by_text(name).first).to_be_visible(timeout=WAIT_MS)
    # the bars, and one drawing a channel
    expect(tab.locator("[data-testid=stVegaLiteChart]")).to_have_count(3, timeout=WAIT_MS)
    tab.get_by_text("Before anybody connects anything").click()
    expect(tab.get_by_text("belts", exact=False).first).to_be_visible(timeout=WAIT_MS)
    assert tab.locator("[data-testid=stException]").count() == 0


def test_navigation_by_click_keeps_the_family(tab: Page, address: str, shop: Path) -> None:
    family = Warehouse(shop).frame("families")["engine_family"].to_list()[-1]
    visit(tab, f"{address}/spread")
    tab.locator("[data-testid=stSidebar]").get_by_role("combobox", name="Engine family").click()
    tab.get_by_role("option", name=family).click()
    settle(tab)
    expect(tab.get_by_text(f"{family}: usual value of each cylinder")).to_be_visible(timeout=WAIT_MS)
    tab.get_by_role("link", name="Known-good captures").click()
    expect(tab.locator("h1", has_text="Known-good captures")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    expect(tab.get_by_text(family).first).to_be_visible(timeout=WAIT_MS)


def test_the_first_ingest_fills_a_page_that_is_open(tab: Page, small_warehouse: Path, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    with served(shop, tmp_path) as url:
        visit(tab, url)
        expect(tab.get_by_text("There is no warehouse yet")).to_be_visible(timeout=WAIT_MS)
        shutil.copytree(small_warehouse, tmp_path / "copy", ignore=shutil.ignore_patterns("drop"))
        (tmp_path / "copy").rename(shop)
        expect(tab.get_by_text("Do scoped jobs come back less?").first).to_be_visible(timeout=WAIT_MS)
        assert tab.locator("[data-testid=stException]").count() == 0


def test_a_taken_port_is_said_plainly(address: str, shop: Path) -> None:
    port = int(address.rpartition(":")[2])
    with pytest.raises(ShopspreadError, match=rf"Port {port} .* --port"):
        launch(shop, port)


# -- the address -------------------------------------------------------------------------------------


def sidebar_choice(tab: Page, label: str, option: str) -> None:
    tab.locator("[data-testid=stSidebar]").get_by_role("combobox", name=label).click()
    tab.get_by_role("option", name=option, exact=True).click()
    settle(tab)


def test_filters_stay_over_pages_after_the_watch_has_run(tab: Page, address: str, shop: Path) -> None:
    """The watch on the warehouse runs by itself every four seconds; what was chosen must outlive it."""
    captures = Warehouse(shop).frame("captures").filter(status="read")
    person = sorted(captures["technician"].drop_nulls().unique())[0]
    name = captures.filter(technician=person)["capture_file"][0]
    visit(tab, f"{address}/capture?capture={name}")
    sidebar_choice(tab, "Technician", person)
    tab.wait_for_timeout(9_000)  # two rounds of the watch
    tab.get_by_role("link", name="Normal spread").click()
    expect(tab.locator("h1", has_text="Normal spread")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    tab.wait_for_timeout(9_000)
    tab.get_by_role("link", name="One capture").click()
    expect(tab.locator("h1", has_text="One capture")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    expect(tab).to_have_url(re.compile(f"technician={person}"), timeout=WAIT_MS)
    expect(tab).to_have_url(re.compile(re.escape(quote(name, safe=""))), timeout=WAIT_MS)


def test_an_address_that_asks_in_vain_says_so_and_shows_nothing_else(tab: Page, address: str) -> None:
    visit(tab, f"{address}/capture?capture=nonsense.csv")
    expect(tab.get_by_text("There is no capture 'nonsense.csv' on record.")).to_be_visible(timeout=WAIT_MS)
    expect(tab.get_by_text("Choose a capture.")).to_be_visible(timeout=WAIT_MS)
    assert tab.get_by_text("Each cylinder against the group").count() == 0
    visit(tab, f"{address}/spread?day=yesterday&colour=red")
    expect(tab.get_by_text("'yesterday' is no day")).to_be_visible(timeout=WAIT_MS)
    expect(tab.get_by_text("names 'colour', which this page does not know")).to_be_visible(timeout=WAIT_MS)


def test_what_a_page_shows_survives_a_reload(tab: Page, address: str, shop: Path) -> None:
    group = Warehouse(shop).frame("comparison_groups")["group"].to_list()[-1]
    visit(tab, f"{address}/spread")
    sidebar_choice(tab, "Engine family", group)
    expect(tab).to_have_url(re.compile(f"of_group={group}"), timeout=WAIT_MS)
    tab.reload()
    tab.wait_for_selector("h1", timeout=WAIT_MS)
    settle(tab)
    expect(tab.get_by_text(f"{group}: usual value of each cylinder")).to_be_visible(timeout=WAIT_MS)
    assert f"of_group={group}" in tab.url


def test_the_first_page_answers_to_its_own_name(tab: Page, address: str) -> None:
    visit(tab, f"{address}/shop?day=2026-03-31")
    expect(tab.locator("h1", has_text="Scope use and comebacks")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    assert tab.get_by_text("Page not found").count() == 0
    expect(tab.get_by_text("All records up to 2026-03-31")).to_be_visible(timeout=WAIT_MS)


def test_a_tab_is_called_by_what_it_shows(tab: Page, address: str) -> None:
    visit(tab, f"{address}/thresholds")
    expect(tab).to_have_title(re.compile(r".+ · Thresholds · Shopspread"), timeout=WAIT_MS)
