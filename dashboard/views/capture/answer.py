"""One capture: its verdict in a sentence, its cylinders against the family, its waveform for drawing."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from dashboard.shared import words
from models.outliers.reasons import in_words

Z95 = 1.959964
MOST_LISTED = 1000


@dataclass(frozen=True, slots=True)
class CaptureView:
    """Everything the page of one capture shows, except its waveform.

    Attributes:
        row: the capture's own row of the `captures` frame.
        verdict: `odd`, `usual` or `too little to say`. sentence: the verdict in words.
        notes: further sentences on how sure that is.
        cylinders: name, order, relative_pct, low, high, family_pct, usual_low, usual_high, limit_pct,
            verdict; one row a cylinder.
        checks: check, severity, detail.
        reasons: sentences of the outlier model. reason_rows: the same for drawing, see `reason_rows`.
        outcome: what was confirmed on the repair order, in a sentence, or None.
        called: what the technician said, in a sentence.
    """

    row: dict[str, Any]
    verdict: str
    sentence: str
    notes: tuple[str, ...]
    cylinders: pl.DataFrame
    checks: pl.DataFrame
    reasons: tuple[str, ...]
    reason_rows: pl.DataFrame
    outcome: str | None
    called: str


def view(frames: dict[str, pl.DataFrame], capture_file: str) -> CaptureView | None:
    """Gather one capture; None where the warehouse does not know it."""
    own = pl.col("capture_file") == capture_file
    found = frames["captures"].filter(own)
    if found.is_empty():
        return None
    row = found.row(0, named=True)
    scores = frames["scores"].filter(own)
    score = scores.row(0, named=True) if scores.height else {}
    cylinders = _cylinders(frames, row, score, frames["cylinder_scores"].filter(own))
    verdict, sentence, notes = _verdict(row, score, cylinders)
    return CaptureView(
        row=row,
        verdict=verdict,
        sentence=sentence,
        notes=notes,
        cylinders=cylinders,
        checks=frames["checks"].filter(own).select("check", "severity", "detail"),
        reasons=reasons(score.get("reasons")),
        reason_rows=reason_rows(score.get("reasons")),
        outcome=_outcome(frames["outcomes"], row),
        called=_called(row),
    )


def reasons(text: str | None) -> tuple[str, ...]:
    """The sentences of the outlier model's reasons, which the warehouse keeps as JSON."""
    if not text:
        return ()
    listed = json.loads(text) or []
    return tuple(str(reason["sentence"]) for reason in listed if reason and reason.get("sentence"))


def reason_rows(text: str | None) -> pl.DataFrame:
    """The outlier model's reasons for drawing, on one scale: 0 to 100 % is the family's usual range.

    Returns:
        name (feature in words with its value), place_pct (0 = low end of the usual range, 100 = high end).
    """
    rows = []
    for reason in json.loads(text) if text else []:
        low, high, value = reason.get("usual_low"), reason.get("usual_high"), reason.get("value")
        if low is None or high is None or value is None or not high > low:
            continue
        name, unit = in_words(reason["feature"])
        rows.append((f"{name}, {value:.3g}{unit}", 100 * (value - low) / (high - low)))
    return pl.DataFrame(rows, schema={"name": pl.String, "place_pct": pl.Float64}, orient="row")


def cylinder_name(cylinder: int | None, position: int, companion: int | None) -> str:
    """`3`, `1 or 4` for a pair, `no. 2` for a position that no sync pulse names."""
    if cylinder is None:
        return f"no. {position}"
    return f"{cylinder} or {companion}" if companion is not None else str(cylinder)


def _cylinders(
    frames: dict[str, pl.DataFrame], row: dict[str, Any], score: dict[str, Any], readings: pl.DataFrame
) -> pl.DataFrame:
    stats = frames["family_stats"].filter(pl.col("engine_family") == row["engine_family"])
    spread = stats["spread_pct"][0] if stats.height else None
    threshold = score.get("threshold_pct")
    flagged = list(score.get("flagged_positions") or [])
    named = [
        cylinder_name(r["cylinder"], r["firing_position"], r["companion"])
        for r in readings.iter_rows(named=True)
    ]
    # the yardstick of a cylinder is the median of the others' deviations, so the limit moves with it
    deviations = readings["deviation_pct"].to_list()
    limits = []
    for place, family_pct in enumerate(readings["family_pct"].to_list()):
        others = [d for i, d in enumerate(deviations) if i != place and d is not None]
        known = family_pct is not None and threshold is not None and others
        limits.append(family_pct + float(np.median(others)) - threshold if known else None)
    half = None if spread is None else Z95 * spread
    judged = bool(score) and score.get("flagged") is not None
    return readings.select(
        pl.Series("name", named, dtype=pl.String),
        pl.coalesce("cylinder", pl.col("firing_position")).alias("order"),
        "firing_position",
        "relative_pct",
        (pl.col("relative_pct") - Z95 * pl.col("se_pct")).alias("low"),
        (pl.col("relative_pct") + Z95 * pl.col("se_pct")).alias("high"),
        "family_pct",
        "deviation_pct",
        (pl.col("family_pct") - pl.lit(half, dtype=pl.Float64)).alias("usual_low"),
        (pl.col("family_pct") + pl.lit(half, dtype=pl.Float64)).alias("usual_high"),
        pl.Series("limit_pct", limits, dtype=pl.Float64),
        pl.when(not judged)
        .then(pl.lit("too little to say"))
        .when(pl.col("firing_position").is_in(flagged))
        .then(pl.lit("odd"))
        .otherwise(pl.lit("usual"))
        .alias("verdict"),
    ).sort("order", "firing_position")


