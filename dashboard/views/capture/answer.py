"""One capture: its verdict in a sentence, its elements against the group, its waveform for drawing."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

import numpy as np
import polars as pl

from dashboard.shared import captures, go, words
from models.records.measure import Measure
from models.spread.fit import GroupFit
from pipelines.kinds import engine_words, kind
from pipelines.kinds.base import Kind

Frames = Mapping[str, pl.DataFrame]

Z95 = 1.959964
MOST_FEATURES = 5
UNKNOWN = "too little to say"
HEADINGS = {"unusable": "No honest reading", "waiting": "Waiting", "refused": "Refused"}


@dataclass(frozen=True, slots=True)
class MeasureView:
    """What one measure says of a capture.

    Attributes:
        verdict: `odd`, `usual` or `too little to say`. sentence: the verdict in words.
        notes: further sentences on how sure that is.
        elements: name, order, position, relative_pct (as drawn, not below 0), low, high, group_pct, usual_low,
            usual_high, limit_low, limit_high, verdict; one row an element.
        caption: what is drawn, with the n behind the group's range.
    """

    measure: Measure
    verdict: str
    sentence: str
    notes: tuple[str, ...]
    elements: pl.DataFrame
    caption: str


@dataclass(frozen=True, slots=True)
class CaptureView:
    """Everything the page of one capture shows, except its waveform.

    Attributes:
        row: the capture's own row of the `captures` frame.
        kind: the capture's own test, or None where nobody knows it.
        verdict, sentence: of the capture as a whole, see `MeasureView`.
        measures: one for each measure that was read, the kind's first one first.
        checks: check, severity, detail.
        reasons: sentences of the outlier model. reason_rows: the same for drawing.
        outcome: what was confirmed on the repair order, in a sentence, or None.
        called: what the technician said, in a sentence.
    """

    row: dict[str, Any]
    kind: Kind | None
    verdict: str
    sentence: str
    measures: tuple[MeasureView, ...]
    checks: pl.DataFrame
    reasons: tuple[str, ...]
    reason_rows: pl.DataFrame
    outcome: str | None
    called: str


def reading_notes(rows: pl.DataFrame) -> tuple[str, ...]:
    """What the reading says besides its figures, as sentences; `rows`: the frame `reading_notes` of one capture."""
    return tuple(json.loads(rows["notes"][0])) if rows.height else ()


def known_row(frames: Frames, capture_file: str) -> dict[str, Any] | None:
    """The capture's own row, or None where the warehouse does not know it."""
    found = frames["captures"].filter(pl.col("capture_file") == capture_file)
    return None if found.is_empty() else found.row(0, named=True)


def view(
    frames: Frames, outcomes: pl.DataFrame, row: dict[str, Any], fits: Mapping[str, GroupFit]
) -> CaptureView:
    """Gather one capture.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.
        row: of the `captures` frame. fits: the last fit of each of its test's measures.
    """
    own = pl.col("capture_file") == row["capture_file"]
    known = kind(row["test"] or "")
    read: tuple[MeasureView, ...] = ()
    if known is not None and row["status"] == "read":
        read = tuple(_measure_view(frames, row, known, measure, fits) for measure in known.measures)
        read = tuple(one for one in read if one.elements.height) or read[:1]
    verdict, sentence = _whole(row, known, read)
    text = frames["outliers"].filter(own)["reasons"]
    reasons = text[0] if len(text) else None
    confirmed = {} if known is None else captures.outcomes_of(outcomes, known.name)
    outcome = confirmed.get(row["repair_order"])
    return CaptureView(
        row=row,
        kind=known,
        verdict=verdict,
        sentence=sentence,
        measures=read,
        checks=frames["checks"].filter(own).select("check", "severity", "detail"),
        reasons=captures.reasons(reasons),
        reason_rows=captures.reason_rows(reasons, known) if known else pl.DataFrame(),
        outcome=captures.job_outcome(known, row, outcome) if known and outcome else None,
        called=captures.called(row),
    )


