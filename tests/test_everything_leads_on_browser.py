"""In a real browser: every dot, bar, line and row leads to what is behind it, and one press of Back returns.

`CLICKS` lists every chart and table of every page; a new one that is not listed fails.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from urllib.parse import quote

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from dashboard.shared.pages import PEOPLE_PARTS
from models.thresholds.verification import SHARE, drawn_by_lot
from pipelines.intake.entry import log_coaching
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, settle, visit

pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1400, "height": 4000}
JOBS, CAPTURE, WEEK = "Jobs and vehicles", "One capture", "The week's odd ones"
PEOPLE, SPREAD, GOOD = "Technicians and coaching", "Normal spread", "Known-good captures"
HAND, BESIDE, ONE, SESSIONS = (f"technicians?part={quote(part)}" for part in PEOPLE_PARTS)
MARKS = [f"path[aria-roledescription='{name}']" for name in ("circle", "point", "bar")]
KEYED = """(start) => [...document.querySelectorAll(`[data-testid=stMain] [class*='st-key-${start}']`)].map(
    e => [...e.classList].find(c => c.startsWith(`st-key-${start}`)).slice(`st-key-${start}`.length))"""
TABLES = """() => [...document.querySelectorAll('[data-testid=stMain] [data-testid=stDataFrame]')].map(
    e => [...(e.closest("[class*='st-key-']")?.classList ?? [])].find(c => c.startsWith('st-key-'))?.slice(7) ?? '')"""
CLICKS: tuple[tuple[str, str, str, str], ...] = (
    # where, chart or table, what opens, what its address then names
    ("", "chart_use", JOBS, "jobs=counted&week="),
    ("", "chart_practice", WEEK, "week="),
    ("", "chart_people", JOBS, "technician=hollis&jobs=counted"),
    ("", "chart_incidence", JOBS, "jobs=came+back"),
    ("", "chart_gaps", JOBS, "jobs=came+back"),
    ("", "chart_quality", JOBS, "jobs=came+back+no+capture"),
    ("", "by_test", CAPTURE, "of_test="),
    ("", "money", JOBS, "jobs=came+back+scoped"),
    ("", "parts_back", JOBS, "jobs=parts+back+scoped"),
    ("jobs", "jobs_table", JOBS, "order="),
    ("jobs?order={order}", "chart_vehicle", CAPTURE, "capture="),
    ("jobs?order={order}", "job_captures", CAPTURE, "capture="),
    ("jobs?order={order}", "vehicle_jobs", JOBS, "order="),
    ("digest", "digest_changes", JOBS, "jobs=counted&week="),
    ("week", "week_all", CAPTURE, "capture="),
    ("spread", "chart_spreads", SPREAD, "of_group="),
    ("spread", "chart_pattern", CAPTURE, "capture="),
    ("spread", "chart_pieces", CAPTURE, "of_group="),
    ("spread", "chart_history", CAPTURE, "capture="),
    ("spread", "overview", SPREAD, "of_group="),
    ("spread", "who_captures", CAPTURE, "technician="),
    ("spread", "odd_ones", CAPTURE, "capture="),
    ("thresholds", "chart_detection", "Thresholds", "x="),
    ("thresholds?x=0.5", "move_table", CAPTURE, "capture="),
    ("known_good", "chart_overlay", CAPTURE, "capture="),
    ("known_good", "chart_gauge", CAPTURE, "capture="),
    ("known_good?over={capture}", "near_table", CAPTURE, "capture="),
    ("capture?capture={capture}", "chart_elements_relative_compression", GOOD, "over={capture}"),
    (BESIDE, "chart_funnel", PEOPLE, "technician=farlow&part=One"),
    (BESIDE, "everybody", PEOPLE, "technician=anselm&part=One"),
    (ONE, "chart_usable", WEEK, "technician=anselm"),
    (ONE, "chart_calls", WEEK, "technician=anselm"),
    (ONE, "chart_drills", WEEK, "technician=anselm"),
    ("intake", "trouble_table", CAPTURE, "capture="),
)
LATER: tuple[tuple[str, str, str, str], ...] = (
    # the same for what the small shop draws only after `with_more_to_show`
    (SESSIONS, "chart_sessions", PEOPLE, "technician=farlow&part=One"),
    ("thresholds", "chart_cost", "Thresholds", "x="),
    ("thresholds", "confirm_table", CAPTURE, "capture="),
)
LINKS: tuple[tuple[str, str, str], ...] = (
    # where, a button or a link of the sidebar, what opens: one of each kind
    ("jobs", "One capture", CAPTURE),
    ("digest", "The week before", "The week's digest"),
    ("todo", "Look at ", CAPTURE),
    (HAND, "anselm", PEOPLE),
    ("known_good?over={capture}", "Back to this capture", CAPTURE),
    ("capture?capture={capture}", "The threshold", "Thresholds"),
    ("capture?capture={capture}", "Job {order}", JOBS),
    ("jobs?order={order}", "Back to the list", JOBS),
)
LOT = 20251125  # the seed of `verification_list`
NOT_FOLLOWED = {
    "every_limit": "ticked rows are accepted together; the page's one group is chosen below it",
    "todo_table": "the row chosen stands below the list with its own form",
}
"""Tables whose rows are chosen for something on the same page, and why."""


@pytest.fixture(scope="module")
def places(shop: Path) -> dict[str, str]:
    """What the words in braces of a place stand for: a job and a capture that have everything."""
    warehouse = Warehouse(shop)
    row = (
        warehouse.frame("captures")
        .filter(
            (pl.col("status") == "read")
            & (pl.col("test") == "relative_compression")
            & pl.col("repair_order").is_in(warehouse.frame("orders")["repair_order"].to_list())
        )
        .drop_nulls(["vehicle", "technician", "group"])
        .row(0, named=True)
    )
    return {"capture": quote(row["capture_file"], safe=""), "order": row["repair_order"]}


def at_rest(tab: Page) -> tuple[str, str]:
    """The address and the heading, once neither changes any more."""
    settle(tab)
    tab.wait_for_function(
        """() => new Promise(done => {
            let last = '', since = Date.now();
            const look = () => {
                const app = document.querySelector('[data-testid=stApp]');
                const now = location.href + document.querySelector('h1')?.innerText
                    + app?.getAttribute('data-test-script-state');
                if (now !== last || !now.endsWith('notRunning')) { last = now; since = Date.now(); }
                if (Date.now() - since > 250) done(true); else setTimeout(look, 40);
            };
            look();
        })"""
    )
    return tab.url, tab.locator("h1").first.inner_text()


def click_mark(tab: Page, key: str) -> None:
    """Click the last mark of a chart, or a point of its last line."""
    box = tab.locator(f".st-key-chart_{key}")
    expect(box.locator("svg.marks").first).to_be_visible(timeout=WAIT_MS)
    for kind in MARKS:
        if box.locator(kind).count():
            box.locator(kind).last.click(force=True)
            return
    at = box.locator("[aria-roledescription='line mark container'] path").last.evaluate(
        """path => { const at = path.getPointAtLength(path.getTotalLength() / 3), on = path.getScreenCTM();
            return [on.a * at.x + on.e, on.d * at.y + on.f]; }"""
    )
    tab.mouse.click(*at)


def click_row(tab: Page, key: str) -> None:
    """Tick the first row of a table."""
    box = tab.locator(f".st-key-{key} [data-testid=stDataFrame]")
    expect(box.locator("canvas").first).to_be_visible(timeout=WAIT_MS)
    box.click(position={"x": 18, "y": 52}, force=True)


def click(tab: Page, key: str) -> None:
    """Click what has this key."""
    if key.startswith("chart_"):
        click_mark(tab, key.removeprefix("chart_"))
    else:
        click_row(tab, key)


def there_and_back(tab: Page, start: tuple[str, str], heading: str, wanted: str) -> None:
    """Something else has opened; one press of the browser's Back shows again what was shown before."""
    tab.wait_for_url(lambda url: url != start[0] and wanted in url)
    expect(tab.locator("h1", has_text=heading)).to_be_visible(timeout=WAIT_MS)
    url, opened = at_rest(tab)
    assert opened == heading
    assert wanted in url
    assert not tab.get_by_text("could not be drawn").count()
    tab.go_back()
    expect(tab).to_have_url(start[0], timeout=WAIT_MS)
    expect(tab.locator("h1", has_text=start[1])).to_be_visible(timeout=WAIT_MS)
    assert at_rest(tab) == start


