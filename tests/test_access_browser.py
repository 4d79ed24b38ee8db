"""Pages for everyone: what axe finds, narrow and zoomed screens, the dark theme, the keyboard."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dashboard.door.routes import _page as door_page
from dashboard.shared.pages import PAGES, PEOPLE_PARTS
from tests.browser_dashboard import IN_A_BROWSER, WAIT_MS, settle, visit

FOUND = importlib.util.find_spec("axe_playwright_python")
AXE = None if FOUND is None or FOUND.origin is None else Path(FOUND.origin).with_name("axe.min.js")
pytestmark = IN_A_BROWSER
VIEWPORT = {"width": 1280, "height": 1600}
# Drawn by the server's own front end: the list of pages in the sidebar, with sections between its items, and the
# place files are dropped on.
NOT_OURS = ["[data-testid=stSidebarNav]", "[data-testid=stFileUploaderDropzone]"]
PLACES = [
    *(entry.name for entry in PAGES if entry.name not in ("shop", "technicians") and not entry.several),
    "",
    *(f"technicians?part={part}" for part in PEOPLE_PARTS),
]
# Words of a chart that do not lie inside it as a whole, but for the three pixels by which a line of text is higher than
# its letters.
CUT = """() => [...document.querySelectorAll('[data-testid=stMain] svg.marks')].flatMap(svg => {
    const box = svg.getBoundingClientRect();
    return [...svg.querySelectorAll('text')].filter(text => {
        const at = text.getBoundingClientRect();
        return at.width && getComputedStyle(text).opacity !== '0' && (at.left < box.left - 3 || at.top < box.top - 3
            || at.right > box.right + 3 || at.bottom > box.bottom + 3);
    }).map(text => text.textContent);
})"""
NARROW = {"a desktop": 1280, "a phone": 390, "a desktop at 200 % zoom": 640}


def violations(tab: Page) -> list[str]:
    """What axe finds on the page as it stands, our part of it, one line a rule."""
    assert AXE is not None
    if not tab.evaluate("() => Boolean(window.axe)"):
        tab.evaluate(AXE.read_text(encoding="utf-8"))
    found: dict[str, Any] = tab.evaluate(
        "(left_out) => axe.run({exclude: left_out.map(one => [one])}, {resultTypes: ['violations']})",
        NOT_OURS,
    )
    return [
        f"{one['id']}: {one['help']}: {[node['html'][:200] for node in one['nodes'][:3]]}"
        for one in found["violations"]
    ]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours `rgb(r, g, b)`."""
    lights = []
    for colour in (one, other):
        parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        lights.append(sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True)))
    return (max(lights) + 0.05) / (min(lights) + 0.05)


@pytest.mark.skipif(AXE is None, reason="axe is not installed (the package axe-playwright-python)")
@pytest.mark.parametrize("place", PLACES)
def test_axe_finds_nothing_and_nothing_runs_out_of_a_narrow_screen(
    tab: Page, address: str, place: str
) -> None:
    tab.emulate_media(color_scheme="light")
    tab.set_viewport_size({"width": 1280, "height": 1600})
    visit(tab, f"{address}/{place}")
    tab.wait_for_timeout(600)  # what is drawn anew fades in, and is paler until then
    assert violations(tab) == []
    charts = tab.locator("[data-testid=stVegaLiteChart]")
    for i in range(charts.count()):
        assert charts.nth(i).evaluate(
            "chart => [chart, ...chart.querySelectorAll('[aria-label]')]"
            ".some(one => (one.getAttribute('aria-label') || '').length > 25)"
        ), f"chart {i} of {place} says nothing"
    tab.emulate_media(color_scheme="dark")
    tab.wait_for_timeout(300)
    assert violations(tab) == []
    for screen, width in NARROW.items():
        tab.set_viewport_size({"width": width, "height": 900})
        tab.wait_for_timeout(300)
        overflow = tab.evaluate(
            "() => { const main = document.querySelector('[data-testid=stMain]');"
            " return Math.max(document.documentElement.scrollWidth, main.scrollWidth) - window.innerWidth; }"
        )
        assert overflow <= 0, f"{place} runs {overflow} px out of {screen}"
        assert tab.evaluate(CUT) == [], f"cut on {screen}: {place}"


DOOR = {
    "sign in": {},
    "wrong password": {"trouble": "Name and password do not fit together.", "name": "ann"},
    "choose": {"name": "Ann", "token": "t", "shortest": 15, "longest": 128},
    "nothing": {"trouble": "This link was used before or is too old; ask for a new one."},
}


@pytest.mark.skipif(AXE is None, reason="axe is not installed (the package axe-playwright-python)")
@pytest.mark.parametrize("kind", DOOR)
def test_axe_finds_nothing_at_the_door(tab: Page, kind: str) -> None:
    """Sign-in and one-time links, as they are sent; they hold no script."""
    shown = door_page("sign in" if kind == "wrong password" else kind, "Sign in", **DOOR[kind])
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        for width in (1280, *NARROW.values()):
            tab.set_viewport_size({"width": width, "height": 900})
            tab.set_content(bytes(shown.body).decode())
            assert violations(tab) == []
            assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_axe_sees_what_is_wrong(tab: Page, address: str) -> None:
    if AXE is None:
        pytest.skip("axe is not installed (the package axe-playwright-python)")
    visit(tab, f"{address}/jobs")
    tab.evaluate("() => document.querySelector('h1').insertAdjacentHTML('afterend', '<img src=\"x.png\">')")
    assert any(line.startswith("image-alt") for line in violations(tab))


