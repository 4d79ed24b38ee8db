"""The manager's page: three questions, each with an answer in a word and one in a sentence."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from dashboard import data
from dashboard.shared import words
from dashboard.shared.parts import Answer
from models.jobs.adoption import Adoption
from models.jobs.comebacks import Comebacks
from models.stats.intervals import share, wilson_many
from models.stats.results import Estimate

RECENT_WEEKS = 8
RUNNING_WEEKS = 4


def use_answer(value: Adoption, as_of: dt.date) -> Answer:
    """Is the scope used, and is that growing?"""
    question = "Is the scope used?"
    overall = value.overall
    if overall.estimate is None:
        return Answer(question, "Too little to say", words.share(overall))
    recent, earlier = recent_use(value.by_week, as_of)
    detail = (
        f"{words.number(value.scoped)} of {words.number(value.eligible)} jobs that could use it were scoped: "
        f"{words.share(overall)}. Last {RECENT_WEEKS} weeks: {words.share(recent)}; before that: "
        f"{words.share(earlier)}. {value.direction_sentence}"
    )
    # Two shares beside each other differ in most quiet years; the chart behind this word says how often it is wrong.
    direction = f", and {value.direction}" if value.direction else ""
    return Answer(question, f"On {words.percent(overall.estimate)} of jobs{direction}", detail)


def recent_use(by_week: pl.DataFrame, as_of: dt.date) -> tuple[Estimate, Estimate]:
    """Share scoped in the last weeks, and before them."""
    first = as_of - dt.timedelta(weeks=RECENT_WEEKS)
    recent, earlier = by_week.filter(pl.col("week") > first), by_week.filter(pl.col("week") <= first)
    return (
        share(int(recent["scoped"].sum()), int(recent["eligible"].sum()), what="jobs"),
        share(int(earlier["scoped"].sum()), int(earlier["eligible"].sum()), what="jobs"),
    )


def comeback_answer(value: Comebacks) -> Answer:
    """Do scoped jobs come back less?"""
    question = "Do scoped jobs come back less?"
    difference = value.adjusted.risk_difference
    if difference.estimate is None:
        return Answer(question, "Too little to say", words.points(difference))
    adjusted = value.adjusted
    # By a bound that holds however often the page is looked at: a plain interval says a false yes once in a while.
    answer = {"yes": "Yes, fewer among like jobs", "no": "No, more among like jobs"}.get(
        adjusted.answer, "Not clear yet"
    )
    detail = in_a_hundred(difference, value.window_days)
    if adjusted.not_recorded:
        detail += f" Not recorded, so not allowed for: {', '.join(adjusted.not_recorded)}."
    return Answer(question, answer, detail, "good" if adjusted.answer == "yes" else "plain")


def in_a_hundred(difference: Estimate, window_days: int) -> str:
    """A risk difference as jobs out of a hundred."""
    if difference.estimate is None or difference.low is None or difference.high is None:
        return words.points(difference)

    def more_or_fewer(value: float) -> str:
        return f"{words.number(abs(100 * value), 1)} {'fewer' if value < 0 else 'more'}"

    return (
        f"Of 100 like jobs, {more_or_fewer(difference.estimate)} returned within {window_days} days when they "
        f"were scoped (95 % interval {more_or_fewer(difference.low)} to {more_or_fewer(difference.high)}, "
        f"n = {words.number(difference.n)} jobs). Like means: same complaint, engine family, vehicle history, "
        "season and technician, as far as the records tell."
    )


def cost_answer(value: Comebacks, labour_rate: float) -> Answer:
    """What do comebacks cost?"""
    question = "What do comebacks cost?"
    whole = value.cost.filter(pl.col("group") == "all")
    if whole.is_empty() or not whole["comebacks"][0]:
        return Answer(question, "No comeback on record", f"Within {value.window_days} days of closing.")
    row = whole.row(0, named=True)
    money = row["labour_h"] * labour_rate + row["parts_cost"]
    detail = (
        f"{words.plural(row['comebacks'], 'comeback')} within {value.window_days} days took "
        f"{words.number(row['labour_h'])} h of labour (at {words.number(labour_rate)} an hour) and parts for "
        f"{words.number(row['parts_cost'])}, in the shop's currency."
    )
    returned = value.parts
    parts = {r["group"]: r for r in returned.iter_rows(named=True)}
    if {"scoped", "not scoped"} <= set(parts):
        detail += (
            f" Parts went back on {_range(parts['scoped'], 'returns')} of scoped jobs and on "
            f"{_range(parts['not scoped'], 'returns')} of the others (as they are, not like for like)."
        )
    return Answer(question, f"{words.number(money)} so far", detail)


def _range(row: dict[str, Any], stem: str) -> str:
    value = row[f"{stem}_share"]
    if value is None:
        return f"too few to say (n = {row['orders']})"
    return (
        f"{words.percent(value)} ({words.percent(row[f'{stem}_low'])} to {words.percent(row[f'{stem}_high'])}, "
        f"n = {words.number(row['orders'])})"
    )


def differences(value: Comebacks) -> pl.DataFrame:
    """Crude and adjusted risk difference side by side: name, points, low, high, n, leading."""
    rows = []
    for name, estimate, leading in (
        ("As they are", value.crude.risk_difference, False),
        ("Like for like", value.adjusted.risk_difference, True),
        ("Before and after starting", value.stepped.difference, False),
    ):
        if estimate.estimate is None:
            continue
        low = None if estimate.low is None else 100 * estimate.low
        high = None if estimate.high is None else 100 * estimate.high
        rows.append((name, 100 * estimate.estimate, low, high, estimate.n, leading))
    schema = {
        "name": pl.String,
        "points": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
        "n": pl.Int64,
        "leading": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def overlap(value: Comebacks) -> pl.DataFrame:
    """Both groups by chance of being scoped, long: chance_pct, chance_to_pct, group, jobs (signed for drawing)."""
    return (
        value.adjusted.overlap.unpivot(
            ["scoped", "not_scoped"],
            index=["chance_low", "chance_high"],
            variable_name="group",
            value_name="jobs",
        )
        .with_columns(
            pl.col("group").replace({"not_scoped": "not scoped"}),
            chance_pct=100 * pl.col("chance_low"),
            chance_to_pct=100 * pl.col("chance_high"),
        )
        .with_columns(
            drawn=pl.when(pl.col("group") == "scoped").then(pl.col("jobs")).otherwise(-pl.col("jobs"))
        )
    )


def e_value_sentence(value: Comebacks) -> str | None:
    """What something unrecorded would have to be like to explain the difference away."""
    strength = value.adjusted.e_value
    if strength is None:
        return None
    first = (
        f"E-value {words.number(strength.estimate, 1)}: to explain the figure away entirely, something that is "
        f"not on record would have to make both scoping and coming back {words.number(strength.estimate, 1)} "
        "times as likely"
    )
    if strength.limit > 1.0:
        return f"{first}; {words.number(strength.limit, 1)} times would do to move the interval onto zero."
    return f"{first}; the interval holds zero already."


def money_table(value: Comebacks) -> pl.DataFrame:
    """What comebacks took, by whether the first job was scoped, ready to show."""
    return value.cost.select(
        pl.col("group").alias("first job"),
        pl.col("comebacks"),
        pl.col("labour_h").round(0).cast(pl.Int64).alias("labour, h"),
        pl.col("parts_cost").round(0).cast(pl.Int64).alias("parts, money"),
        _interval("labour_h_each", "labour_low", "labour_high", 1).alias("labour each, h (95 %)"),
        _interval("parts_cost_each", "parts_low", "parts_high", 0).alias("parts each, money (95 %)"),
        pl.col("labour_h_per_100_orders").round(1).alias("labour per 100 jobs, h"),
    )


def parts_table(value: Comebacks) -> pl.DataFrame:
    """Parts fitted and returned by group, ready to show."""
    share_pct = [(100 * pl.col(c)).alias(c) for c in ("returns_share", "returns_low", "returns_high")]
    return value.parts.with_columns(share_pct).select(
        pl.col("group").alias("jobs"),
        pl.col("orders").alias("n"),
        _interval("parts_cost_each", "low", "high", 0).alias("parts fitted each, money (95 %)"),
        _interval("returns_share", "returns_low", "returns_high", 0).alias("with parts returned, % (95 %)"),
        pl.col("parts_returned").alias("parts returned"),
    )


def _interval(value: str, low: str, high: str, digits: int) -> pl.Expr:
    return (
        pl.when(pl.col(value).is_null())
        .then(pl.lit("too little to say"))
        .otherwise(
            pl.format(
                "{} ({} to {})", *(pl.col(c).round(digits).cast(pl.Float64) for c in (value, low, high))
            )
        )
    )


def quality_rows(value: Comebacks) -> pl.DataFrame:
    """Comeback risk by call quality in percent: name (with n), risk_pct, low, high, verdict."""
    return value.by_call_quality.select(
        pl.format("{} (n = {})", "quality", "orders").alias("name"),
        (100 * pl.col("risk")).alias("risk_pct"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
        "orders",
        "comebacks",
        pl.when(pl.col("risk").is_null())
        .then(pl.lit("too little to say"))
        .when(pl.col("quality") == "wrong call")
        .then(pl.lit("odd"))
        .otherwise(pl.lit("usual"))
        .alias("verdict"),
    )


def stepped_rows(value: Comebacks) -> pl.DataFrame:
    """Change of the comeback risk after each technician began to scope: name (with n), points, low, high."""
    return value.stepped.by_technician.select(
        pl.format("{} ({} before, {} after)", "technician", "before_orders", "after_orders").alias("name"),
        (100 * pl.col("difference")).alias("points"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
    )


def people_rows(value: Adoption) -> pl.DataFrame:
    """Scope use by technician, by name: name (with n), share_pct, low, high, raw_pct."""
    return value.by_technician.select(
        pl.format("{} (n = {})", "technician", "eligible").alias("name"),
        (100 * pl.col("adjusted")).alias("share_pct"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
        (100 * pl.col("share")).alias("raw_pct"),
        pl.col("eligible").alias("n"),
    )


def weekly_rows(value: Adoption) -> pl.DataFrame:
    """Scope use by week, and over the four weeks up to it, in percent.

    Returns:
        week, share_pct, n (jobs of the week); running_pct, low, high (95 %) of the last four weeks on record.
    """
    counts = value.by_week.sort("week").with_columns(
        k=pl.col("scoped").rolling_sum(RUNNING_WEEKS, min_samples=1),
        trials=pl.col("eligible").rolling_sum(RUNNING_WEEKS, min_samples=1),
    )
    low, high = wilson_many(counts["k"].to_numpy(), counts["trials"].to_numpy())
    return counts.select(
        "week",
        (100 * pl.col("share")).alias("share_pct"),
        pl.col("eligible").alias("n"),
        (100 * pl.col("k") / pl.col("trials")).alias("running_pct"),
        pl.Series("low", 100 * low, dtype=pl.Float64),
        pl.Series("high", 100 * high, dtype=pl.Float64),
    )


def test_rows(value: Adoption) -> pl.DataFrame:
    """Captures by test, its title in words: test, paid, practice, unusable."""
    return value.by_test.select(
        pl.col("test").map_elements(data.title, return_dtype=pl.String), "paid", "practice", "unusable"
    )


def practice_rows(value: Adoption) -> pl.DataFrame:
    """Captures by week, long: week, kind (`on paid work`, `practice`), captures."""
    return value.practice_by_week.unpivot(
        ["paid", "practice"], index="week", variable_name="kind", value_name="captures"
    ).with_columns(pl.col("kind").replace({"paid": "on paid work"}))


def curve_rows(value: Comebacks) -> pl.DataFrame:
    """Cumulative incidence in percent, drawn to the end of the window: group, day, risk_pct, low, high."""
    curves = value.curves.select(
        "group",
        "day",
        (100 * pl.col("risk")).alias("risk_pct"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
    )
    if curves.is_empty():
        return curves
    ends = (
        curves.sort("day")
        .group_by("group", maintain_order=True)
        .last()
        .with_columns(day=pl.lit(float(value.window_days)))
    )
    return pl.concat([curves, ends.select(curves.columns)]).sort("group", "day")


def method_table(value: Comebacks) -> pl.DataFrame:
    """The adjusted difference by each road, in points, ready to show."""
    return value.adjusted.by_method.select(
        pl.col("method"),
        (100 * pl.col("risk_difference")).round(1).alias("difference, points"),
        (100 * pl.col("low")).round(1).alias("95 % from"),
        (100 * pl.col("high")).round(1).alias("to"),
    )
