"""From anything to anything in a real browser: a dot to its jobs, a capture to its vehicle, all in the address."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from urllib.parse import parse_qs, quote, urlparse

import polars as pl
from playwright.sync_api import Page, expect

from dashboard.app import POLL_S
from dashboard.shared.job_lists import JOB_LISTS
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, settle, visit

pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1400, "height": 2600}


def asked(tab: Page) -> dict[str, str]:
    """What the address asks for."""
    return {name: values[0] for name, values in parse_qs(urlparse(tab.url).query).items()}


def opens(tab: Page, heading: str) -> None:
    expect(tab.locator("h1", has_text=heading)).to_be_visible(timeout=WAIT_MS)
    settle(tab)


def test_a_dot_opens_the_jobs_behind_it(tab: Page, address: str) -> None:
    visit(tab, f"{address}/")
    dots = tab.locator("[class*='st-key-chart_use'] path[aria-roledescription='circle']")
    expect(dots.first).to_be_visible(timeout=WAIT_MS)
    dots.last.click(force=True)
    opens(tab, "Jobs and vehicles")
    expect(tab).to_have_url(re.compile("week="), timeout=WAIT_MS)
    monday = asked(tab)["week"]
    assert dt.date.fromisoformat(monday).weekday() == 0
    assert asked(tab)["jobs"] == "counted"
    said = re.compile(re.escape(JOB_LISTS["counted"].title) + rf": \d+, closed in the week of {monday}")
    expect(tab.get_by_text(said)).to_be_visible(timeout=WAIT_MS)


def test_a_figure_about_comebacks_opens_its_jobs_and_survives_a_reload(tab: Page, address: str) -> None:
    visit(tab, f"{address}/")
    tab.get_by_role("button", name="Scoped ones that came back").first.click()
    opens(tab, "Jobs and vehicles")
    assert asked(tab)["jobs"] == "came back scoped"
    said = re.compile(re.escape(JOB_LISTS["came back scoped"].title) + r": \d+ within 30 days")
    expect(tab.get_by_text(said)).to_be_visible(timeout=WAIT_MS)
    tab.reload()
    opens(tab, "Jobs and vehicles")
    expect(tab.get_by_text(said)).to_be_visible(timeout=WAIT_MS)


# What a page asks for by itself is kept, so that a test asks when it wants; and the server's answers are as late as
# over a poor wireless network.
FAR_AWAY = """(() => {
  const looks = (window.looks = new Map());
  const [set, clear] = [window.setInterval.bind(window), window.clearInterval.bind(window)];
  window.setInterval = (call, ms, ...rest) => {
    const id = set(call, ms, ...rest);
    if (ms === POLL_MS) looks.set(id, call);
    return id;
  };
  window.clearInterval = (id) => { looks.delete(id); clear(id); };
  const late = (call) => (event) => setTimeout(() => call(event), 800);
  window.WebSocket = class extends window.WebSocket {
    set onmessage(call) { super.onmessage = late(call); }
    addEventListener(kind, call, ...rest) {
      super.addEventListener(kind, kind === "message" ? late(call) : call, ...rest);
    }
  };
})()""".replace("POLL_MS", str(POLL_S * 1000))
CLICKED_AND_LOOKED = """(after_ms) => new Promise((done) => {
  [...document.querySelectorAll("button")].find((button) => button.innerText.includes("Scoped ones that came")).click();
  setTimeout(() => { for (const look of window.looks.values()) look(); done(window.looks.size); }, after_ms);
})"""


def test_a_page_just_opened_is_not_emptied_by_a_look_of_the_one_before(tab: Page, address: str) -> None:
    """The page before looks whether something has landed while the next one is on its way, early or late."""
    tab.add_init_script(FAR_AWAY)
    for after_ms in (100, 250, 450, 700):
        visit(tab, f"{address}/")
        expect(tab.get_by_role("button", name="Scoped ones that came back").first).to_be_visible(
            timeout=WAIT_MS
        )
        settle(tab)
        assert tab.evaluate(CLICKED_AND_LOOKED, after_ms) == 1
        expect(tab).to_have_url(re.compile(r"/jobs\?jobs=came\+back\+scoped"), timeout=WAIT_MS)
        tab.wait_for_timeout(2_000)  # the look's own answer, which is no other page's
        opens(tab, "Jobs and vehicles")
        expect(tab.get_by_text(re.compile(r"\d+ within 30 days"))).to_be_visible(timeout=WAIT_MS)
        expect(tab.get_by_text("Figures as of")).to_be_visible()


def test_a_capture_leads_to_everything_about_it(tab: Page, address: str, small_warehouse: Path) -> None:
    warehouse = Warehouse(small_warehouse)
    captures = warehouse.frame("captures").filter(
        (pl.col("status") == "read")
        & pl.col("repair_order").is_in(warehouse.frame("orders")["repair_order"].to_list())
        & (pl.col("test") == "relative_compression")
    )
    row = captures.drop_nulls(["vehicle", "technician", "group"]).row(0, named=True)
    own = f"{address}/capture?capture={row['capture_file']}"
    for button, heading, wanted in (
        (
            "Over the known-good ones",
            "Known-good captures",
            {"group": row["group"], "over": row["capture_file"]},
        ),
        ("The threshold", "Thresholds", {"group": row["group"]}),
        (f"Job {row['repair_order']}", "Jobs and vehicles", {"order": row["repair_order"]}),
        (f"Vehicle {row['vehicle']}", "Jobs and vehicles", {"vehicle": row["vehicle"]}),
        (row["technician"], "Technicians and coaching", {"technician": row["technician"]}),
    ):
        visit(tab, own)
        expect(tab).to_have_title(re.compile(re.escape(row["capture_file"])), timeout=WAIT_MS)
        tab.get_by_role("button", name=button).first.click()
        opens(tab, heading)
        for name, value in wanted.items():
            expect(tab).to_have_url(re.compile(f"{name}={re.escape(quote(value, safe=''))}"), timeout=WAIT_MS)


def test_what_is_tried_stands_in_the_address(tab: Page, address: str) -> None:
    visit(tab, f"{address}/thresholds?x=9.9&miss=900")
    expect(tab.get_by_text("At X = 9.9 %", exact=False).first).to_be_visible(timeout=WAIT_MS)
    expect(tab.get_by_role("spinbutton").first).to_have_value(re.compile("^900"))
    assert (asked(tab)["x"], asked(tab)["miss"]) == ("9.9", "900")
    visit(tab, f"{address}/thresholds?x=bananas&false_alarm=-5")
    for said in ("'bananas' is no limit in %", "'-5' is no cost"):
        expect(tab.get_by_text(said, exact=False)).to_be_visible(timeout=WAIT_MS)
    visit(tab, f"{address}/add?section=Drill")
    expect(tab.get_by_text("In the week of").first).to_be_visible(timeout=WAIT_MS)
    assert asked(tab)["section"] == "Drill"
