"""Five seconds a page: methods by name only where it is said how something was worked out; weeks that are over."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.shared import words
from dashboard.shared.pages import PEOPLE_PARTS
from dashboard.views.shop import answer as shop
from dashboard.views.thresholds import every
from pipelines.warehouse.database import Warehouse
from tests.page_driver import PAGES, assert_sound, fresh_caches, opened, press, texts  # noqa: F401

# On one worker, so that the small shop is built and its figures are worked out once.
pytestmark = pytest.mark.xdist_group("pages")

METHODS = re.compile(
    r"doubly|robust\b|e-value|kaplan|kappa|benjamini|hochberg|naive|calibration|conformal|bayes|posterior|pooled"
    r"|wilson|inverse.probability|isolation forest|false discovery",
    re.IGNORECASE,
)
# Where a page says how something was worked out: the page, the expander's key, a name that must then be there.
WORKED_OUT = {
    "shop": ("method", "doubly robust"),
    "technicians": ("method_skill", "kappa"),
    "week": ("method_week", "known-good"),
}
DRAWN = ("alt", "vega_lite_chart")


def everything_said(app: object) -> str:
    """What a page says, and what its charts say to whoever cannot see them."""
    charts = app.get("vega_lite_chart") + app.get("arrow_vega_lite_chart")  # type: ignore[attr-defined]
    return "\n".join([texts(app), *(chart.proto.alt for chart in charts)])  # type: ignore[arg-type]


def tooltips(part: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """What is said when the mouse rests on a mark, of every layer of a chart."""
    said = part.get("encoding", {}).get("tooltip", [])
    yield from said if isinstance(said, list) else [said]
    for layer in part.get("layer", ()):
        yield from tooltips(layer)


COUNTS = re.compile(r"^(n|captures|jobs|jobs that week|asked for)$")
ROUNDED = re.compile(r"^\.[0-4]f$")


def assert_tooltips_are_plain(app: Any) -> None:
    """In words, rounded, and without a method's name."""
    for chart in app.get("vega_lite_chart") + app.get("arrow_vega_lite_chart"):
        for one in tooltips(json.loads(chart.proto.spec)):
            title = one.get("title", "")
            assert title, one
            assert "_" not in title, one
            assert not METHODS.search(title), one
            if one["type"] == "quantitative" and not COUNTS.match(title):
                assert ROUNDED.match(one.get("format", "")), one


@pytest.mark.parametrize("name", PAGES)
def test_methods_are_named_only_where_it_is_said_how(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str
) -> None:
    for part in PEOPLE_PARTS if name == "technicians" else ("",):
        app = opened(monkeypatch, small_warehouse, name, kept_people_tab=part)
        found = METHODS.findall(everything_said(app))
        assert not found, (name, part, found)
        assert_tooltips_are_plain(app)


@pytest.mark.parametrize("name", WORKED_OUT)
def test_how_it_was_worked_out_names_the_methods(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str
) -> None:
    key, method = WORKED_OUT[name]
    app = opened(monkeypatch, small_warehouse, name, kept_people_tab=PEOPLE_PARTS[2], **{key: True})
    assert_sound(app)
    assert method in texts(app)
    assert any(box.label == words.METHOD for box in app.expander)


def test_a_week_that_is_not_over_is_not_drawn() -> None:
    monday = dt.date(2026, 3, 2)
    rows = pl.DataFrame({"week": [monday - dt.timedelta(days=7), monday], "n": [5, 0]})
    for day in range(6):
        assert words.over(rows, monday + dt.timedelta(days=day))["n"].to_list() == [5]
    assert words.over(rows, monday + dt.timedelta(days=6)).height == 2


def test_comebacks_of_late_are_of_jobs_watched_for_the_whole_window() -> None:
    day = dt.date(2026, 6, 30)
    closed = [
        dt.datetime(2026, 5, 20),
        dt.datetime(2026, 5, 25),
        dt.datetime(2026, 6, 20),
        dt.datetime(2025, 9, 1),
    ]
    jobs = pl.DataFrame(
        {"closed_at": closed, "counted": [True] * 4, "came_back": [True, False, True, False]},
    )
    recent = shop.came_back_since(jobs, day, shop.RECENT_WEEKS, 30)
    year = shop.came_back_since(jobs, day, shop.YEAR_WEEKS, 30)
    # the job of 20 June has been watched for 10 of 30 days, the one of 2025 is older than eight weeks
    assert (recent.n, year.n) == (2, 3)