def _whole(row: dict[str, Any], known: Kind | None, read: tuple[MeasureView, ...]) -> tuple[str, str]:
    """Verdict and sentence of the whole capture: odd where any measure says so."""
    if row["status"] != "read":
        return (
            UNKNOWN,
            f"{HEADINGS.get(row['status'], row['status'])}: {row['reason'] or 'no reading stands'}",
        )
    if known is None:
        return UNKNOWN, f"Nothing reads the test {row['test']!r} in this program yet; its waveform is kept."
    if not read:
        return UNKNOWN, "Read, but not yet compared with its group: run shopspread fit."
    leading = next((one for one in read if one.verdict == "odd"), read[0])
    prefix = f"{leading.measure.title}: " if len(known.measures) > 1 else ""
    sentence = leading.sentence
    if prefix:
        head, _, rest = sentence.partition(": ")
        sentence = f"{head}. {prefix}{rest}" if rest else sentence
    return leading.verdict, sentence


def _measure_view(
    frames: Frames, row: dict[str, Any], known: Kind, measure: Measure, fits: Mapping[str, GroupFit]
) -> MeasureView:
    own = (pl.col("capture_file") == row["capture_file"]) & (pl.col("measure") == measure.name)
    found = frames["scores"].filter(own)
    score = found.row(0, named=True) if found.height else {}
    fit = fits.get(measure.name)
    stats = pl.DataFrame() if fit is None else fit.stats.filter(pl.col("group") == row["group"])
    stat = stats.row(0, named=True) if stats.height else None
    elements = _elements(measure, stat, score, frames["element_scores"].filter(own))
    verdict, sentence, notes = _verdict(known, measure, score, elements)
    return MeasureView(
        measure, verdict, sentence, notes, elements, _caption(known, measure, stat, row["group"])
    )


def _limits(
    measure: Measure, threshold: float | None, readings: pl.DataFrame
) -> tuple[list[float | None], list[float | None]]:
    """Below and above which value each element counts as odd; None on the side where it never does.

    The yardstick of an element is the median of the others' deviations, so the limits move with it.
    """
    deviations = readings["deviation_pct"].to_list()
    low: list[float | None] = []
    high: list[float | None] = []
    for place, group_pct in enumerate(readings["group_pct"].to_list()):
        others = [d for i, d in enumerate(deviations) if i != place and d is not None]
        middle = None if group_pct is None or threshold is None or not others else float(np.median(others))
        known = middle is not None and group_pct is not None and threshold is not None
        below = group_pct + middle - threshold if known and measure.direction != "high" else None
        above = group_pct + middle + threshold if known and measure.direction != "low" else None
        low.append(None if below is None else max(0.0, below))
        high.append(above)
    return low, high


def _elements(
    measure: Measure, stat: dict[str, Any] | None, score: dict[str, Any], readings: pl.DataFrame
) -> pl.DataFrame:
    named = [
        words.element_name(r["element"], r["position"], r["companion"])
        for r in readings.iter_rows(named=True)
    ]
    low, high = _limits(measure, score.get("threshold_pct"), readings)
    half = None if stat is None else Z95 * stat["spread_pct"]
    judged = score.get("flagged") is not None
    flagged = list(score.get("flagged_positions") or [])
    # Nothing is less than nothing: a reading at or below 0 % is drawn at 0 %.
    return readings.select(
        pl.Series("name", named, dtype=pl.String),
        pl.coalesce("element", pl.col("position")).alias("order"),
        "position",
        (pl.col("relative_pct") <= 0).alias("nothing"),
        pl.col("relative_pct").clip(lower_bound=0.0),
        (pl.col("relative_pct") - Z95 * pl.col("se_pct")).clip(lower_bound=0.0).alias("low"),
        (pl.col("relative_pct") + Z95 * pl.col("se_pct")).clip(lower_bound=0.0).alias("high"),
        "group_pct",
        "deviation_pct",
        (pl.col("group_pct") - pl.lit(half, dtype=pl.Float64)).alias("usual_low"),
        (pl.col("group_pct") + pl.lit(half, dtype=pl.Float64)).alias("usual_high"),
        pl.Series("limit_low", low, dtype=pl.Float64),
        pl.Series("limit_high", high, dtype=pl.Float64),
        pl.when(not judged)
        .then(pl.lit(UNKNOWN))
        .when(pl.col("position").is_in(flagged))
        .then(pl.lit("odd"))
        .otherwise(pl.lit("usual"))
        .alias("verdict"),
    ).sort("order", "position")


