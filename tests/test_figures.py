"""Stored figures: they come back as they were, a stale one is never shown, and the report does not work them out."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import streamlit as page_cache
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from dashboard import access, data
from dashboard.launch import WAREHOUSE_VARIABLE
from dashboard.views.known_good import answer as known_good
from dashboard.views.thresholds import answer as thresholds
from models.stats.results import Estimate
from models.thresholds.curves import ThresholdCurves
from pipelines.access.roles import Role, viewer_of
from pipelines.fit import figures, limits
from pipelines.fit.figures import COST_FRAMES, PEOPLE_FRAMES, load_costs, load_figures
from pipelines.intake.entry import log_coaching
from pipelines.kinds import kinds
from pipelines.reports import report, week
from pipelines.warehouse.codec import CodecError, decode, encode
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place, read_settings, set_setting, set_threshold
from pipelines.warehouse.shop import read_shop


@pytest.fixture
def house(small_warehouse: Path, tmp_path: Path) -> Warehouse:
    """A warehouse of one's own with the small shop in it, fitted."""
    shutil.copy(small_warehouse / "shopspread.duckdb", tmp_path / "shopspread.duckdb")
    return Warehouse(tmp_path)


def near(left: Any, right: Any) -> bool:
    """As `same`, but for the last digits of sums, whose order is the libraries' own affair."""
    if isinstance(left, np.ndarray):
        return left.dtype == right.dtype and np.allclose(left, right, rtol=1e-7, atol=1e-9, equal_nan=True)
    if isinstance(left, pl.DataFrame):
        assert_frame_equal(left, right, check_exact=False, rel_tol=1e-7, abs_tol=1e-9)
        return True
    if isinstance(left, float) and isinstance(right, float):
        return math.isclose(left, right, rel_tol=1e-7, abs_tol=1e-9) or (left != left and right != right)
    if isinstance(left, Mapping):
        return list(left) == list(right) and all(near(left[k], right[k]) for k in left)
    if dataclasses.is_dataclass(left):
        names = [field.name for field in dataclasses.fields(left)]
        return type(left) is type(right) and all(near(getattr(left, n), getattr(right, n)) for n in names)
    if isinstance(left, tuple | list):
        return len(left) == len(right) and all(near(a, b) for a, b in zip(left, right, strict=True))
    return same(left, right)


def same(left: Any, right: Any) -> bool:
    """Equality that looks into frames and results; types count."""
    if isinstance(left, np.ndarray):
        return left.dtype == right.dtype and np.array_equal(left, right, equal_nan=True)
    if isinstance(left, pl.DataFrame):
        return isinstance(right, pl.DataFrame) and left.schema == right.schema and left.equals(right)
    if isinstance(left, Mapping):
        return (
            isinstance(right, Mapping)
            and list(left) == list(right)
            and all(same(left[k], right[k]) for k in left)
        )
    if type(left) is not type(right) and not isinstance(left, float):
        return False
    if dataclasses.is_dataclass(left):
        return all(same(getattr(left, f.name), getattr(right, f.name)) for f in dataclasses.fields(left))
    if isinstance(left, tuple | list):
        return len(left) == len(right) and all(same(a, b) for a, b in zip(left, right, strict=True))
    return bool(left == right) or (left != left and right != right)


FIGURES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.dates(), st.datetimes(),
    st.builds(lambda n, x: Estimate(n, x), st.integers(0, 9), st.floats(allow_nan=False, allow_infinity=False)),
    st.lists(st.one_of(st.none(), st.floats())).map(lambda x: pl.DataFrame({"x": x}, schema={"x": pl.Float64})),
    st.lists(st.floats()).map(lambda x: np.asarray(x, dtype=np.float64)),
    st.lists(st.lists(st.text(max_size=3), max_size=2), max_size=3).map(
        lambda x: pl.DataFrame({"x": x}, schema={"x": pl.List(pl.String)})
    ),
)  # fmt: skip
KEYS = st.one_of(st.text(), st.integers(), st.tuples(st.text(), st.text()))


@settings(max_examples=150, deadline=None)
@given(
    st.recursive(
        FIGURES,
        lambda inner: st.one_of(
            st.lists(inner, max_size=3), st.lists(inner, max_size=3).map(tuple), st.dictionaries(KEYS, inner)
        ),
        max_leaves=8,
    )
)
def test_whatever_a_result_may_hold_comes_back(value: Any) -> None:
    assert same(decode(encode(value)), value)


@dataclasses.dataclass(frozen=True)
class Stranger:
    """A result of nobody's."""

    x: int