PLACES = sorted({place for place, *_ in (*CLICKS, *LINKS)} | {HAND, SESSIONS, "todo"})


@pytest.mark.parametrize("place", PLACES)
def test_everything_leads_on_and_one_press_of_back_returns(
    tab: Page, address: str, places: dict[str, str], place: str
) -> None:
    visit(tab, f"{address}/{place.format(**places)}")
    start = at_rest(tab)
    listed = {key for where, key, *_ in (*CLICKS, *LATER) if where.split("?")[0] == place.split("?")[0]}
    drawn = {f"chart_{key}" for key in tab.evaluate(KEYED, "chart_")} | {
        key for key in tab.evaluate(TABLES) if key
    }
    assert drawn <= listed | set(NOT_FOLLOWED)
    for where, key, heading, wanted in CLICKS:
        if where == place:
            click(tab, key)
            there_and_back(tab, start, heading, wanted.format(**places))
    for where, name, heading in LINKS:
        if where == place:
            words = name.format(**places)
            tab.get_by_role("button", name=words).or_(tab.get_by_role("link", name=words)).first.click()
            there_and_back(tab, start, heading, "")


def with_more_to_show(house: Warehouse) -> None:
    """A coaching session with enough work on both sides, a capture drawn by lot, and a curve of costs."""
    log_coaching(
        house, technician="farlow", held_on=dt.date(2026, 4, 1), topic="usable captures", test=None, note="",
        by="Ida",
    )  # fmt: skip
    captures = house.frame("captures").filter(status="read")
    newest = captures["captured_at"].max()
    lucky = [name for name in captures["capture_file"] if drawn_by_lot(name, share=SHARE, seed=LOT)]
    curve = ", ".join(
        f"{{'threshold_pct': {x}, 'expected_cost': {20 + (x - 6) ** 2}, 'detection': 0.5, 'false_alarm': 0.1}}"
        for x in range(1, 13)
    )
    with house.transaction() as connection:
        connection.execute(f"UPDATE proposal SET cost = [{curve}], prevalence = 0.2")
        connection.executemany(
            "UPDATE capture_log SET captured_at = ? WHERE capture_file = ?",
            [(newest, name) for name in lucky],
        )


def test_a_session_a_cost_and_a_capture_drawn_by_lot_lead_on(tab: Page, address: str, shop: Path) -> None:
    with_more_to_show(Warehouse(shop))
    for where, key, heading, wanted in LATER:
        visit(tab, f"{address}/{where}")
        start = at_rest(tab)
        if key == "confirm_table":
            tab.get_by_text("Confirm although nothing looked odd").click()
            tab.wait_for_timeout(800)  # it unfolds, and the table moves with it
        click(tab, key)
        there_and_back(tab, start, heading, wanted)
