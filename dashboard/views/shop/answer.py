"""The manager's page: three questions, each with an answer in a word and one in a sentence."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from dashboard.shared import kinds_told, words
from dashboard.shared.parts import Answer
from dashboard.shared.words import over
from models.jobs.adoption import Adoption
from models.jobs.comebacks import Comebacks
from models.stats.intervals import share, wilson_many
from models.stats.results import Estimate

RECENT_WEEKS = 8
YEAR_WEEKS = 52
RUNNING_WEEKS = 4
BACK_LISTS = (
    ("Scoped ones that came back", "came back scoped"),
    ("Others that came back", "came back not scoped"),
)


def use_answer(value: Adoption, as_of: dt.date) -> Answer:
    """Is the scope used, of late and over the year, and is that growing?"""
    question = "Is the scope used?"
    if value.overall.estimate is None:
        return Answer(question, "Too little to say", words.share(value.overall))
    recent, year = (
        used_since(value.by_week, as_of, RECENT_WEEKS),
        used_since(value.by_week, as_of, YEAR_WEEKS),
    )
    detail = (
        f"Of jobs that could use it, closed in the last {RECENT_WEEKS} weeks: {words.share(recent)}. The last "
        f"{YEAR_WEEKS} weeks: {words.share(year)}. {value.direction_sentence}"
    )
    # Two shares beside each other differ in most quiet years; the chart behind this word says how often it is wrong.
    direction = f", and {value.direction}" if value.direction else ""
    shown = recent if recent.estimate is not None else year
    late = "lately" if recent.estimate is not None else "in a year"
    answer = f"On {words.percent(shown.estimate)} of jobs {late}{direction}"
    if shown.estimate is None:
        answer = "Too little to say"
    return Answer(
        question, answer, detail, jobs=(("Jobs without the scope", "not scoped"), ("Scoped jobs", "scoped"))
    )


def used_since(by_week: pl.DataFrame, as_of: dt.date, weeks: int) -> Estimate:
    """Share scoped in the last so many weeks."""
    rows = by_week.filter(pl.col("week") > as_of - dt.timedelta(weeks=weeks))
    return share(int(rows["scoped"].sum()), int(rows["eligible"].sum()), what="jobs")


def came_back_since(jobs: pl.DataFrame, as_of: dt.date, weeks: int, window_days: int) -> Estimate:
    """Share that came back, of the jobs closed in so many weeks up to the last day watched for the whole window."""
    last = as_of - dt.timedelta(days=window_days)
    closed = pl.col("closed_at").dt.date()
    rows = jobs.filter(pl.col("counted") & (closed <= last) & (closed > last - dt.timedelta(weeks=weeks)))
    return share(int(rows["came_back"].sum()), rows.height, what="jobs")


def took_since(jobs: pl.DataFrame, as_of: dt.date, weeks: int, labour_rate: float) -> tuple[int, float]:
    """How many comebacks were opened in the last so many weeks, and what they took in labour and parts."""
    again = jobs.filter("came_back").select(repair_order="came_back_as")
    rows = jobs.join(again, on="repair_order", how="semi").filter(
        pl.col("opened_at").dt.date() > as_of - dt.timedelta(weeks=weeks)
    )
    money = labour_rate * float(rows["labour_h"].sum()) + float(rows["parts_cost"].sum())
    return rows.height, money


def comeback_answer(value: Comebacks, jobs: pl.DataFrame, as_of: dt.date) -> Answer:
    """Do scoped jobs come back less?"""
    question = "Do scoped jobs come back less?"
    difference = value.adjusted.risk_difference
    recent, year = (
        came_back_since(jobs, as_of, weeks, value.window_days) for weeks in (RECENT_WEEKS, YEAR_WEEKS)
    )
    shares = (
        f" All jobs: {words.share(recent)} of those closed in the newest {RECENT_WEEKS} weeks that have been watched "
        f"for {value.window_days} days came back; over {YEAR_WEEKS} weeks {words.share(year)}."
    )
    if difference.estimate is None:
        return Answer(question, "Too little to say", words.points(difference) + "." + shares, jobs=BACK_LISTS)
    adjusted = value.adjusted
    # By a bound that holds however often the page is looked at: a plain interval says a false yes once in a while.
    answer = {"yes": "Yes, fewer among like jobs", "no": "No, more among like jobs"}.get(
        adjusted.answer, "Not clear yet"
    )
    detail = in_a_hundred(difference, value.window_days)
    if adjusted.not_recorded:
        detail += f" Not recorded, so not allowed for: {', '.join(adjusted.not_recorded)}."
    return Answer(
        question, answer, detail + shares, "good" if adjusted.answer == "yes" else "plain", BACK_LISTS
    )


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


def cost_answer(
    value: Comebacks, jobs: pl.DataFrame, as_of: dt.date, labour_rate: float, currency: str
) -> Answer:
    """What do comebacks cost, of late and over the year?"""
    question = "What do comebacks cost?"
    whole = value.cost.filter(pl.col("group") == "all")
    if whole.is_empty() or not whole["comebacks"][0]:
        return Answer(question, "No comeback on record", f"Within {value.window_days} days of closing.")
    row = whole.row(0, named=True)
    count, recent = took_since(jobs, as_of, RECENT_WEEKS, labour_rate)
    in_year, year = took_since(jobs, as_of, YEAR_WEEKS, labour_rate)
    detail = (
        f"{words.plural(count, 'comeback')} in the last {RECENT_WEEKS} weeks; in the last {YEAR_WEEKS} weeks "
        f"{words.number(in_year)} for {words.money(year, currency)}. On record "
        f"{words.plural(row['comebacks'], 'comeback')} within {value.window_days} days: "
        f"{words.number(row['labour_h'])} h of labour (at "
        f"{words.money(labour_rate, currency)} an hour) and parts for {words.money(row['parts_cost'], currency)}."
    )
    returned = value.parts
    parts = {r["group"]: r for r in returned.iter_rows(named=True)}
    if {"scoped", "not scoped"} <= set(parts):
        detail += (
            f" Parts went back on {_range(parts['scoped'], 'returns')} of scoped jobs and on "
            f"{_range(parts['not scoped'], 'returns')} of the others (as they are, not like for like)."
        )
    lists = (("The jobs that came back", "came back"), ("Scoped, parts returned", "parts back scoped"))
    return Answer(question, f"{words.money(recent, currency)} in {RECENT_WEEKS} weeks", detail, jobs=lists)


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


def money_table(value: Comebacks, currency: str) -> pl.DataFrame:
    """What comebacks took, by whether the first job was scoped, ready to show."""
    unit = words.money_unit(currency)
    return value.cost.select(
        pl.col("group").alias("first job"),
        pl.col("comebacks"),
        pl.col("labour_h").round(0).cast(pl.Int64).alias("labour, h"),
        pl.col("parts_cost").round(0).cast(pl.Int64).alias(f"parts, {unit}"),
        _interval("labour_h_each", "labour_low", "labour_high", 1).alias("labour each, h (95 %)"),
        _interval("parts_cost_each", "parts_low", "parts_high", 0).alias(f"parts each, {unit} (95 %)"),
        pl.col("labour_h_per_100_orders").round(1).alias("labour per 100 jobs, h"),
    )


def parts_table(value: Comebacks, currency: str) -> pl.DataFrame:
    """Parts fitted and returned by group, ready to show."""
    unit = words.money_unit(currency)
    share_pct = [(100 * pl.col(c)).alias(c) for c in ("returns_share", "returns_low", "returns_high")]
    return value.parts.with_columns(share_pct).select(
        pl.col("group").alias("jobs"),
        pl.col("orders").alias("n"),
        _interval("parts_cost_each", "low", "high", 0).alias(f"parts fitted each, {unit} (95 %)"),
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
        "quality",
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
        "technician",
        (100 * pl.col("difference")).alias("points"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
    )


def people_rows(value: Adoption) -> pl.DataFrame:
    """Scope use by technician, by name: name (with n), share_pct, low, high, raw_pct."""
    return value.by_technician.select(
        pl.format("{} (n = {})", "technician", "eligible").alias("name"),
        "technician",
        (100 * pl.col("adjusted")).alias("share_pct"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
        (100 * pl.col("share")).alias("raw_pct"),
        pl.col("eligible").alias("n"),
    )


def weekly_rows(value: Adoption, as_of: dt.date) -> pl.DataFrame:
    """Scope use by week that is over, and over the four weeks up to it, in percent.

    Returns:
        week, monday (the same as text), share_pct, n (jobs of the week); running_pct, low, high (95 %) of the last
        four weeks on record.
    """
    counts = (
        over(value.by_week, as_of)
        .sort("week")
        .with_columns(
            k=pl.col("scoped").rolling_sum(RUNNING_WEEKS, min_samples=1),
            trials=pl.col("eligible").rolling_sum(RUNNING_WEEKS, min_samples=1),
        )
    )
    low, high = wilson_many(counts["k"].to_numpy(), counts["trials"].to_numpy())
    return counts.select(
        "week",
        pl.col("week").cast(pl.String).alias("monday"),
        (100 * pl.col("share")).alias("share_pct"),
        pl.col("eligible").alias("n"),
        (100 * pl.col("k") / pl.col("trials")).alias("running_pct"),
        pl.Series("low", 100 * low, dtype=pl.Float64),
        pl.Series("high", 100 * high, dtype=pl.Float64),
    )


def test_rows(value: Adoption) -> pl.DataFrame:
    """Captures by test, its title in words: test, paid, practice, unusable."""
    return value.by_test.select(
        pl.col("test").map_elements(kinds_told.title, return_dtype=pl.String), "paid", "practice", "unusable"
    )


def practice_rows(value: Adoption, as_of: dt.date) -> pl.DataFrame:
    """Captures by week that is over, long: week, monday (as text), kind (`on paid work`, `practice`), captures."""
    return (
        over(value.practice_by_week, as_of)
        .unpivot(["paid", "practice"], index="week", variable_name="kind", value_name="captures")
        .with_columns(pl.col("kind").replace({"paid": "on paid work"}), monday=pl.col("week").cast(pl.String))
    )


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


def use_sentence(rows: pl.DataFrame) -> str:
    """The chart of scope use by week for whoever cannot see it."""
    last = rows.row(-1, named=True)
    return (
        f"Share of eligible jobs that were scoped, by week, {rows.height} weeks to {last['week']}: the last four weeks "
        f"together {words.number(last['running_pct'])} % (95 % interval {words.number(last['low'])} to "
        f"{words.number(last['high'])} %)."
    )


def practice_sentence(rows: pl.DataFrame) -> str:
    """The chart of paid work and practice for whoever cannot see it."""
    counts = dict(rows.group_by("kind").agg(pl.col("captures").sum()).iter_rows())
    named = ", ".join(f"{words.number(count)} {kind}" for kind, count in sorted(counts.items()))
    return f"Captures by week, on paid work and in practice: {named} in all."


def incidence_sentence(value: Comebacks) -> str:
    """The curves of jobs coming back for whoever cannot see them."""
    return (
        f"Share of jobs that had come back by each day up to {value.window_days}. Scoped: "
        f"{words.share(value.crude.scoped.risk, digits=1)}; not scoped: "
        f"{words.share(value.crude.not_scoped.risk, digits=1)}."
    )


def listing_of(group: str) -> str:
    """The list of comebacks of one group of jobs, as the tables and curves name it."""
    return "came back" if group == "all" else f"came back {group}"