def test_money_is_named_once(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    assert words.money(1234.4, "") == "1 234"
    assert words.money(1234.4, "EUR") == "1 234 EUR"
    app = opened(monkeypatch, own_copy, "intake")
    app.text_input(key="set_currency").input("EUR")
    app.text_input(key="by_settings").input("Ida")
    press(app, "Save")
    assert_sound(app)
    said = texts(opened(monkeypatch, own_copy, "shop"))
    assert re.search(r"at 95 EUR an hour", said)
    table = next(
        t.value for t in app.switch_page("views/shop/shop.py").run().dataframe if "parts, EUR" in t.value
    )
    assert len(table)


def test_several_proposals_are_accepted_at_once(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    from dashboard import data
    from dashboard.launch import WAREHOUSE_VARIABLE
    from dashboard.shared.filters import Subject
    from pipelines.errors import ShopspreadError
    from pipelines.kinds import kinds

    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(own_copy))
    known = kinds()["relative_compression"]
    frames = Warehouse(own_copy).frames(["thresholds", "thresholds_in_force"])
    groups = frames["thresholds"].filter(pl.col("test") == known.name)["group"].unique().sort().to_list()
    about = Subject(known, known.measures[0], (*groups, "unheard-of"), "engine family")
    rows = every.limits(frames, about)
    assert rows["group"].to_list() == [*groups, "unheard-of"]
    with pytest.raises(ShopspreadError, match="who sets it and why"):
        every.accept(rows, about, who="Ida", why=" ")
    chosen = rows.filter(pl.col("group").is_in([groups[0], groups[-1], "unheard-of"]))
    said = every.accept(chosen, about, who="Ida", why="looked at all of them")
    assert [text.partition(":")[0] for text in said] == [groups[0], groups[-1], "unheard-of"]
    assert "nothing is proposed yet" in said[-1]
    force = Warehouse(own_copy).frame("thresholds_in_force").filter(pl.col("test") == known.name)
    decided = {row["group"]: (row["source"], row["set_by"], row["threshold_pct"]) for row in force.to_dicts()}
    for group in (groups[0], groups[-1]):
        proposed = rows.filter(pl.col("group") == group)["proposed"][0]
        assert decided[group] == ("set", "Ida", pytest.approx(proposed))
    # a second person who saw the old table is told, and overwrites nothing
    assert (
        "Somebody" in every.accept(chosen.head(1), about, who="Olaf", why="me too")[0]
        or "version" in (every.accept(chosen.head(1), about, who="Olaf", why="me too")[0])
    )
    own = (pl.col("group") == groups[0]) & (pl.col("test") == known.name)
    after = Warehouse(own_copy).frame("thresholds_in_force").filter(own)
    assert after["set_by"].to_list() == ["Ida"]
    assert data.path() == own_copy


def test_the_digest_stands_on_a_page(monkeypatch: pytest.MonkeyPatch, small_warehouse: Path) -> None:
    warehouse = Warehouse(small_warehouse)
    scored = warehouse.frame("scores").filter("flagged").join(warehouse.frame("captures"), on="capture_file")
    day = scored.sort("captured_at")["captured_at"].dt.date()[-1]
    monday = day - dt.timedelta(days=day.weekday())
    app = opened(monkeypatch, small_warehouse, "digest", kept_digest_week=monday)
    assert_sound(app)
    said = texts(app)
    assert f"{monday} to {monday + dt.timedelta(days=6)}" in said
    assert "What needs a decision" in said
    assert "of this week" in said
    changes = next(t.value for t in app.dataframe if "this week" in t.value.columns)
    assert all("n\N{NO-BREAK SPACE}=" in cell or "n = " in cell for cell in changes["this week"])