def _lowest(score: dict[str, Any]) -> str:
    cylinder, companion = score.get("odd_cylinder"), score.get("odd_companion")
    if cylinder is None:
        return f"the cylinder that fires as no. {score.get('odd_position')} (not named: no sync pulse)"
    return f"cylinder {cylinder}" if companion is None else f"cylinder {cylinder} or {companion}"


def _verdict(
    row: dict[str, Any], score: dict[str, Any], cylinders: pl.DataFrame
) -> tuple[str, str, tuple[str, ...]]:
    unknown = "too little to say"
    if row["status"] != "read":
        reason = row["reason"] or "no reading stands"
        headings = {
            "unusable": "No honest reading",
            "waiting": "Waiting",
            "refused": "Refused",
        }
        return unknown, f"{headings.get(row['status'], row['status'])}: {reason}", ()
    if not score or score.get("odd_pct") is None:
        return unknown, "Read, but not yet compared with its family: run `shopspread fit`.", ()
    lowest, odd = _lowest(score), float(score["odd_pct"])
    error = score.get("odd_se_pct")
    below = f"{words.number(odd, 1)} %" + (
        f" (95 % interval {words.number(odd - Z95 * error, 1)} to {words.number(odd + Z95 * error, 1)} %)"
        if error is not None
        else ""
    )
    notes = []
    if score.get("p_value") is not None:
        notes.append(_chance(score))
    if score.get("threshold_pct") is None:
        return (
            unknown,
            f"The lowest, {lowest}, sits {below} below the others; no threshold stands yet.",
            tuple(notes),
        )
    limit = f"{words.number(score['threshold_pct'], 1)} %, version {score['threshold_version']}"
    pattern = f"below the others, after the family's usual pattern (odd from {limit})."
    if score.get("flagged"):
        odd_names = cylinders.filter(pl.col("verdict") == "odd")["name"].to_list()
        which = lowest if len(odd_names) <= 1 else f"cylinders {', '.join(odd_names)}; the lowest, {lowest},"
        return "odd", f"Odd: {which} sits {below} {pattern}", tuple(notes)
    return "usual", f"Even: the lowest, {lowest}, sits {below} {pattern}", tuple(notes)


def _chance(score: dict[str, Any]) -> str:
    """The calibrated p-value in words; at its floor it is only a bound."""
    p, floor, basis = float(score["p_value"]), score.get("p_floor"), score.get("p_basis")
    behind = f" (calibrated on {basis})" if basis else ""
    if floor is not None and floor > 0 and p <= floor * 1.0001:
        return (
            f"None of the healthy captures it was compared with is as odd{behind}; so few of them allow to say no more "
            f"than that a healthy one is this odd at most {words.chance(p)} times."
        )
    return f"A healthy capture of this family is at least this odd {words.chance(p)} times{behind}."


def _outcome(outcomes: pl.DataFrame, row: dict[str, Any]) -> str | None:
    order = row["repair_order"]
    found = outcomes.filter(pl.col("repair_order") == order) if order else outcomes.clear()
    return None if found.is_empty() else job_outcome(row, found.row(0, named=True))


def job_outcome(capture: dict[str, Any], outcome: dict[str, Any]) -> str:
    """What was confirmed on a capture's job, and whether it speaks of the engine as captured.

    A capture made known good, or after the day of the confirmation, shows the engine after the repair.
    """
    text = outcome_words(outcome)
    taken, confirmed = capture["captured_at"], outcome["confirmed_at"]
    later = taken is not None and confirmed is not None and taken.date() > confirmed.date()
    if outcome["finding"] == "odd" and (capture["purpose"] == "known_good" or later):
        return (
            f"Of this job, before the repair: {text[0].lower()}{text[1:]} This capture was made afterwards."
        )
    return text


def outcome_words(outcome: dict[str, Any]) -> str:
    """A confirmed outcome in one sentence."""
    method = str(outcome["method"] or "unknown method").replace("_", " ")
    finding = str(outcome["finding"])
    where = words.cylinders(outcome["confirmed_cylinders"]) if outcome["confirmed_cylinders"] else None
    what = {"odd": "odd", "even": "even", "other": "the fault was elsewhere"}.get(finding, finding)
    text = f"Confirmed {what}" + (f", {where}" if where and finding == "odd" else "")
    return f"{text}, by {method} on {words.day(outcome['confirmed_at'])}."


def _called(row: dict[str, Any]) -> str:
    if not row["call"]:
        return "No call was noted."
    named = f", {words.cylinders(row['call_cylinders'])}" if row["call_cylinders"] else ""
    return f"{row['technician'] or 'Somebody'} called it {row['call']}{named}."