@pytest.mark.parametrize(
    "value",
    [
        {1, 2},
        object(),
        np.zeros((2, 2)),
        b"bytes",
        Stranger(1),
        dt.datetime(2026, 1, 1, tzinfo=dt.UTC),
        dt.timedelta(1),
        np.int64(3),
    ],
)
def test_a_value_no_result_holds_is_an_error_that_says_where(value: object) -> None:
    with pytest.raises(CodecError, match=r"value\['deep'\]\[1\]"):
        encode({"deep": (1, value)})


@pytest.mark.parametrize(
    "text",
    [
        "not json",
        "[1, 2]",
        '{"of": "os:system", "fields": {}}',
        '{"of": "models.stats.results:math", "fields": {}}',
        '{"of": "models.people.coaching:NoSuchThing", "fields": {}}',
        '{"of": "models.stats.results:Estimate", "fields": {"n": 1}}',
        '{"of": "models.stats.results:Estimate.nothing", "fields": {}}',
        '{"frame": "AAAA"}',
        '{"tuple": 3}',
        '{"pickle": "gASVAA=="}',
        '{"date": "yesterday"}',
        "{}",
    ],
)
def test_a_text_of_another_sort_is_refused(text: str) -> None:
    with pytest.raises(CodecError):
        decode(text)


def test_the_stored_figures_are_those_the_whole_shop_gives(house: Warehouse) -> None:
    stored = load_figures(house)
    assert stored is not None
    worked_out = figures.figures_of(
        read_shop(house), figures.people_settings(read_settings(house)), stored.as_of
    )
    assert len(stored.skills) > 1
    assert stored.coaching.chart_points.height > 0
    for field in dataclasses.fields(stored):
        assert near(getattr(stored, field.name), getattr(worked_out, field.name)), field.name
    without = load_figures(house, charts=False)
    assert without is not None
    assert without.coaching.chart_points.is_empty()
    assert same(without.coaching.items, stored.coaching.items)


