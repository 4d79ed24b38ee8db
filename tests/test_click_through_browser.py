"""From anything to anything in a real browser: a dot to its jobs, a capture to its vehicle, all in the address."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from urllib.parse import parse_qs, quote, urlparse

import polars as pl
from playwright.sync_api import Page, expect

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
