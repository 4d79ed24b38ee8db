"""A Monday in a real browser: captures dropped and labelled, a family defined, an outcome entered, all taken back."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

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
    settle(tab)
    rows = house.frame("captures").filter(engine_family="brand-new-4")
    assert set(rows["capture_file"]) == names
    assert set(rows["status"]) == {"read"}
    assert set(rows["technician"]) == {"ada"}
    log = house.frame("entered", {"rows": 20})
    assert set(log["entered_by"]) == {"Ida"}
    assert {"engine_families.csv", "captures.csv", "upload"} <= set(log["subject"])
    # the newest piece of work is taken back: the captures wait again, and nothing is erased
    section(tab, "Entered so far")
    tab.get_by_role("button", name="Take back").first.click()
    expect(tab.get_by_text("Taken back since").first).to_be_visible(timeout=READ_MS)
    settle(tab)
    assert set(house.frame("captures").filter(engine_family="brand-new-4")["status"]) == {"waiting"}


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
