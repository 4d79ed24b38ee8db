"""Thresholds: what X costs, what it would have done, and who decided what."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboard import data, fits
from dashboard.shared import limits, words
from dashboard.shared.filters import Subject
from models.stats.results import Estimate
from models.thresholds.curves import ThresholdCurves, curves
from models.thresholds.evidence import EVEN, ODD, UNKNOWN, evidence
from models.thresholds.proposal import MIN_OWN, RECENT_WEEKS, Cost, Costs, Proposal, propose
from models.thresholds.verification import Verification, verification_list
from models.thresholds.whatif import what_if
from pipelines.warehouse.decisions import Place

Frames = Mapping[str, pl.DataFrame]

LINES = {"detection": "faulty ones found", "false_alarm": "healthy ones flagged"}
OUTCOMES = {ODD: "confirmed odd", UNKNOWN: "not confirmed", EVEN: "confirmed even"}


def evidence_rows(stamp: str, test: str, measure: str) -> pl.DataFrame:
    """Every scored capture of a test with what its outcome says, as the person who looks may see it."""
    return _evidence_rows(stamp, test, measure, data.sight())


@st.cache_resource(max_entries=6, show_spinner=False)
def _evidence_rows(stamp: str, test: str, measure: str, sight: str) -> pl.DataFrame:  # noqa: ARG001
    own = data.frames(stamp)["scores"].filter(pl.col("measure") == measure)
    return evidence(own, data.shop_of_test(stamp, test, None))


def curves_of(stamp: str, test: str, measure: str) -> ThresholdCurves:
    """Detection and false alarms of every group of a test against X."""
    return limits.curves(stamp, test, measure) or _curves_of(stamp, test, measure, data.sight())


@st.cache_resource(max_entries=6, show_spinner="Weighing outcomes")
def _curves_of(stamp: str, test: str, measure: str, sight: str) -> ThresholdCurves:  # noqa: ARG001
    return curves(evidence_rows(stamp, test, measure))


@st.cache_resource(max_entries=6, show_spinner="Working out what each limit would cost")
def _at_other_costs(
    stamp: str,
    test: str,
    measure: str,
    cost_miss: float,
    cost_false_alarm: float,
    sight: str,  # noqa: ARG001
) -> tuple[Proposal, ...]:
    return propose(
        fits.fit(stamp, test, measure),
        fits.scores(stamp, test, measure),
        data.shop_of_test(stamp, test, None),
        Costs(cost_miss, cost_false_alarm),
    )


def proposals(stamp: str, about: Subject, cost_miss: float, cost_false_alarm: float) -> dict[str, Proposal]:
    """The proposed limit of every group: the last fit's own, or what it would propose at other costs."""
    found = fits.proposals(stamp, about.test, about.measure.name)
    if any((one.cost_miss, one.cost_false_alarm) != (cost_miss, cost_false_alarm) for one in found):
        found = _at_other_costs(
            stamp, about.test, about.measure.name, cost_miss, cost_false_alarm, data.sight()
        )
    return {proposal.group: proposal for proposal in found}


def cost_at(found: ThresholdCurves, group: str, x_pct: float) -> Cost:
    """Detection and false alarms at X, read off the corrected curves, so that it costs no time while X moves."""
    own = found.curves.filter((pl.col("group") == group) & (pl.col("how") == "corrected"))
    nearest = own.with_columns(away=(pl.col("threshold_pct") - x_pct).abs()).sort("away", maintain_order=True)

    def at(what: str) -> Estimate:
        rows = nearest.filter(pl.col("what") == what)
        n = int(rows["n"][0]) if rows.height else 0
        if n < MIN_OWN:
            return Estimate.nothing(n, f"too little to say, at least {MIN_OWN} are needed")
        row = rows.row(0, named=True)
        return Estimate(n, row["share"], row["low"], row["high"])

    return Cost(false_alarm=at("false_alarm"), detection=at("detection"))


def _own(thresholds: pl.DataFrame, about: Subject, group: str) -> pl.DataFrame:
    return thresholds.filter(
        (pl.col("test") == about.test)
        & (pl.col("measure") == about.measure.name)
        & (pl.col("group") == group)
    )


def place(about: Subject, group: str) -> Place:
    """What a threshold of this page is for."""
    return Place(about.test, about.measure.name, group)


def in_force(frames: Frames, about: Subject, group: str) -> dict[str, Any] | None:
    """The threshold in force, or None."""
    found = _own(frames["thresholds_in_force"], about, group)
    return found.row(0, named=True) if found.height else None


def history(frames: Frames, about: Subject, group: str) -> pl.DataFrame:
    """All versions of a group, the newest first."""
    return (
        _own(frames["thresholds"], about, group)
        .sort("version", descending=True)
        .select("version", "threshold_pct", "source", "set_at", "set_by", "reason")
        .with_columns(pl.col("reason").str.replace_all(*words.PLAIN, literal=True))
    )


