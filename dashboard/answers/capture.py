"""One capture: its verdict in a sentence, its cylinders against the family, its waveform for drawing."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from tsdownsample import MinMaxDownsampler, NaNMinMaxDownsampler

from dashboard import words
from pipelines.waveform import Waveform

Z95 = 1.959964
DRAWN_POINTS = 3000
FIRST_LOOK_S = 2.0


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
        reasons: sentences of the outlier model.
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
        outcome=_outcome(frames["outcomes"], row["repair_order"]),
        called=_called(row),
    )


def reasons(text: str | None) -> tuple[str, ...]:
    """The sentences of the outlier model's reasons, which the warehouse keeps as JSON."""
    if not text:
        return ()
    listed = json.loads(text) or []
    return tuple(str(reason["sentence"]) for reason in listed if reason and reason.get("sentence"))


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
        notes.append(
            f"A healthy capture of this family is at least this odd {words.chance(score['p_value'])} times"
            + (f" (calibrated on {score['p_basis']})." if score.get("p_basis") else ".")
        )
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


def _outcome(outcomes: pl.DataFrame, order: str | None) -> str | None:
    found = outcomes.filter(pl.col("repair_order") == order) if order else outcomes.clear()
    if found.is_empty():
        return None
    return outcome_words(found.row(0, named=True))


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


def first_look(events: dict[str, Any] | None, waveform: Waveform) -> tuple[float, float]:
    """The stretch shown at first, in s: the start of cranking, short enough to name each event."""
    last = waveform.start_s + waveform.duration_s
    if events is None or events["crank_start_s"] is None:
        return waveform.start_s, last
    start = max(waveform.start_s, float(events["crank_start_s"]) - 0.2)
    end = min(last, start + FIRST_LOOK_S, float(events["crank_end_s"]) + 0.2)
    return (start, end) if end > start else (waveform.start_s, last)


def span(waveform: Waveform) -> tuple[float, float]:
    """First and last time of a waveform, in s."""
    return waveform.start_s, waveform.start_s + waveform.duration_s


def trace(waveform: Waveform, row: dict[str, Any], window: tuple[float, float]) -> pl.DataFrame:
    """The channels between two times, thinned for the screen: least and greatest of each bin are kept.

    Returns:
        channel (name with unit), order, time_s, value (in V or A after the capture's scale; null in
        gaps), about 3 000 points a channel.
    """
    rate = waveform.rate_hz
    first = max(0, int(np.floor((window[0] - waveform.start_s) * rate)))
    last = min(waveform.samples.shape[1], int(np.ceil((window[1] - waveform.start_s) * rate)) + 1)
    signals = (row.get("ch_signals") or "").split(";")
    scales = [float(s) if s else 1.0 for s in (row.get("ch_scales") or "").split(";")]
    parts = []
    for channel in range(waveform.channels):
        samples = np.ascontiguousarray(waveform.samples[channel, first:last])
        signal = signals[channel] if channel < len(signals) and signals[channel] else ""
        if channel >= len(signals) and signals != [""]:
            continue  # the capture log names no such channel
        scale = scales[channel] if channel < len(scales) else 1.0
        keep = _thinned(samples)
        value = samples[keep].astype(np.float64) * scale
        name = signal.replace("_", " ").capitalize() or waveform.labels[channel] or f"Channel {channel + 1}"
        unit = "A" if "current" in signal else "V"
        parts.append(
            pl.DataFrame(
                {
                    "channel": [f"{name} ({unit})"] * keep.size,
                    "order": [channel] * keep.size,
                    "time_s": waveform.start_s + (first + keep) / rate,
                    "value": pl.Series(value, dtype=pl.Float64).fill_nan(None),
                }
            )
        )
    return pl.concat(parts)


def _thinned(samples: np.ndarray[Any, np.dtype[np.float32]]) -> np.ndarray[Any, np.dtype[np.int64]]:
    if samples.size <= DRAWN_POINTS:
        return np.arange(samples.size)
    gaps = bool(np.isnan(samples).any())
    sampler = NaNMinMaxDownsampler() if gaps else MinMaxDownsampler()
    return np.asarray(sampler.downsample(samples, n_out=DRAWN_POINTS), dtype=np.int64)


def named_events(
    events: dict[str, Any] | None, cylinders: pl.DataFrame, window: tuple[float, float]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Compression events (time_s, name, verdict) and sync pulses (time_s) inside a window."""
    schema = {"time_s": pl.Float64, "name": pl.String, "verdict": pl.String}
    if events is None:
        return pl.DataFrame(schema=schema), pl.DataFrame(schema={"time_s": pl.Float64})
    shown = pl.DataFrame(
        {"time_s": events["compression_s"] or [], "firing_position": events["position"] or []},
        schema={"time_s": pl.Float64, "firing_position": pl.Int64},
    ).join(
        cylinders.select(pl.col("firing_position").cast(pl.Int64), "name", "verdict"),
        on="firing_position",
        how="left",
    )
    inside = pl.col("time_s").is_between(*window)
    sync = pl.DataFrame({"time_s": events["sync_s"] or []}, schema={"time_s": pl.Float64})
    return (
        shown.with_columns(pl.col("verdict").fill_null("too little to say"), pl.col("name").fill_null("?"))
        .select(list(schema))
        .filter(inside),
        sync.filter(inside),
    )


def chooser(captures: pl.DataFrame, scores: pl.DataFrame, filters: Any) -> pl.DataFrame:
    """Captures that the filters let through, newest first, with what a person chooses by."""
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
    return frame.sort("captured_at", descending=True, nulls_last=True).select(
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


def events_of(found: pl.DataFrame) -> dict[str, Any] | None:
    """The one row of the events frame, or None."""
    return found.row(0, named=True) if found.height else None


def slider_step(waveform: Waveform) -> float:
    """A hundredth of the record, but no finer than a millisecond."""
    return max(0.001, round(waveform.duration_s / 500, 3))


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


def waveform_caption(row: dict[str, Any], waveform: Waveform, named: pl.DataFrame, sync: pl.DataFrame) -> str:
    """How the drawing relates to the record."""
    return (
        f"{words.number(waveform.rate_hz)} samples a second, {words.number(waveform.duration_s, 1)} s in all; "
        f"in view {words.plural(named.height, 'compression event')} and "
        f"{words.plural(sync.height, 'sync pulse')} (dotted, from cylinder {row['sync_cylinder'] or 1}). "
        "For the screen each bin is thinned to its least and greatest sample; the reading uses every sample."
    )