def test_the_report_reads_what_is_stored_and_says_what_it_would_work_out(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    def not_again(*_: object, **__: object) -> None:
        raise AssertionError("worked out again")

    with monkeypatch.context() as patch:
        patch.setattr(report, "figures_of", not_again)
        patch.setattr(report, "costs_of", not_again)
        read = report.build_report(house)
        with pytest.raises(AssertionError, match="worked out again"):
            report.build_report(house, as_of=dt.date.fromisoformat(read["as_of"]) - dt.timedelta(days=30))
    with house.transaction() as connection:
        connection.execute("DELETE FROM figure")
    assert json.dumps(report.build_report(house)) == json.dumps(read)


def test_the_last_week_is_read_as_the_fit_stored_it(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its people's figures, of two dates, are worked out by the fit; those of an earlier week are not stored."""

    def not_again(*_: object, **__: object) -> None:
        raise AssertionError("worked out again")

    monday = week.last_week(house)
    with monkeypatch.context() as patch:
        patch.setattr(week, "people_week", not_again)
        read = week.week_of(house, monday)
        with pytest.raises(AssertionError, match="worked out again"):
            week.week_of(house, monday - dt.timedelta(days=7))
    assert read.weeks.height
    assert read.odd.height
    with house.transaction() as connection:
        connection.execute("DELETE FROM figure")
    again = week.week_of(house, monday)
    for field in dataclasses.fields(read):
        assert near(getattr(read, field.name), getattr(again, field.name)), field.name


def test_a_week_s_rows_are_those_of_the_whole_frames(house: Warehouse) -> None:
    first, last = dt.date(2025, 11, 3), dt.date(2025, 12, 28)
    frames = house.frames(
        ("captures", "scores", "captures_between", "scores_between"), {"first_day": first, "last_day": last}
    )
    captures = frames["captures"].filter(pl.col("captured_at").dt.date().is_between(first, last))
    assert 0 < captures.height < frames["captures"].height
    assert frames["captures_between"].equals(captures)
    scores = frames["scores"].join(captures, on="capture_file", how="semi", maintain_order="left")
    assert frames["scores_between"].equals(scores)


def test_curves_and_gauge_are_read_as_the_pages_work_them_out(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of every measure: the pages' own way, from the records of one test, gives what the fit stored."""
    page_cache.cache_resource.clear()
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(house.path))
    stamp = data.stamp()
    seen = dict.fromkeys((limits.CURVES, limits.GAUGE), 0)
    groups = data.frames(stamp)["comparison_groups"]
    for test, measure in ((t, m.name) for t in groups["test"].unique() for m in kinds()[t].measures):
        (stored,) = figures.load_limit_figure(house, limits.CURVES, test, measure)
        assert isinstance(stored, ThresholdCurves)
        assert near(stored, thresholds._curves_of(stamp, test, measure, data.sight()))
        seen[limits.CURVES] += stored.curves.height
        (stored,) = figures.load_limit_figure(house, limits.GAUGE, test, measure)
        again = known_good._gauge(stamp, test, measure, data.sight())
        assert near(stored, again)
        seen[limits.GAUGE] += 0 if again is None else again.points.height
    assert all(seen.values())

    def not_again(*_: object) -> None:
        raise AssertionError("worked out again")

    monkeypatch.setattr(thresholds, "_curves_of", not_again)
    monkeypatch.setattr(known_good, "_gauge", not_again)
    test, measure = "relative_compression", kinds()["relative_compression"].measures[0].name
    assert thresholds.curves_of(stamp, test, measure).curves.height
    assert known_good.gauge(stamp, test, measure) is not None
    less = viewer_of("Ann", [Role.TECHNICIAN], "ann")
    monkeypatch.setattr(access, "present", lambda: less)
    with pytest.raises(AssertionError, match="worked out again"):
        thresholds.curves_of(stamp, test, measure)


def test_a_stale_figure_is_never_shown(house: Warehouse, monkeypatch: pytest.MonkeyPatch) -> None:
    assert load_figures(house) is not None
    assert load_costs(house) is not None
    before = read_settings(house)["comeback_window_days"]
    set_setting(house, "comeback_window_days", before + 1, set_by="ada")
    assert load_figures(house) is None
    set_setting(house, "comeback_window_days", before, set_by="ada")
    assert load_figures(house) is not None
    set_setting(house, "labour_rate_per_h", 77.0, set_by="ada")
    assert load_figures(house) is not None, "nothing of people depends on it"
    with monkeypatch.context() as patch:
        patch.setattr(figures, "FIGURES_VERSION", figures.FIGURES_VERSION + 1)
        assert load_figures(house) is None
        assert load_costs(house) is None
    row = house.frame("thresholds").row(-1, named=True)
    place = Place(row["test"], row["measure"], row["group"])
    set_threshold(house, place, 9.9, set_by="ada", reason="to see", seen_version=_newest(house, place))
    assert load_costs(house) is None, "costs are of the limits in force"
    assert not figures.load_limit_figure(house, limits.CURVES, place.test, place.measure)
    assert load_figures(house) is not None, "no limit moves a person's figure"
    log_coaching(house, technician=_somebody(house), held_on=dt.date(2026, 1, 5), topic="calls", by="mira")
    assert load_figures(house) is None
    assert figures.store_figures(house)
    found = load_figures(house)
    assert found is not None
    assert any(one.held_on == dt.date(2026, 1, 5) for one in found.sessions)


def test_figures_of_a_shop_that_changed_meanwhile_are_not_stored(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = figures.figures_of

    def while_somebody_writes(*args: Any) -> figures.Figures:
        log_coaching(
            house, technician=_somebody(house), held_on=dt.date(2026, 1, 6), topic="calls", by="mira"
        )
        return work(*args)

    monkeypatch.setattr(figures, "figures_of", while_somebody_writes)
    assert not figures.store_figures(house)
    assert load_figures(house) is None


def test_an_unreadable_figure_counts_as_none(house: Warehouse) -> None:
    with house.transaction() as connection:
        connection.execute('UPDATE figure SET value = \'{"of": "models.gone:Away", "fields": {}}\'')
    assert load_figures(house) is None
    assert load_costs(house) is None


def test_what_is_read_for_the_figures_is_the_shop(house: Warehouse) -> None:
    """The lighter frames say of people and limits what the whole bundle says."""
    assert figures.people_shop(house.frames(PEOPLE_FRAMES)).captures.equals(read_shop(house).captures)
    costs = figures.costs_of(house.frames(COST_FRAMES), dt.datetime.max)
    stored = load_costs(house)
    assert stored is not None
    assert same(dict(costs), dict(stored))


def _newest(house: Warehouse, place: Place) -> int:
    own = house.frame("thresholds").filter(
        (pl.col("test") == place.test)
        & (pl.col("measure") == place.measure)
        & (pl.col("group") == place.group)
    )
    return int(own["version"].to_numpy().max())


def _somebody(house: Warehouse) -> str:
    return str(house.frame("technicians")["technician"][0])
