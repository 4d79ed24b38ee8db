"""The trainer's page: what to show of a technician, always with n and interval, never ranked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import NoReturn

import polars as pl

from dashboard.shared import go, skills, words
from models.people.coaching import BeforeAfter, CoachingItem, CoachingList
from models.people.funnels import Funnel
from models.people.skill import TechnicianSkill


def lines_table(skill: TechnicianSkill) -> pl.DataFrame:
    """`lines` as a table to show."""
    return pl.DataFrame(
        [(line.what, line.sentence) for line in lines_of(skill)], ["figure", "as it stands"], orient="row"
    )


def everybody(skills: Sequence[TechnicianSkill]) -> pl.DataFrame:
    """All technicians by name: the main figures, each with interval and n in its cell."""
    rows = [
        {
            "technician": skill.technician,
            "captures": skill.captures,
            "practice": skill.practice,
            "drills": f"{skill.drills.done} / {skill.drills.target}",
            "usable": words.brief(skill.usable),
            "right calls": words.brief(skill.corrected.right),
            "hookup as the shop": words.brief(skill.hookup),
            "jobs scoped": words.brief(skill.adoption),
        }
        for skill in skills
    ]
    return pl.DataFrame(rows)


def of(skills: Sequence[TechnicianSkill], technician: str) -> TechnicianSkill | None:
    """One technician's figures."""
    return next((skill for skill in skills if skill.technician == technician), None)


def quiet_sentence(found: CoachingList, *, own_work: bool) -> str:
    """What an empty list says: of everybody, or of the work of whoever looks where only that is shown."""
    if not own_work:
        return "Nobody's work stands out beyond what chance would give."
    if found.unwatched:
        return "Too little of your work is on record yet to say whether it stands out."
    return "Your work does not stand out from the others' beyond what chance would give."


def unwatched_sentence(found: CoachingList) -> str:
    """Who has too little work to be watched at all; empty where nobody has."""
    named = {item.technician for item in found.items}
    rest = [name for name in found.unwatched if name not in named]
    return f" Too little work to watch: {', '.join(rest)}." if rest else ""


def past_table(found: CoachingList) -> pl.DataFrame:
    """Alarms that no longer stand, by name: who, in what, from when to when."""
    return found.past.sort("technician", "at").select(
        "technician",
        pl.col("topic").replace(skills.TOPIC_WORDS),
        pl.col("since").cast(pl.String).str.head(10).alias("trouble since"),
        pl.col("at").cast(pl.String).str.head(10).alias("noticed"),
        pl.col("ended_on").cast(pl.String).str.head(10).alias("ended"),
    )


def item_heading(item: CoachingItem) -> str:
    """Who, and in what."""
    return f"{item.technician}: {skills.TOPIC_WORDS.get(item.topic, item.topic)}"


def item_since(item: CoachingItem) -> str:
    """When it was noticed, and how often it would be a false alarm."""
    return (
        f"Noticed {words.day(item.signal.at)}. Ordinary work would set off this alarm "
        f"{words.once_in_years(item.signal.false_alarm_per_year)}."
    )


def funnel_rows(value: Funnel) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Points (technician, n, share_pct, verdict, standing) and limits (n, low_95 .. high_999) in percent."""
    # names of points that lie close are set above and below in turn
    points = value.points.sort("n", "technician").select(
        "technician",
        (pl.int_range(pl.len()) % 2 == 0).alias("above"),
        "n",
        "events",
        (100 * pl.col("share")).alias("share_pct"),
        "standing",
        pl.col("standing").replace({"inside": "usual", "below": "odd", "above": "odd"}).alias("verdict"),
    )
    limits = value.limits.with_columns(
        (100 * pl.col(name)).alias(name) for name in ("low_95", "high_95", "low_999", "high_999")
    )
    return points, limits


def funnel_sentence(value: Funnel, measure: str) -> str:
    """What the funnel shows, in a sentence that names n and says what an outlier is not."""
    if value.overall is None:
        return "Nobody has anything to count here yet."
    n = int(value.points["n"].sum())
    outside = value.points.filter(pl.col("standing").is_in(["below", "above"]))["technician"].to_list()
    text = f"The shop's share of {measure} is {words.percent(value.overall)} (n = {words.number(n)}). "
    if not outside:
        usual = (
            "what chance alone would give"
            if value.dispersion <= 1.0
            else "no more than chance and the usual differences between people give"
        )
        return text + f"Everybody lies inside the funnel: their differences are {usual}."
    return text + (
        f"Outside the funnel: {', '.join(outside)}; that is more than chance alone, and a reason to ask why, "
        "not a mark."
    )


def drill_rows(skill: TechnicianSkill, as_of: dt.date) -> pl.DataFrame:
    """Drills by week that is over, long: week, monday (as text), kind, captures; and the target a week."""
    kinds = {"done": "asked for and done", "extra": "beyond what was asked"}
    return (
        words.over(skill.drills.by_week, as_of)
        .unpivot(["done", "extra"], index=["week", "target"], variable_name="kind", value_name="captures")
        .with_columns(pl.col("kind").replace(kinds), monday=pl.col("week").cast(pl.String))
    )


def _interval() -> pl.Expr:
    return pl.format("{} to {}", *(pl.col(end).round(0).cast(pl.Int64) for end in ("low_pct", "high_pct")))


def hookup_table(skill: TechnicianSkill) -> pl.DataFrame:
    """How often each part of the hookup is the house's, ready to show."""
    return skill.hookup_aspects.filter(pl.col("of") > 0).select(
        pl.col("aspect").alias("part of the hookup"),
        pl.format("{} of {} captures", "agree", "of").alias("as the shop does it"),
        _interval().alias("95 % interval, %"),
    )