def newest_version(frames: Frames, about: Subject, group: str) -> int:
    """Number of the newest version, 0 without one."""
    found = history(frames, about, group)
    return int(found["version"][0]) if found.height else 0


def in_force_sentence(row: dict[str, Any] | None, about: Subject) -> str:
    """Which X stands, since when, by whom and why."""
    if row is None:
        return "No threshold stands for this group yet; the next fit proposes one."
    return (
        f"A {about.kind.element.noun} counts as odd from **{words.number(row['threshold_pct'], 1)} %** "
        f"{words.stands(about.kind, about.measure)}: version "
        f"{row['version']}, {'proposed' if row['source'] == 'proposed' else 'set'} by {row['set_by']} on "
        f"{words.day(row['set_at'])}. {row['reason'] if row['source'] == 'set' else ''}"
    )


def proposal_sentence(one: Proposal) -> str:
    """The proposed X with its interval and what it would bring."""
    return (
        f"Proposed: **{words.number(one.threshold_pct, 1)} %** (95 % interval {words.number(one.low, 1)} to "
        f"{words.number(one.high, 1)} %), resting on {words.plain(one.basis)}. {words.plain(one.why)} About "
        f"{words.number(one.flags_per_week, 1)} flags a week; of the captures believed healthy it would flag "
        f"{words.percent(one.believed_healthy_flagged)}."
    )


def _judged(stamp: str, test: str, measure: str) -> pl.DataFrame:
    """What a limit looks at of every capture, without what the limits in force say of it."""
    return data.frame(stamp, "test_scores", measure=measure, test=test).drop("flagged")


def verification(stamp: str, test: str, measure: str, as_of: dt.date) -> Verification:
    """Captures to confirm although nothing looked odd, drawn by lot, so that it is known what a limit misses."""
    return _verification(stamp, test, measure, as_of, data.sight())


@st.cache_resource(max_entries=6, show_spinner=False)
def _verification(stamp: str, test: str, measure: str, as_of: dt.date, sight: str) -> Verification:  # noqa: ARG001
    in_force = fits.thresholds_as_of(stamp, as_of).filter(
        (pl.col("test") == test) & (pl.col("measure") == measure)
    )
    return verification_list(
        _judged(stamp, test, measure),
        data.shop_of_test(stamp, test, None),
        dict(in_force.select("group", "threshold_pct").iter_rows()),
        as_of=as_of,
    )


