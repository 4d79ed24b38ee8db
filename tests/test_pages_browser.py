"""Each page in a real headless browser, from a server started in a folder that is not ours."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from dashboard.launch import launch
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting
from tests.browser_dashboard import CHROMIUM, WAIT_MS, chromium, served, settle, visit

pytestmark = [
    pytest.mark.xdist_group("browser"),
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it"),
]

# A page's path, a sentence it must say, and whether it draws.
PAGES = {
    "": ("Do scoped jobs come back less?", True),
    "spread": ("A healthy cylinder of this group scatters by", True),
    "thresholds": ("A cylinder counts as odd from", True),
    "known_good": ("Against a gauge test", True),
    "capture": ("Each cylinder against the group", True),
    "technicians": ("nobody is ranked", True),
    "intake": ("Refused, waiting, unusable: what to do", False),
}


@pytest.fixture(scope="module")
def shop(small_warehouse: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("browser") / "shop"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop"))
    return folder


@pytest.fixture(scope="module")
def address(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(shop, tmp_path_factory.mktemp("elsewhere")) as url:
        yield url


@pytest.fixture(scope="module")
def headless() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture
def tab(headless: Browser) -> Iterator[Page]:
    page = headless.new_page(viewport={"width": 1400, "height": 2400})
    yield page
    page.close()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_opens_and_asks_nobody_else(tab: Page, address: str, path: str) -> None:
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    sentence, draws = PAGES[path]
    visit(tab, f"{address}/{path}")
    expect(tab.get_by_text(sentence).first).to_be_visible(timeout=WAIT_MS)
    assert tab.locator("[data-testid=stException]").count() == 0
    assert tab.get_by_text("could not be drawn").count() == 0
    if path == "technicians":
        tab.get_by_role("tab", name="Everybody beside chance").click()
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