def checks_table(skill: TechnicianSkill) -> pl.DataFrame:
    """Failing setup checks, in words, with the rest of the shop beside them."""
    return skill.failing_checks.select(
        pl.col("check").map_elements(skills.check_words, return_dtype=pl.String).alias("setup check"),
        pl.format("{} of {}", "captures", "of").alias("captures"),
        pl.col("share_pct").round(0).cast(pl.Int64).alias("%"),
        _interval().alias("95 % interval, %"),
        pl.col("others_share_pct").round(0).cast(pl.Int64).alias("everybody else, %"),
    )


def session_rows(sessions: Sequence[BeforeAfter]) -> pl.DataFrame:
    """Each session's change with what a bad spell would have mended by itself taken off: name, points, low, high."""
    rows = []
    for one in sessions:
        change = one.change_allowing
        known = change.estimate is not None and change.low is not None and change.high is not None
        rows.append(
            {
                "name": f"{one.technician}, {one.topic}, {words.day(one.held_on)} "
                f"({one.before.n} before, {one.after.n} after)",
                "points": 100 * change.estimate if known and change.estimate is not None else None,
                "low": 100 * change.low if known and change.low is not None else None,
                "high": 100 * change.high if known and change.high is not None else None,
            }
        )
    schema = {"name": pl.String, "points": pl.Float64, "low": pl.Float64, "high": pl.Float64}
    return pl.DataFrame(rows, schema=schema)


def coached_days(sessions: Sequence[BeforeAfter], technician: str) -> list[dt.date]:
    """The days a technician was coached on."""
    return [one.held_on for one in sessions if one.technician == technician]


def session_people(sessions: Sequence[BeforeAfter]) -> dict[str, str]:
    """Whose session each name in `session_rows` is."""
    return dict(zip(session_rows(sessions)["name"], (one.technician for one in sessions), strict=True))


def funnel_alt(points: pl.DataFrame, sentence: str) -> str:
    """The funnel for whoever cannot see it: everybody by name with share and n."""
    parts = [
        f"{row['technician']} {words.number(row['share_pct'])} % (n = {row['n']}, {row['standing']})"
        for row in points.sort("technician").iter_rows(named=True)
    ]
    return f"{sentence} {'; '.join(parts)}."


def trend_sentence(what: str, rows: pl.DataFrame, name: str, change: str) -> str:
    """A technician's trend for whoever cannot see it."""
    last = rows.drop_nulls(["fitted", "low", "high"]).tail(1)
    ends = "; too little for a trend"
    if last.height:
        fitted, low, high = (words.number(last[column][0]) for column in ("fitted", "low", "high"))
        ends = f"; the trend ends at {fitted} % (95 % interval {low} to {high} %)"
    return f"{what} of {name} by week, {rows.height} weeks{ends}. Change a month: {change}."


def alarm_sentence(item: CoachingItem, rows: pl.DataFrame) -> str:
    """The chart behind a name on the list, for whoever cannot see it."""
    return (
        f"{item_heading(item)}: trouble added up over {words.plural(rows.height, 'piece')} of work until it crossed "
        f"the alarm limit on {words.day(item.signal.at)}."
    )


def week_of(technician: str) -> Callable[[dict[str, str]], NoReturn]:
    """What a click on a day of a technician's chart leads to: their captures of that week."""
    return lambda mark: go.week(mark["monday"], technician=technician)


def drills_alt(rows: pl.DataFrame, name: str) -> str:
    """The practice chart for whoever cannot see it."""
    done = int(rows.filter(pl.col("kind") == "asked for and done")["captures"].sum())
    return (
        f"Practice captures of {name} by week against what was asked for: {done} asked for and done in all."
    )


def lines_of(skill: TechnicianSkill) -> tuple[skills.Line, ...]:
    """The figures in plain words: what needs a method's name stands under how it was worked out."""
    return tuple(line for line in skills.lines(skill) if line.what != skills.BEYOND_CHANCE)


def method_lines(skill: TechnicianSkill) -> list[str]:
    """What stands behind the figures, with the methods by their names."""
    beyond = next(line for line in skills.lines(skill) if line.what == skills.BEYOND_CHANCE)
    return [
        f"{beyond.what}, Cohen's kappa: {beyond.sentence}.",
        "Shares are partially pooled across the technicians within each test: posterior means with 95 % intervals.",
        "Right calls, faulty ones found and sound ones cleared are weighted by one over the chance of being followed "
        "up and are not pooled, since outcomes are noted mostly where something looked odd.",
    ]


def shop_pct(value: Funnel) -> float | None:
    """The shop's share in percent."""
    return None if value.overall is None else 100 * value.overall