def test_the_dark_theme_is_the_browsers_choice(tab: Page, address: str) -> None:
    tab.emulate_media(color_scheme="dark")
    visit(tab, f"{address}/jobs")
    colour = tab.locator("[data-testid=stApp]").evaluate("app => getComputedStyle(app).backgroundColor")
    assert sum(int(part) for part in colour[4:-1].split(",")[:3]) < 120, colour
    tab.emulate_media(color_scheme="light")


def test_charts_can_be_read_on_either_ground_whoever_looked_first(tab: Page, address: str) -> None:
    """Ink against ground, WCAG 2.2, 1.4.3: 4.5 to 1 (its relative luminance)."""
    for scheme in ("light", "dark", "light"):
        tab.emulate_media(color_scheme=scheme)
        visit(tab, f"{address}/")
        words = tab.locator("[data-testid=stVegaLiteChart] .role-axis-label text")
        expect(words.first).to_be_visible(timeout=WAIT_MS)
        ground = tab.locator("[data-testid=stApp]").evaluate("it => getComputedStyle(it).backgroundColor")
        inks = set(words.evaluate_all("all => all.map(one => getComputedStyle(one).fill)"))
        assert inks
        assert {ink: contrast(ink, ground) for ink in inks if contrast(ink, ground) < 4.5} == {}, scheme


def test_the_keyboard_goes_all_the_way(tab: Page, address: str) -> None:
    """From the week's list to a capture and on to the known-good ones, without a mouse."""
    tab.set_viewport_size({"width": 1280, "height": 1600})
    visit(tab, f"{address}/capture")
    expect(tab.get_by_text("Tab moves on", exact=False).first).to_be_attached(timeout=WAIT_MS)
    wanted = tab.get_by_role("button", name="Over the known-good ones")
    expect(wanted).to_be_visible(timeout=WAIT_MS)
    tab.locator("h1").first.click()
    for _ in range(60):
        tab.keyboard.press("Tab")
        if wanted.evaluate("button => button === document.activeElement"):
            break
    else:
        raise AssertionError("the button is not reached by Tab")
    assert wanted.evaluate(
        "button => getComputedStyle(button).outlineStyle + getComputedStyle(button).boxShadow"
    ) != ("nonenone")
    tab.keyboard.press("Enter")
    expect(tab.locator("h1", has_text="Known-good captures")).to_be_visible(timeout=WAIT_MS)
    settle(tab)
    assert "over=" in tab.url


# What can be used on a page: its rows, forms and buttons, and the table behind each of its charts.
USABLE = """() => [...document.querySelectorAll(
    '[data-testid=stMain] button, [data-testid=stMain] input, [data-testid=stMain] summary, '
    + '[data-testid=stMain] textarea, [data-testid=stMain] [data-testid=stDataFrame] canvas[tabindex], '
    + '[data-testid=stMain] [role=slider]')]
  .filter(one => one.checkVisibility() && !one.disabled && one.tabIndex >= 0
    && getComputedStyle(one).visibility !== 'hidden' && !(one.type === 'radio' && !one.checked)
    && !one.closest('[data-testid=stElementToolbar], [data-testid=stVegaLiteChart], [aria-hidden=true]'))
  .map((one, at) => { one.dataset.walked = at; return one.outerHTML.slice(0, 160); })"""
MOST_STEPS = 400


@pytest.mark.parametrize(
    ("place", "unfolded"), [("", ()), ("thresholds", ("Put the proposals of the ticked rows in force",))]
)
def test_tab_reaches_everything_that_can_be_used(
    tab: Page, address: str, place: str, unfolded: tuple[str, ...]
) -> None:
    """From the first Tab on: the hint is read, then every form, row, button, and every chart's figures as a table."""
    tab.set_viewport_size({"width": 1280, "height": 1600})
    visit(tab, f"{address}/{place}")
    expect(tab.get_by_text("Tab moves on", exact=False).first).to_be_attached(timeout=WAIT_MS)
    tab.locator("[data-testid=stVegaLiteChart] svg.marks").first.wait_for(timeout=WAIT_MS)
    for title in unfolded:
        tab.locator("[data-testid=stMain] summary", has_text=title).click()
        settle(tab)
    charts = tab.locator("[data-testid=stMain] [data-testid=stVegaLiteChart]").count()
    behind = tab.locator("[class*='st-key-table_'] summary")
    assert charts
    assert behind.count() == charts
    usable: list[str] = tab.evaluate(USABLE)
    assert len(usable) > charts
    reached: set[str] = set()
    ends = 0
    for _ in range(MOST_STEPS):
        tab.keyboard.press("Tab")
        at = tab.evaluate(
            "() => { const one = document.activeElement;"
            " return one === document.body ? 'end' : one.closest('[data-walked]')?.dataset.walked ?? ''; }"
        )
        # Tab goes on from what was clicked last, so it is round only at the second end
        ends += at == "end" and bool(reached)
        if ends > len(unfolded):
            break
        reached.add(at)
    missed = [html for at, html in enumerate(usable) if str(at) not in reached]
    assert missed == []
    behind.first.focus()
    tab.keyboard.press("Enter")
    expect(tab.locator("[class*='st-key-table_'] [data-testid=stDataFrame]").first).to_be_visible(
        timeout=WAIT_MS
    )
    settle(tab)