def _verdict(
    known: Kind, measure: Measure, score: dict[str, Any], elements: pl.DataFrame
) -> tuple[str, str, tuple[str, ...]]:
    if score.get("odd_pct") is None:
        return UNKNOWN, "Read, but not yet compared with its group: run shopspread fit.", ()
    oddest = words.oddest(known, score["odd_element"], score["odd_position"], score["odd_companion"])
    extreme = words.extreme(measure)
    gap = f"sits {_gap(measure, score)} {words.stands(known, measure)}"
    if elements.filter((pl.col("position") == score["odd_position"]) & pl.col("nothing")).height:
        gap = f"shows nothing at all: {known.wording.nothing_left}"
    notes = [] if score.get("p_value") is None else [_chance(score)]
    if score.get("threshold_pct") is None:
        return UNKNOWN, f"The {extreme}, {oddest}, {gap}; no threshold stands yet.", tuple(notes)
    limit = f"odd from {words.number(score['threshold_pct'], 1)} %, version {score['threshold_version']}"
    if score.get("flagged"):
        odd_names = elements.filter(pl.col("verdict") == "odd")["name"].to_list()
        which = oddest
        if len(odd_names) > 1:
            which = f"{known.element.nouns} {', '.join(odd_names)}; the {extreme}, {oddest},"
        return "odd", f"Odd: {which} {gap}, after the group's usual pattern ({limit}).", tuple(notes)
    return (
        "usual",
        f"Even: the {extreme}, {oddest}, {gap}, after the group's usual pattern ({limit}).",
        tuple(notes),
    )


def _gap(measure: Measure, score: dict[str, Any]) -> str:
    """How far the oddest element stands off, with its 95 % interval from the repeats in the capture."""
    odd, error = float(score["odd_pct"]), score.get("odd_se_pct")
    text = f"{words.number(words.odd_bound(measure, odd), 1)} %"
    if error is None:
        return text
    low, high = (words.odd_bound(measure, odd + sign * Z95 * error) for sign in (-1, 1))
    return f"{text} (95 % interval {words.number(low, 1)} to {words.number(high, 1)} %)"


def _chance(score: dict[str, Any]) -> str:
    """How rare this is among healthy ones, in words; at its floor it is only a bound."""
    p, floor, basis = float(score["p_value"]), score.get("p_floor"), score.get("p_basis")
    behind = f" (compared with {basis})" if basis else ""
    if basis and "calibration" in basis:
        behind = " (by normal spread alone: too few are known to be healthy)"
    if floor is not None and floor > 0 and p <= floor * 1.0001:
        return (
            f"Further off than every healthy capture on record{behind}: at most {words.chance(p)} healthy "
            "ones would be this far off."
        )
    return f"Of healthy captures of this group, {words.chance(p)} are at least this far off{behind}."


def _caption(known: Kind, measure: Measure, stat: dict[str, Any] | None, group: str | None) -> str:
    text = (
        "Bars: this capture, thin line its 95 % interval from the repeats in it: how well it repeats on this engine "
        "and hookup, not how near it is to the truth. "
    )
    if stat is None:
        return text + "The group's usual range follows after the next fit."
    return (
        f"{text}Band: where 95 % of healthy {known.element.nouns} of {group} lie (spread "
        f"{words.number(stat['spread_pct'], 1)} %, n = {stat['captures']} captures). Dark orange tick: beyond it a "
        f"{known.element.noun} counts as odd. 100 % is {measure.against}; nothing here is in absolute units."
    )


