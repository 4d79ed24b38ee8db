"""A waveform made ready for the screen: thinned, scaled, its events named."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from tsdownsample import MinMaxDownsampler, NaNMinMaxDownsampler

from dashboard.shared import words
from pipelines.kinds import engine_words
from pipelines.kinds.base import Kind
from pipelines.waveform import Waveform

DRAWN_POINTS = 3000
LEAD_S = 0.2  # what is shown before and after the stretch that was read


def first_look(events: dict[str, Any] | None, waveform: Waveform, known: Kind | None) -> tuple[float, float]:
    """The stretch shown at first, in s: the start of what was read, short enough to name each event."""
    last = waveform.start_s + waveform.duration_s
    usual = known.figure.usual_length_s if known is not None else last - waveform.start_s
    if events is None or events["start_s"] is None:
        return waveform.start_s, last
    start = max(waveform.start_s, float(events["start_s"]) - LEAD_S)
    end = min(last, start + usual + 2 * LEAD_S, float(events["end_s"]) + LEAD_S)
    return (start, end) if end > start else (waveform.start_s, last)


def span(waveform: Waveform) -> tuple[float, float]:
    """First and last time of a waveform, in s."""
    return waveform.start_s, waveform.start_s + waveform.duration_s


def trace(
    waveform: Waveform, row: dict[str, Any], window: tuple[float, float], known: Kind | None = None
) -> pl.DataFrame:
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
    declared = {} if known is None else {one.name: one for one in known.signals}
    parts = []
    for channel in range(waveform.channels):
        samples = np.ascontiguousarray(waveform.samples[channel, first:last])
        signal = signals[channel] if channel < len(signals) and signals[channel] else ""
        if channel >= len(signals) and signals != [""]:
            continue  # the capture log names no such channel
        scale = scales[channel] if channel < len(scales) else 1.0
        keep = _thinned(samples)
        value = samples[keep].astype(np.float64) * scale
        title = declared[signal].title if signal in declared else signal.replace("_", " ").capitalize()
        name = title or waveform.labels[channel] or f"Channel {channel + 1}"
        unit = declared[signal].unit if signal in declared else "A" if "current" in signal else "V"
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
    events: dict[str, Any] | None, elements: pl.DataFrame | None, window: tuple[float, float]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The elements' events (time_s, name, verdict) and index pulses (time_s) inside a window."""
    schema = {"time_s": pl.Float64, "name": pl.String, "verdict": pl.String}
    if events is None or elements is None:
        return pl.DataFrame(schema=schema), pl.DataFrame(schema={"time_s": pl.Float64})
    shown = pl.DataFrame(
        {"time_s": events["event_s"] or [], "position": events["position"] or []},
        schema={"time_s": pl.Float64, "position": pl.Int64},
    ).join(
        elements.select(pl.col("position").cast(pl.Int64), "name", "verdict"),
        on="position",
        how="left",
    )
    inside = pl.col("time_s").is_between(*window)
    index = pl.DataFrame({"time_s": events["index_s"] or []}, schema={"time_s": pl.Float64})
    return (
        shown.with_columns(pl.col("verdict").fill_null("too little to say"), pl.col("name").fill_null("?"))
        .select(list(schema))
        .filter(inside),
        index.filter(inside),
    )


def events_of(found: pl.DataFrame) -> dict[str, Any] | None:
    """The one row of the events frame, or None."""
    return found.row(0, named=True) if found.height else None


def slider_step(waveform: Waveform) -> float:
    """A hundredth of the record, but no finer than a millisecond."""
    return max(0.001, round(waveform.duration_s / 500, 3))


def waveform_caption(
    row: dict[str, Any], waveform: Waveform, named: pl.DataFrame, index: pl.DataFrame, known: Kind | None
) -> str:
    """How the drawing relates to the record."""
    text = (
        f"{words.number(waveform.rate_hz)} samples a second, {words.number(waveform.duration_s, 1)} s in all"
    )
    if known is not None:
        text += f"; in view {words.plural(named.height, 'event')} ({known.figure.event})"
        if index.height:
            where = f", from {known.element.noun} {engine_words.index_of(row)}" if known.needs_engine else ""
            pulses = words.plural(index.height, known.figure.index, words.many(known.figure.index))
            text += f" and {pulses} (dotted{where})"
    return (
        f"{text}. For the screen each bin is thinned to its least and greatest sample; "
        "the reading uses every sample."
    )
