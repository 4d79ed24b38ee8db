"""In a real browser: two people and one setting, a standing hookup, a day of the past, an engine's dead cylinder."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote

import polars as pl
from playwright.sync_api import Page, expect

from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings, set_setting
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, settle, visit

pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1400, "height": 3000}


def save(tab: Page, field: str, value: str) -> None:
    """Change one field of the settings form and save it."""
    tab.get_by_role("spinbutton", name=field).first.fill(value)
    tab.get_by_role("textbox", name="Who decides").first.fill("Ida")
    tab.get_by_role("button", name="Save", exact=True).click()


def test_only_what_this_person_changed_is_written_and_a_conflict_is_refused(
    tab: Page, address: str, shop: Path
) -> None:
    house = Warehouse(shop)
    visit(tab, f"{address}/intake")
    set_setting(house, "labour_rate_per_h", 99, set_by="Olaf")
    save(tab, "Cost of a missed fault", "650")
    expect(tab.get_by_text("Saved: cost_miss.")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    now = read_settings(house)
    assert (now["cost_miss"], now["labour_rate_per_h"]) == (650, 99), "what Olaf set stands"
    # the same one, in the moment before this page has seen it
    tab.get_by_role("spinbutton", name="Cost of a missed fault").first.fill("700")
    set_setting(house, "cost_miss", 655, set_by="Olaf")
    tab.get_by_role("button", name="Save", exact=True).click()
    expect(tab.get_by_text("set by Olaf. Nothing was changed", exact=False)).to_be_visible(timeout=WAIT_MS)
    assert read_settings(house)["cost_miss"] == 655


def test_a_standing_hookup_is_chosen_among_known_signals_previewed_and_checked(
    tab: Page, address: str
) -> None:
    visit(tab, f"{address}/intake")
    signals = tab.get_by_role("combobox", name="Signals in channel order")
    signals.click()
    signals.fill("bananas")
    expect(tab.get_by_role("option")).to_have_text(re.compile("No results"))
    signals.press("Escape")
    said = tab.get_by_text(re.compile(r"\d+ captures of this test"))
    before = said.inner_text()
    tab.get_by_text("The standing hookup of a test").click()
    rate = tab.get_by_label("Samples a second")
    rate.fill("123456")
    rate.press("Tab")
    expect(said).not_to_have_text(before, timeout=WAIT_MS)
    expect(said).to_have_text(re.compile(r"^(\d+) of \1 captures of this test would differ"))
    rate.fill("bananas")
    rate.press("Tab")
    expect(tab.get_by_role("button", name="Save and check every capture against it")).to_be_disabled()


def test_a_page_of_a_past_day_holds_what_was_known_then(tab: Page, address: str, shop: Path) -> None:
    days = Warehouse(shop).frame("captures").filter(status="read", test="relative_compression")["captured_at"]
    found = []
    for day in (days.sort()[days.len() // 2].date(), None):
        visit(tab, f"{address}/spread" + (f"?day={day}" if day else ""))
        text = tab.get_by_text("by the limits in force", exact=False).first
        expect(text).to_be_visible(timeout=WAIT_MS)
        settle(tab)
        found.append((text.inner_text(), tab.get_by_text("A healthy cylinder of this group").inner_text()))
    then, now = (int(re.sub(r"\D", "", text.partition("capture")[0])) for text, _ in found)
    assert then < now
    assert found[0][1] != found[1][1], "the spread is that day's, not today's"


def test_a_dead_cylinder_stands_at_nothing_and_not_below(tab: Page, address: str, shop: Path) -> None:
    house = Warehouse(shop)
    scores = house.frame("scores").filter(
        pl.col("measure") == "relative_compression", pl.col("odd_element") > 0
    )
    name, element = scores.select("capture_file", "odd_element").row(0)
    with house.transaction() as connection:
        which = "capture_file = ? AND measure = 'relative_compression'"
        connection.execute(f"UPDATE measure_score SET odd_pct = 111 WHERE {which}", [name])
        connection.execute(
            f"UPDATE element_reading SET relative_pct = -4 WHERE {which} AND element = ?", [name, element]
        )
    visit(tab, f"{address}/capture?capture={quote(name, safe='')}")
    bars = tab.locator(".st-key-chart_elements_relative_compression svg.marks")
    expect(bars.get_by_text("no compression seen")).to_be_visible(timeout=WAIT_MS)
    expect(tab.get_by_text("shows nothing at all: no compression seen", exact=False).first).to_be_visible()
    settle(tab)
    assert "111" not in tab.locator("[data-testid=stMain]").inner_text()