def chooser(captures: pl.DataFrame, scores: pl.DataFrame, filters: Any) -> pl.DataFrame:
    """Captures that the filters let through, the newest `MOST_LISTED` of them, with what a person chooses by."""
    frame = captures.join(scores.select("capture_file", "odd_pct", "flagged"), on="capture_file", how="left")
    for column, value in (
        ("engine_family", filters.family),
        ("technician", filters.technician),
        ("test", filters.test),
    ):
        if value is not None:
            frame = frame.filter(pl.col(column) == value)
    # a capture without a row in the log has no time and stays choosable
    frame = frame.filter(pl.col("captured_at").is_null() | (pl.col("captured_at").dt.date() <= filters.as_of))
    return (
        frame.sort("captured_at", descending=True, nulls_last=True)
        .head(MOST_LISTED)
        .select(
            "capture_file",
            "captured_at",
            "engine_family",
            "technician",
            "vehicle",
            "repair_order",
            "purpose",
            "status",
            pl.when(pl.col("flagged"))
            .then(pl.lit("odd"))
            .when(pl.col("flagged").is_not_null())
            .then(pl.lit("usual"))
            .otherwise(pl.lit("–"))
            .alias("verdict"),
            "odd_pct",
            "call",
        )
    )


def hookup_words(row: dict[str, Any]) -> str:
    """How the scope was connected, as the capture log says."""
    signals = [signal.replace("_", " ") for signal in (row["ch_signals"] or "").split(";") if signal]
    if not signals:
        return "The capture log says nothing of the hookup."
    scales = (row["ch_scales"] or "").split(";")
    named = [
        f"channel {place} {signal}"
        + (f" (scale {float(scales[place - 1]):g})" if place <= len(scales) else "")
        for place, signal in enumerate(signals, start=1)
    ]
    return f"{'; '.join(named)}; sync on cylinder {row['sync_cylinder'] or 1}.".capitalize()


def chooser_title(listed: pl.DataFrame) -> str:
    """How many captures there are to choose from."""
    if listed.height >= MOST_LISTED:
        return f"Choose among the newest {words.number(MOST_LISTED)} captures (filters on the left reach the others)"
    return f"Choose among {words.plural(listed.height, 'capture')}"


def with_one_more(listed: pl.DataFrame, frames: dict[str, pl.DataFrame], capture_file: str) -> pl.DataFrame:
    """The chooser's rows with one capture on top that the filters would leave out."""
    own = frames["captures"].filter(pl.col("capture_file") == capture_file)
    everything = Everything()
    return pl.concat([chooser(own, frames["scores"], everything), listed])


@dataclass(frozen=True, slots=True)
class Everything:
    """Filters that let everything through."""

    family: None = None
    technician: None = None
    test: None = None
    as_of: dt.date = dt.date.max


def remember_choice(event: Any, listed: pl.DataFrame, state: Any) -> None:
    """Take over the row picked in the chooser, once, so that a later choice elsewhere stands."""
    rows = list(event.selection.rows) if event is not None and hasattr(event, "selection") else []
    picked = listed["capture_file"][rows[0]] if rows and rows[0] < listed.height else None
    if picked is not None and picked != state.get("capture_picked"):
        state["capture"] = picked
    state["capture_picked"] = picked


def headline(row: dict[str, Any], title: str) -> str:
    """What, who and when, in one line."""
    known = [
        row["capture_file"],
        title,
        row["engine_family"],
        f"vehicle {row['vehicle']}" if row["vehicle"] else None,
        f"job {row['repair_order']}" if row["repair_order"] else "no job (practice)",
        f"by {row['technician']}" if row["technician"] else None,
        words.day(row["captured_at"]) if row["captured_at"] else None,
        None if row["cycles"] is None else f"{words.number(row['cycles'])} engine cycles",
        _measured(row, "crank_rpm", "{} rpm while cranking", 0),
        _measured(row, "rest_v", "{} V at rest", 1),
        _measured(row, "crank_min_v", "{} V lowest", 1),
    ]
    return " · ".join(part for part in known if part)


def _measured(row: dict[str, Any], name: str, text: str, digits: int) -> str | None:
    value = row[name]
    return None if value is None or value != value else text.format(words.number(value, digits))


def cylinder_caption(frames: dict[str, pl.DataFrame], row: dict[str, Any]) -> str:
    """What bars, band and tick mean, with the n behind the family's band."""
    stats = frames["family_stats"].filter(pl.col("engine_family") == row["engine_family"])
    text = "Bars: this capture, thin line its 95 % interval from its own cycles. "
    if stats.is_empty():
        return text + "The family's usual range follows after the next fit."
    one = stats.row(0, named=True)
    return (
        f"{text}Band: where 95 % of healthy cylinders of {row['engine_family']} lie (spread "
        f"{words.number(one['spread_pct'], 1)} %, basis: {one['basis']}, n = {one['captures']} captures). "
        "Dark orange tick: below it the cylinder counts as odd. No pressures: 100 % is this capture's median cylinder."
    )