def curve_rows(found: ThresholdCurves, group: str) -> pl.DataFrame:
    """A group's curves in percent: threshold_pct, line, how, share_pct, low, high, n."""
    return found.curves.filter(pl.col("group") == group).select(
        "threshold_pct",
        pl.col("what").replace(LINES).alias("line"),
        "how",
        (100 * pl.col("share")).alias("share_pct"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
        "n",
    )


def bias_sentence(found: ThresholdCurves, group: str) -> str:
    """How the correction for follow-up came out, with n."""
    weighting = found.weighting
    own = found.weights.filter(pl.col("group") == group)
    odd = own.filter(pl.col("confirmed") == -1).height
    even = own.filter(pl.col("confirmed") == 1).height
    start = f"n = {odd} captures confirmed odd and {even} confirmed even in this group. "
    if weighting.why is not None:
        return start + f"Not corrected for who gets followed up: {weighting.why}"
    return start + (
        "Outcomes are noted mostly where something looked odd, which flatters detection and blackens false alarms. "
        "Solid lines put that right by counting each confirmed capture by one over its chance of being followed up; "
        f"dashed lines are the plain counts. Largest weight {words.number(weighting.largest, 1)}, "
        f"{weighting.truncated} held back at the limit; together worth {words.number(weighting.effective_n)} "
        "equally weighted captures."
    )


@dataclass(frozen=True, slots=True)
class Move:
    """What moving X would have done to the whole history.

    Attributes:
        sentence: counts, with outcomes. rows: captures that change side: capture_file, day, technician,
            change, odd_pct, outcome. milliseconds: how long the re-scoring took.
    """

    sentence: str
    rows: pl.DataFrame


def moved(stamp: str, about: Subject, group: str, x_pct: float, x_before_pct: float | None) -> Move:
    """Re-score the group's whole history at another X."""
    # a known-good capture shows the vehicle after the repair: an odd finding of its job does not speak of it
    repaired = (pl.col("purpose") == "known_good") & (pl.col("confirmed") == ODD)
    rows = (
        evidence_rows(stamp, about.test, about.measure.name)
        .filter(pl.col("group") == group)
        .with_columns(confirmed=pl.when(repaired).then(UNKNOWN).otherwise(pl.col("confirmed")))
    )
    before = np.inf if x_before_pct is None else x_before_pct
    result = what_if(
        rows["odd_pct"].to_numpy(),
        np.zeros(rows.height, dtype=np.int64),
        np.array([x_pct]),
        np.array([before]),
        rows["confirmed"].to_numpy().astype(np.int64),
    )
    changed = pl.concat(
        [
            rows[result.newly_flagged.tolist()].with_columns(change=pl.lit("now odd")),
            rows[result.no_longer_flagged.tolist()].with_columns(change=pl.lit("no longer odd")),
        ]
    ).select(
        "capture_file",
        pl.col("captured_at").dt.date().alias("day"),
        "change",
        pl.col("odd_pct").round(1),
        pl.col("confirmed").replace_strict(OUTCOMES, return_dtype=pl.String).alias("outcome"),
        pl.col("call"),
    )
    flagged = f"{int(result.flagged_before[0])} → {int(result.flagged_after[0])}"
    parts = [f"Flagged of {words.plural(rows.height, 'capture')}: {flagged}."]
    for word, counts in (
        ("Newly odd", result.newly_by_outcome),
        ("No longer odd", result.no_longer_by_outcome),
    ):
        if sum(counts):
            parts.append(
                f"{word}: {sum(counts)}, of them {counts[0]} confirmed odd, {counts[2]} confirmed even, "
                f"{counts[1]} not confirmed."
            )
    if changed.is_empty():
        parts.append("No past capture changes side.")
    parts.append(f"At this X about {words.number(flags_per_week(rows, x_pct), 1)} flags a week.")
    return Move(" ".join(parts), changed.sort("odd_pct", descending=True))


def flags_per_week(rows: pl.DataFrame, x_pct: float) -> float:
    """Captures a week at or beyond X, over the last `RECENT_WEEKS` weeks on record (or all, if fewer)."""
    when = rows["captured_at"].drop_nulls()
    first, last = when.min(), when.max()
    if not isinstance(first, dt.datetime) or not isinstance(last, dt.datetime):
        return 0.0
    weeks = min(float(RECENT_WEEKS), max((last - first).total_seconds() / (7 * 86400.0), 1.0))
    recent = rows.filter(pl.col("captured_at") > last - dt.timedelta(weeks=weeks))
    return float((recent["odd_pct"] >= x_pct).sum()) / weeks


def cost_words(cost: Cost) -> str:
    """A limit's detection and false alarms in words."""
    return f"faulty ones found {words.share(cost.detection)}; healthy ones flagged {words.share(cost.false_alarm)}"


def slider_range(rows: pl.DataFrame) -> tuple[float, float]:
    """Least and greatest X on offer, in percent."""
    top = rows["odd_pct"].max() if rows.height else None
    return 1.0, float(min(60.0, max(25.0, float(top) if top is not None else 25.0)))  # type: ignore[arg-type]


def version_value(frames: Frames, about: Subject, group: str, version: int) -> float:
    """The X of an earlier version."""
    found = history(frames, about, group).filter(pl.col("version") == version)
    return float(found["threshold_pct"][0])


def earlier_versions(frames: Frames, about: Subject, group: str) -> list[int]:
    """Versions one can go back to: all but the one in force."""
    now = in_force(frames, about, group)
    return [
        v for v in history(frames, about, group)["version"].to_list() if now is None or v != now["version"]
    ]


def starting_x(force: dict[str, Any] | None, proposal: Proposal | None, limits: tuple[float, float]) -> float:
    """Where the slider starts: at X in force, else as proposed."""
    value = (
        force["threshold_pct"]
        if force is not None
        else proposal.threshold_pct
        if proposal is not None
        else 10.0
    )
    return within(value, limits)


def back_reason(version: int, why: str) -> str:
    """The reason kept with a step back; empty stays empty, so that it is refused."""
    return f"Back to version {version}: {why.strip()}" if why.strip() else ""


def out_of_range(x: float, limits: tuple[float, float]) -> str:
    """An X of the address that cannot be tried here."""
    low, high = (words.number(value, 1) for value in limits)
    return f"X = {words.number(x, 1)} % of the address cannot be tried here; it may be {low} to {high} %."


def within(x_pct: float, limits: tuple[float, float]) -> float:
    """An X picked in a chart, as the slider can hold it."""
    return float(min(max(round(x_pct, 1), limits[0]), limits[1]))


def curves_sentence(tried: float, cost: str) -> str:
    """The curves for whoever cannot see them."""
    return f"Faulty ones found and healthy ones flagged against X. At X = {words.number(tried, 1)} %: {cost}."


def expected_sentence(one: Proposal) -> str:
    """The expected cost for whoever cannot see it."""
    return (
        f"Expected cost of one capture against X; lowest at {words.number(one.threshold_pct, 1)} % (95 % interval "
        f"{words.number(one.low, 1)} to {words.number(one.high, 1)} %)."
    )
