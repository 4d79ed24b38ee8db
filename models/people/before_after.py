"""Before and after a coaching session: did the trouble become rarer, and how sure is that.

People are coached after a bad spell, and bad spells pass by themselves (regression to the mean; Morton &
Torgerson, BMJ 326:1083-1084, 2003). So the figure to go by is not the plain difference: it leaves the weeks
just before the session out, which may be the spell that led to it, and draws the share before towards what
technicians of this shop usually have. On simulated sessions that did nothing the plain one says 'clearly
less' in up to 6 of 100, this one in 1 to 2 (tests/bench/bench_sessions.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from models.people.hookup import habit_checks
from models.people.watch import observations
from models.records.people_settings import PeopleSettings, as_moment
from models.records.shop import Shop
from models.records.topics import SCOPE_USE
from models.stats.intervals import share, share_difference
from models.stats.pooling import pool_normal
from models.stats.results import Estimate
from models.stats.shrinkage import pool_shares

WEEKS = 26
SPELL_DAYS = 28
"""Days before a session that may be the bad spell which led to it: the honest comparison leaves them out (a choice)."""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """One session.

    Attributes:
        session, technician, topic, held_on: from the log. test: the one it was about, None = all.
        weeks: length of either side at most.
        before, after: share of trouble on either side (Wilson); the day of the session is before.
        calm: the same share before, without the last `SPELL_DAYS` days.
        change: after minus before as counted (Newcombe); negative is better. Not to be shown alone.
        change_allowing: after minus `calm`, drawn towards the shop's: the figure to go by.
        checks: check, before, before_of, after, after_of, change, low, high: captures with each failing
            setup check on either side, shares in parts of one; none for scope use.
        sentence: for the page.
    """

    session: str
    technician: str
    topic: str
    test: str | None
    held_on: date
    weeks: int
    before: Estimate
    calm: Estimate
    after: Estimate
    change: Estimate
    change_allowing: Estimate
    checks: pl.DataFrame
    sentence: str


@dataclass(frozen=True, slots=True)
class CoachingEffect:
    """All sessions of the shop together: odds of trouble after, as a multiple of before (pooled)."""

    sessions: int
    odds_ratio: Estimate


def _sentence(row: BeforeAfter) -> str:
    change = row.change_allowing
    if change.estimate is None or change.low is None or change.high is None:
        return f"{row.technician}, {row.topic}: {change.why}"
    before, after = row.before.estimate or 0.0, row.after.estimate or 0.0
    direction = (
        "clearly less" if change.high < 0 else "clearly more" if change.low > 0 else "no clear change in"
    )
    return (
        f"{row.technician}, {row.topic}: {direction} trouble since {row.held_on:%Y-%m-%d}: {100 * before:.0f} % of "
        f"{row.before.n} before, {100 * after:.0f} % of {row.after.n} after. Allowing for what comes by itself after "
        f"a bad spell: {100 * change.estimate:+.0f} points, 95 % interval {100 * change.low:+.0f} to "
        f"{100 * change.high:+.0f}."
    )


def before_after(
    shop: Shop,
    *,
    as_of: date | datetime,
    settings: PeopleSettings | None = None,
    weeks: int = WEEKS,
) -> tuple[BeforeAfter, ...]:
    """Every logged session with the work before and after it, by date.

    A side ends at the previous or next session of the same person on the same topic; where a session was
    about one test, only work of that test counts, and only sessions that speak of it end a side.

    Raises:
        ValueError: for fewer than one week.
    """
    if weeks < 1:
        raise ValueError(f"weeks is {weeks}; at least 1 is needed on either side")
    chosen = settings or PeopleSettings()
    moment = as_moment(as_of)
    held = shop.coaching.filter(pl.col("held_on") <= moment.date()).sort("held_on", "session")
    if held.height == 0:
        return ()
    work = observations(shop, moment).with_columns(day=pl.col("at").dt.date())
    rows = [_session(session, held, work, shop, chosen, weeks) for session in held.iter_rows(named=True)]
    return tuple(replace(row, sentence=_sentence(row)) for row in rows)


def _session(
    session: dict[str, Any],
    held: pl.DataFrame,
    work: pl.DataFrame,
    shop: Shop,
    chosen: PeopleSettings,
    weeks: int,
) -> BeforeAfter:
    name, topic, day = session["technician"], session["topic"], session["held_on"]
    about = pl.lit(True)
    if session["test"] is not None:
        about = (pl.col("test") == session["test"]).fill_null(True)
    days = held.filter((pl.col("technician") == name) & (pl.col("topic") == topic) & about)["held_on"]
    first = max([day - timedelta(weeks=weeks), *[d for d in days if d < day]])
    last = min([day + timedelta(weeks=weeks), *[d for d in days if d > day]])
    alike = work.filter((pl.col("topic") == topic) & about)
    own = alike.filter(pl.col("technician") == name)
    before = own.filter((pl.col("day") > first) & (pl.col("day") <= day))
    after = own.filter((pl.col("day") > day) & (pl.col("day") <= last))
    k0, n0 = int(before["trouble"].sum()), before.height
    k1, n1 = int(after["trouble"].sum()), after.height
    calm = before.filter(pl.col("day") <= day - timedelta(days=SPELL_DAYS))
    k2, n2 = int(calm["trouble"].sum()), calm.height
    least = chosen.least_n
    return BeforeAfter(
        session=str(session["session"]),
        technician=name,
        topic=topic,
        test=session["test"],
        held_on=day,
        weeks=weeks,
        before=share(k0, n0, least=least, what="before"),
        calm=share(k2, n2, least=least, what=f"before, without the last {SPELL_DAYS} days"),
        after=share(k1, n1, least=least, what="after"),
        change=share_difference(k1, n1, k0, n0, least=least, what="pieces of work after and before"),
        change_allowing=_allowing(alike, (k2, n2), (k1, n1), chosen),
        checks=_by_check(topic, before, after, shop),
        sentence="",
    )


CHECK_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "check": pl.String,
    "before": pl.Int64,
    "before_of": pl.Int64,
    "after": pl.Int64,
    "after_of": pl.Int64,
    "change": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


def _by_check(topic: str, before: pl.DataFrame, after: pl.DataFrame, shop: Shop) -> pl.DataFrame:
    if topic == SCOPE_USE or not before.height * after.height:
        return pl.DataFrame(schema=CHECK_SCHEMA)
    seen = habit_checks(shop).select("capture_file", "check").unique()
    counts = [
        dict(seen.join(side, on="capture_file", how="semi").group_by("check").len().iter_rows())
        for side in (before, after)
    ]
    rows = []
    for check in sorted({*counts[0], *counts[1]}):
        k0, k1 = counts[0].get(check, 0), counts[1].get(check, 0)
        gap = share_difference(k1, after.height, k0, before.height)
        rows.append((check, k0, before.height, k1, after.height, gap.estimate, gap.low, gap.high))
    return pl.DataFrame(rows, schema=CHECK_SCHEMA, orient="row").sort("change", "check")


def _allowing(
    work: pl.DataFrame, before: tuple[int, int], after: tuple[int, int], chosen: PeopleSettings
) -> Estimate:
    """After minus before the spell, both as posterior draws; the prior of `before` is the shop's technicians."""
    n = before[1] + after[1]
    if min(before[1], after[1]) < chosen.least_n:
        return Estimate.nothing(
            n,
            f"Too little to say: {after[1]} pieces of work after and {before[1]} before (without the last "
            f"{SPELL_DAYS} days), at least {chosen.least_n} of each needed.",
        )
    counts = work.group_by("technician", maintain_order=True).agg(
        k=pl.col("trouble").cast(pl.Int64).sum(), n=pl.len().cast(pl.Int64)
    )
    shop = pool_shares(counts["k"].to_numpy(), counts["n"].to_numpy())
    rng = np.random.default_rng(chosen.seed)
    first = rng.beta(shop.alpha + before[0], shop.beta + before[1] - before[0], 4 * chosen.draws)
    # afterwards anything may hold: Jeffreys' prior
    second = rng.beta(0.5 + after[0], 0.5 + after[1] - after[0], 4 * chosen.draws)
    low, high = np.quantile(second - first, [0.025, 0.975])
    return Estimate(n=n, estimate=float((second - first).mean()), low=float(low), high=float(high))


