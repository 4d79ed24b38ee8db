"""A Monday in a real browser: captures dropped and labelled, a family defined, an outcome entered, all taken back."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import polars as pl
import pytest
from playwright.sync_api import Page, expect
from playwright.sync_api import TimeoutError as PlaywrightTimeoutError

from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, settle, visit
from tests.small_shop import write_capture

# A file is read in a process of its own, which takes its time to start on a busy machine.
READ_MS = 4 * WAIT_MS

pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1400, "height": 2000}
TIMEOUT_MS = READ_MS


def choose(tab: Page, label: str, text: str) -> None:
    """Choose a name in a field, or type a new one."""
    field = tab.get_by_role("combobox", name=label).first
    field.click()
    field.fill(text)
    field.press("Enter")
    settle(tab)


def pick(tab: Page, label: str, text: str) -> None:
    """Choose one of a list, which closes when the page is drawn again because figures have landed."""
    field, option = (
        tab.get_by_role("combobox", name=label, exact=True),
        tab.get_by_role("option", name=text, exact=True),
    )
    for _ in range(10):
        field.click()
        try:
            option.click(timeout=WAIT_MS / 10)
        except PlaywrightTimeoutError:
            field.press("Escape")
        else:
            return
    raise AssertionError(f"{label} did not offer {text}")


def eventually(found: Callable[[], object], wanted: object) -> bool:
    """Whether something comes to be as wanted within the time a reading may take."""
    end = time.monotonic() + READ_MS / 1000
    while found() != wanted and time.monotonic() < end:
        time.sleep(0.3)
    return found() == wanted


def section(tab: Page, name: str) -> None:
    tab.get_by_role("radio", name=name, exact=True).or_(
        tab.get_by_role("button", name=name, exact=True)
    ).first.click()
    settle(tab)


def sign(tab: Page, name: str, label: str = "Your name") -> None:
    field = tab.get_by_role("textbox", name=label).first
    field.fill(name)
    field.press("Tab")
    settle(tab)


def test_captures_are_dropped_labelled_read_and_taken_back(
    tab: Page, address: str, shop: Path, tmp_path: Path
) -> None:
    for number, name in enumerate(("ada one.csv", "ada two.csv")):
        write_capture(tmp_path / name, (1.0, 1.0, 0.6, 1.0), seed=40 + number)
    (tmp_path / "photo.jpg").write_bytes(b"no waveform")
    house = Warehouse(shop)
    visit(tab, f"{address}/add")
    sign(tab, "Ida")
    tab.locator("input[type=file]").set_input_files(sorted(str(path) for path in tmp_path.iterdir()))
    expect(tab.get_by_text("photo.jpg was not taken")).to_be_visible(timeout=READ_MS)
    expect(tab.get_by_text("ada two.csv is in; it waits for its label below")).to_be_visible()
    settle(tab)
    # a reload loses nothing: the files are in the warehouse, not in the page
    tab.reload()
    tab.wait_for_selector("h1")
    settle(tab)
    names = {"uploads/ada one.csv", "uploads/ada two.csv"}
    assert names <= set(house.frame("captures").filter(status="waiting")["capture_file"])
    # the first one is chosen already; its neighbour shares the label
    chosen = tab.get_by_role("combobox", name="Captures without a label").first
    chosen.click()
    tab.get_by_role("option", name="uploads/ada two.csv").click()
    settle(tab)
    chosen.press("Escape")
    sign(tab, " ")
    choose(tab, "Technician", "ada")
    choose(tab, "Engine family", "brand-new-4")
    tab.get_by_role("button", name="Save the label").click()
    expect(tab.get_by_text("Say who enters this")).to_be_visible(timeout=READ_MS)
    assert names <= set(house.frame("captures").filter(status="waiting")["capture_file"]), (
        "nothing was written"
    )
    sign(tab, "Ida")
    tab.get_by_role("button", name="Save the label").click()
    expect(tab.get_by_text("is waiting: Nobody has defined").first).to_be_visible(timeout=READ_MS)
    section(tab, "Engine family")
    expect(tab.get_by_role("textbox", name="Name of the engine family")).to_have_value("brand-new-4")
    expect(tab.get_by_text("cylinder 3 at 180°, cylinder 4 at 360°", exact=False)).to_be_visible()
    tab.get_by_role("button", name="Define it").click()
    expect(tab.get_by_role("textbox", name="Name of the engine family")).not_to_have_value(
        "brand-new-4", timeout=WAIT_MS
    )
    # the field is emptied before the two that waited are read
    assert eventually(
        lambda: dict(
            house.frame("captures")
            .filter(engine_family="brand-new-4")
            .select("capture_file", "status")
            .iter_rows()
        ),
        dict.fromkeys(names, "read"),
    )
    assert set(house.frame("captures").filter(engine_family="brand-new-4")["technician"]) == {"ada"}
    log = house.frame("entered", {"rows": 20})
    assert set(log["entered_by"]) == {"Ida"}
    assert {"engine_families.csv", "captures.csv", "upload"} <= set(log["subject"])
    # what was typed last stands in the next label, by the log: in a tab of its own, and before anything is typed
    write_capture(tmp_path / "ada three.csv", (1.0, 1.0, 1.0, 1.0), seed=43)
    visit(tab, f"{address}/add")
    expect(tab.get_by_role("textbox", name="Your name").first).to_have_value("Ida")
    tab.locator("input[type=file]").set_input_files(tmp_path / "ada three.csv")
    expect(tab.get_by_text("ada three.csv is in; it waits")).to_be_visible(timeout=READ_MS)
    tab.reload()
    tab.wait_for_selector("h1")
    settle(tab)
    for label, value in (("Technician", "ada"), ("Engine family", "brand-new-4")):
        expect(tab.get_by_role("combobox", name=label, exact=True).first).to_have_value(value)
    # the newest piece of work is taken back: the captures wait again, and nothing is erased
    section(tab, "Entered so far")
    tab.get_by_role("button", name="Take back").nth(1).click()  # the first is the upload just now
    expect(tab.get_by_text("Taken back since").first).to_be_visible(timeout=READ_MS)
    settle(tab)
    assert eventually(
        lambda: set(house.frame("captures").filter(engine_family="brand-new-4")["status"]), {"waiting"}
    )


def test_an_outcome_is_entered_from_the_list_of_what_waits(tab: Page, address: str, shop: Path) -> None:
    house = Warehouse(shop)
    with house.transaction() as connection:
        connection.execute("DELETE FROM outcome")
    visit(tab, f"{address}/todo")
    tab.locator("[data-testid=stButtonGroup]").get_by_text("Flagged jobs without an outcome").click()
    settle(tab)
    heading = tab.get_by_role("heading", name="Flagged jobs without an outcome").first
    expect(heading).to_be_visible(timeout=READ_MS)
    job = heading.inner_text().strip().rpartition(": ")[2]
    tab.get_by_role("radiogroup", name="Finding").locator("label").first.click()
    tab.get_by_role("textbox", name="Your name").first.fill("Ida")
    tab.get_by_role("button", name="Enter", exact=True).click()
    expect(tab.get_by_text(f"Entered for job {job}")).to_be_visible(timeout=READ_MS)
    settle(tab)
    assert house.frame("outcomes")["repair_order"].to_list() == [job]
    expect(heading).not_to_contain_text(job, timeout=READ_MS)  # the next one is at hand


def test_every_field_of_an_outcome_is_entered_from_a_capture(tab: Page, address: str, shop: Path) -> None:
    house = Warehouse(shop)
    orders = house.frame("orders")["repair_order"].to_list()
    row = (
        house.frame("captures")
        .filter(status="read", test="relative_compression", purpose="diagnosis")
        .filter(pl.col("repair_order").is_in(orders))
        .join(house.frame("outcomes"), on="repair_order", how="anti")
        .drop_nulls(["engine_family"])
        .row(-1, named=True)
    )
    cylinders = house.frame("families").filter(engine_family=row["engine_family"])["cylinders"][0]
    visit(tab, f"{address}/capture?capture={quote(row['capture_file'], safe='')}")
    tab.get_by_text("Enter what was found on this job").click()
    tab.get_by_role("radiogroup", name="Finding").locator("label").nth(1).click()
    which = tab.get_by_role("combobox", name="Which cylinders")
    which.click()
    tab.get_by_role("option", name="3", exact=True).click()
    which.press("Escape")
    for field, choice in (("How", "gauge"), ("In", "psi")):
        pick(tab, field, choice)
    # the parts of a date are spin buttons too
    gauge = tab.locator("[class*='st-key-gauge_']").get_by_role("spinbutton")
    expect(gauge).to_have_count(cylinders)
    for number in range(cylinders - 1):
        gauge.nth(number).fill("90" if number == 2 else "170")
    tab.get_by_role("textbox", name="Your name").first.fill("Ida")
    enter = tab.get_by_role("button", name="Enter", exact=True)
    enter.click()
    # one gauge reading is missing: nothing is written, and it says so
    expect(tab.get_by_text("gauge", exact=False).and_(tab.locator("[data-testid=stAlert] p"))).to_be_visible()
    assert row["repair_order"] not in house.frame("outcomes")["repair_order"].to_list()
    gauge.nth(cylinders - 1).fill("170")
    enter.click()
    expect(tab.get_by_text(f"Entered for job {row['repair_order']}")).to_be_visible()
    settle(tab)
    found = house.frame("outcomes").filter(repair_order=row["repair_order"]).row(0, named=True)
    assert (found["finding"], found["method"], found["confirmed_elements"]) == ("odd", "gauge", [3])
    # 1 psi = 6.894757 kPa (NIST SP 811, appendix B.8)
    wanted = [(90 if number == 2 else 170) * 6.894757 for number in range(cylinders)]
    assert found["gauge_kpa"] == pytest.approx(wanted, rel=1e-5)
    assert house.frame("entered", {"rows": 1})["entered_by"].to_list() == ["Ida"]
