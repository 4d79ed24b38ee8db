"""What the week's digest says of its captures: by pieces of work, and what is further off than chance explains."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from dashboard.documents.digest import beyond_sentence, render
from models.outliers.discoveries import discoveries
from models.records.shop import Shop
from models.spread.scoring import Scores
from models.stats.intervals import wilson
from models.thresholds.proposal import Costs, Proposal
from pipelines.fit import run
from pipelines.fit.landing import proposal_rows
from pipelines.kinds import kinds
from pipelines.reports.week import BEFORE_WEEKS, _changes, waits_of, week_of
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import comparison_groups
from tests.page_driver import opened, texts
from tests.simulated_shop import capture_row, captures_of

MONDAY = dt.datetime(2025, 3, 3, 9)


def test_a_capture_and_its_retakes_are_one_piece_of_work_of_the_week() -> None:
    """Four pieces this week, two failing at the first try and one of them taken again; three before, one failing."""

    def row(name: str, at: dt.datetime, status: str) -> dict[str, object]:
        return capture_row(name, vehicle=name.split()[0], captured_at=at, status=status)

    hour = dt.timedelta(hours=1)
    rows = [
        row("a", MONDAY, "unusable"),
        row("a 2", MONDAY + hour, "unusable"),
        row("a 3", MONDAY + 2 * hour, "read"),
    ]
    rows += [
        row("b", MONDAY, "read"),
        row("c", MONDAY, "read"),
        row("d", MONDAY, "unusable"),
        row("e", MONDAY, "waiting"),
    ]
    week = dt.timedelta(weeks=1)
    rows += [row("f", MONDAY - week, "unusable"), row("f 2", MONDAY - week + hour, "read")]
    rows += [row("g", MONDAY - week, "read"), row("h", MONDAY - week, "read")]
    captures = captures_of(rows).with_columns(day=pl.col("captured_at").dt.date())
    used = pl.DataFrame({"week": [MONDAY.date()], "eligible": [4], "scoped": [1]})
    monday = MONDAY.date()
    scored = pl.DataFrame(schema={"day": pl.Date, "flagged": pl.Boolean})
    changes = _changes(
        captures,
        used,
        scored,
        monday,
        monday + dt.timedelta(days=6),
        monday - dt.timedelta(weeks=BEFORE_WEEKS),
    )
    (read,) = (one for one in changes if "could be read" in one.what)
    assert read.what == "pieces of work that could be read at the first try"
    assert (read.now.n, read.now.estimate, read.now.low, read.now.high) == (4, 0.5, *wilson(2, 4))
    assert (read.before.n, read.before.estimate) == (3, 2 / 3)


def test_what_is_beyond_chance_is_named_with_its_rate_and_its_condition() -> None:
    def said(files: list[str], flagged: list[bool]) -> str:
        found = pl.DataFrame(
            {"capture_file": files, "flagged": flagged},
            schema={"capture_file": pl.String, "flagged": pl.Boolean},
        )
        return beyond_sentence(cast(Any, SimpleNamespace(beyond_chance=found, rate_pct=10.0)))

    assert said([], []) == "No capture of this week stands further off than chance explains."
    assert said(["a.csv", "b.csv"], [True, False]) == (
        "2 captures of this week stand further off than chance explains: a.csv, b.csv (not flagged). At most 10 in 100 "
        "of the captures so called are healthy ones on average, provided that known-good captures are made as those on "
        "jobs are."
    )
    assert said(["a.csv"], [True]).startswith(
        "1 capture of this week stands further off than chance explains: a.csv. "
    )
    many = said([f"{i}" for i in range(15)], [True] * 15)
    assert "10, 11 and 3 more. At most" in many


def test_the_digest_shows_what_it_found(monkeypatch: pytest.MonkeyPatch, small_warehouse: Path) -> None:
    house = Warehouse(small_warehouse)
    days = house.frame("captures")["captured_at"].dt.date()
    mondays = sorted({day - dt.timedelta(days=day.weekday()) for day in days.drop_nulls()})
    for monday in mondays[-3:]:
        week = week_of(house, monday)
        sunday = monday + dt.timedelta(days=6)
        captures = house.frame("captures_between", {"first_day": monday, "last_day": sunday})
        scores = house.frame("scores_between", {"first_day": monday, "last_day": sunday})
        both = captures.join(scores, on="capture_file").with_columns(
            week=pl.col("captured_at").dt.date().dt.truncate("1w")
        )
        found = discoveries(both.unique("capture_file"), both, week.rate_pct).filter("discovery")
        assert week.beyond_chance["capture_file"].to_list() == sorted(found["capture_file"])
        assert beyond_sentence(week) in render(week, waits_of(house, week))
    app = opened(monkeypatch, small_warehouse, "digest", kept_digest_week=mondays[-1])
    assert beyond_sentence(week_of(house, mondays[-1])) in texts(app)


def test_a_fit_compares_known_goods_by_how_they_were_made_alone(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    """Length, rate and the count of cycles; nothing that a fault changes, for then every faulty shop would differ."""
    asked: list[tuple[list[str], bool]] = []

    def kept(scores: Scores, shop: Shop, *, wide: pl.DataFrame) -> Scores:
        read = shop.captures.filter(pl.col("status") == "read")
        asked.append((wide.columns, read.select("duration_s", "rate_hz").null_count().row(0) == (0, 0)))
        return scores

    monkeypatch.setattr(run, "reweighted", kept)
    house = Warehouse(small_warehouse)
    frames = house.frames(("families", "logged_groups", "element_counts"))
    groups = comparison_groups(frames["families"], frames["logged_groups"], frames["element_counts"])
    known = kinds()["relative_compression"]
    run._read_and_fit(house, known, groups, Costs(600.0, 90.0))
    assert asked == [(["capture_file", "cycles"], True)]


def test_a_proposal_that_needs_a_look_is_never_written_as_the_one_in_force() -> None:
    """The limit of the normal spread stands in for it, and only where the group has no version yet."""

    def proposal(group: str, x: float, look: str | None) -> Proposal:
        return cast(Proposal, SimpleNamespace(group=group, threshold_pct=x, why="cheapest", needs_look=look))

    stats = pl.DataFrame({"group": ["g", "h"], "odd_limit_pct": [5.27, 4.0]})
    part = SimpleNamespace(
        fit=SimpleNamespace(stats=stats),
        proposals=(proposal("g", 1.5, "It flags many."), proposal("h", 3.4, None)),
    )
    fits = [SimpleNamespace(kind=SimpleNamespace(name="t"), measures={"level": part})]
    assert proposal_rows(cast(Any, fits)).rows() == [
        (
            "t",
            "level",
            "g",
            5.3,
            "It flags many. Until then 5.3 % stands, what about 1 in 100 healthy captures reach.",
            True,
        ),
        ("t", "level", "h", 3.4, "cheapest", False),
    ]