def coaching_effect(sessions: tuple[BeforeAfter, ...]) -> CoachingEffect:
    """Odds of trouble after a session as a multiple of before, partially pooled over all sessions.

    Before is without the spell that led to the session (`BeforeAfter.calm`). Log odds ratios with half a
    count added to each cell (Haldane-Anscombe), pooled as normal effects with a half-Cauchy(0.5) prior on
    their spread.
    """
    usable = [s for s in sessions if s.change_allowing.estimate is not None]
    n = sum(s.change_allowing.n for s in usable)
    if len(usable) < 2:
        return CoachingEffect(
            len(sessions),
            Estimate.nothing(n, f"Too little to say: {len(usable)} sessions with enough work on both sides."),
        )
    effects, errors = [], []
    for s in usable:
        a, b = round((s.after.estimate or 0.0) * s.after.n), round((s.calm.estimate or 0.0) * s.calm.n)
        cells = np.array([a, s.after.n - a, b, s.calm.n - b]) + 0.5
        effects.append(float(np.log(cells[0] / cells[1]) - np.log(cells[2] / cells[3])))
        errors.append(float(np.sqrt((1 / cells).sum())))
    pooled = pool_normal(np.array(effects), np.array(errors), tau_scale=0.5, mu_prior=(0.0, 1.5))
    half = 1.96 * pooled.mu_sd
    return CoachingEffect(
        len(sessions),
        Estimate(
            n=n,
            estimate=float(np.exp(pooled.mu_mean)),
            low=float(np.exp(pooled.mu_mean - half)),
            high=float(np.exp(pooled.mu_mean + half)),
        ),
    )