def elements_of(frames: Frames, found: CaptureView) -> int:
    """How many alike elements the captured thing has; 1 where nobody knows."""
    row = found.row
    own = frames["comparison_groups"].filter(
        (pl.col("test") == row["test"]) & (pl.col("group") == row["group"])
    )
    read = max((one.elements.height for one in found.measures), default=0)
    return int(own["elements"][0]) if own.height else max(1, read)


def hookup_words(row: dict[str, Any], known: Kind | None) -> str:
    """How the scope was connected, as the capture log says."""
    names = [signal for signal in (row["ch_signals"] or "").split(";") if signal]
    if not names:
        return "The capture log says nothing of the hookup."
    titles = {} if known is None else {signal.name: signal.title for signal in known.signals}
    scales = (row["ch_scales"] or "").split(";")
    named = [
        f"channel {place} {titles.get(signal, signal.replace('_', ' ')).lower()}"
        + (f" (scale {float(scales[place - 1]):g})" if place <= len(scales) else "")
        for place, signal in enumerate(names, start=1)
    ]
    text = "; ".join(named)
    if known is not None and known.needs_engine:
        text += f"; {known.figure.index} from {known.element.noun} {engine_words.index_of(row)}"
    return f"{text[0].upper()}{text[1:]}."


def headline(row: dict[str, Any], known: Kind | None, title: str, features: pl.DataFrame) -> str:
    """What, who and when, in one line, with the first features the kind declares."""
    parts = [
        row["capture_file"],
        title,
        row["group"],
        f"vehicle {row['vehicle']}" if row["vehicle"] else None,
        f"job {row['repair_order']}" if row["repair_order"] else "no job (practice)",
        f"by {row['technician']}" if row["technician"] else None,
        words.day(row["captured_at"]) if row["captured_at"] else None,
    ]
    values = dict(
        features.filter(pl.col("capture_file") == row["capture_file"]).select("feature", "value").iter_rows()
    )
    declared = () if known is None else known.features[:MOST_FEATURES]
    for feature in declared:
        value = values.get(feature.name)
        if value is not None and value == value:
            unit = f" {feature.unit}" if feature.unit else ""
            parts.append(f"{feature.title.lower()} {value:.3g}{unit}")
    return " · ".join(part for part in parts if part)


def elements_sentence(one: MeasureView, known: Kind) -> str:
    """The chart of the elements for whoever cannot see it."""
    parts = [
        f"{known.element.noun} {row['name']} {words.number(row['relative_pct'])} % ({row['verdict']})"
        for row in one.elements.head(16).iter_rows(named=True)
    ]
    return f"{one.measure.title} against the group: {', '.join(parts)}. {one.sentence}"


def element_rows(one: MeasureView) -> pl.DataFrame:
    """The chart of the elements as a table."""
    return one.elements.drop("order", "position", "nothing")


def channel_rows(trace: pl.DataFrame, channel: str) -> pl.DataFrame:
    """One channel's samples as drawn."""
    return trace.filter(pl.col("channel") == channel).select("time_s", pl.col("value").alias(channel))


def waveform_sentence(rows: pl.DataFrame, channel: str, named: pl.DataFrame) -> str:
    """One channel's drawing for whoever cannot see it: its range, and what is named in it."""
    values, times = rows[channel].drop_nulls(), rows["time_s"]
    if values.is_empty():
        return f"{channel}: nothing on the screen in this stretch."
    least, greatest = (words.number(float(value), 1) for value in (values.min(), values.max()))  # type: ignore[arg-type]
    first, last = (words.number(float(value), 2) for value in (times.min(), times.max()))  # type: ignore[arg-type]
    events = f"; {words.plural(named.height, 'event')} named" if named.height else ""
    return f"{channel} from {first} to {last} s: between {least} and {greatest}{events}."


def to_known_good(row: dict[str, Any]) -> Callable[[Any], NoReturn]:
    """What a click on an element leads to: the capture laid over its group's known-good ones."""
    return lambda _: go.known_good(row["capture_file"], row["group"], row["test"])


def to_spread(row: dict[str, Any]) -> Callable[[Any], NoReturn]:
    """What a click on an unusual feature leads to: its group's normal spread."""
    return lambda _: go.spread(row["group"], row["test"])
