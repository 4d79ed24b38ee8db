"""Where the engine is being cranked, which way up the signal is, and how it was coupled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipelines.kinds.relative_compression.signals import Supply
from pipelines.kinds.relative_compression.values import Array, Bools, block_mean, middle_of, ranked

Nature = Literal["voltage", "current"]

LOOK_HZ = 200.0
LEVEL_S = 0.24  # longer than one compression event, shorter than the shortest crank worth reading
SHORTEST_S = 0.35
STIRRING = 0.04  # of the usual ripple: less is a steady load, not an engine being turned
PLAUSIBLE_REST_V = (10.5, 15.2)
BATTERY_V = (5.0, 32.0)  # a level between these is a battery's, whichever way round
HIGHEST_PER_S = (
    2.0 * np.pi * 12.0
)  # 1/T of the highest corner that is undone, 12 Hz: above it lies the ripple itself
# the last step is sought so far before and behind the crank's end; what dies away behind it is looked at for so long,
# and must be seen for so long (tried on drawn captures, no source)
STEP_S, STEP_BEFORE_S, STEP_BEHIND_S = 0.015, 1.2, 0.5
LARGE_STEP, DIES_AWAY_S, SHORTEST_TAIL_S = 0.3, 1.0, 0.15
LEFT_OF_TAIL = 0.03  # of its swing: what is no exponential (tried on drawn captures, no source)
ZERO_AT_REST, DRAWN_AT_REST = 0.1, 0.6  # of what the starter draws


@dataclass(frozen=True, slots=True)
class Cranking:
    """The supply signal turned so that load pulls it down, and where the engine is cranked.

    Attributes:
        load_down: V (or minus A), shape (samples,), at `Supply.rate_hz`; coupling undone where it was AC.
        spans: (from, to) sample index of each cranking stretch, in time order; empty where nothing cranks.
        nature: what the channel really carries.
        upside_down: leads or clamp the wrong way round.
        ac_coupled: the steady part was taken away by the scope.
        rest: level before cranking in V or A; NaN where unknown.
        after: level after the last stretch in V or A; NaN where unknown.
        drop: how far cranking pulls the level down, in V or A; NaN where unknown.
        sure: the level alone leaves no doubt which way the load pulls; where not, the ripple must tell.
        shifted: volts without their level: an offset was taken off on the screen.
    """

    load_down: Array
    spans: tuple[tuple[int, int], ...]
    nature: Nature
    upside_down: bool
    ac_coupled: bool
    rest: float
    after: float
    drop: float
    sure: bool = True
    shifted: bool = False


def moving_mean(x: Array, width: int) -> Array:
    """Centred moving mean of `width` samples, shape of `x`; at the ends over what there is."""
    width = max(1, min(width, x.size))
    total = np.concatenate(([0.0], np.cumsum(x)))
    left = (width - 1) // 2
    at = np.arange(x.size)
    begin, end = np.maximum(at - left, 0), np.minimum(at + width - left, x.size)
    return np.asarray((total[end] - total[begin]) / (end - begin))


def find_cranking(supply: Supply, *, turned: bool = False) -> Cranking:
    """Find the cranking stretches of a supply channel, whatever its coupling and polarity.

    `turned`: take the load to pull the other way than the level suggests.
    """
    step = max(1, round(supply.rate_hz / LOOK_HZ))
    look = block_mean(supply.level.astype(np.float32), step)  # float32 is plenty to look at
    rate_hz = supply.rate_hz / step
    if look.size < max(8, SHORTEST_S * rate_hz):
        return Cranking(supply.level, (), "voltage", False, False, np.nan, np.nan, np.nan)
    width = max(3, int(LEVEL_S * rate_hz))
    level = moving_mean(look, width)
    ripple = np.sqrt(moving_mean((look - moving_mean(look, 2 * width)) ** 2, 2 * width))
    ref = _usual_ripple(ripple, width)
    # against the ripple of the liveliest part; where nothing is quieter than a tenth of it, all is cranking
    lively = ripple > (0.3 if float(ripple.min()) > 0.1 * ref else 0.12) * ref
    way = _way(supply, look, level, lively, ref, width, rate_hz)
    sign = -way.sign if turned else way.sign
    level, look = sign * level, sign * look
    mask = lively if way.ac or turned else _pulled_down(level, lively, ripple > STIRRING * ref, width)
    runs = _runs(mask, rate_hz)
    load_down = supply.level if sign > 0 else -supply.level
    if way.ac and runs:
        load_down = _undo_coupling(load_down, supply.rate_hz, [(a * step, b * step) for a, b in runs])
    rest, after, drop = _levels(look, level, runs, width) if not way.ac else (np.nan,) * 3
    if way.nature == "current":
        rest, after = -rest, -after
    if (
        supply.missing is not None
        and runs
        and runs[0][0]
        and supply.missing[: runs[0][0] * step].mean() > 0.5
    ):
        rest = np.nan  # what stands there was filled in
    spans = _trim(look, runs, rate_hz, step, supply.level.size)
    natural = -1.0 if way.nature == "current" else 1.0
    if turned:
        drop = np.nan
    return Cranking(
        load_down, spans, way.nature, sign != natural, way.ac, rest, after, drop, way.sure, way.shifted
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """What the level tells: `sign` turns the signal so that load pulls it down; the rest as in `Cranking`."""

    sign: float
    nature: Nature
    ac: bool
    sure: bool
    shifted: bool


def _way(
    supply: Supply, look: Array, level: Array, lively: Bools, ref: float, width: int, rate_hz: float
) -> _Way:
    """Nature, coupling and polarity as far as the level tells them."""
    swing = float(look.max() - look.min())
    middle = middle_of(look)
    current = supply.named == "starter_current"
    if not (abs(middle) < 0.75 * swing and abs(float(look.mean())) < 0.75 * swing):
        if current:  # a clamp on a record that begins and ends with cranking
            return _Way(-_sign(middle), "current", False, False, False)
        volts = BATTERY_V[0] < abs(middle) < BATTERY_V[1]
        return _Way(_sign(middle), "voltage", False, volts, False)
    away, rest = _lasting_offset(level, lively, width)
    lasting = abs(away) > (0.7 if current else 2.5) * ref
    if not lasting:
        sign = -_sign_of_load(look, level, lively, rate_hz)
        return _Way(sign, "current" if current else "voltage", True, False, False)
    sign = -_sign(away)
    at_zero = np.isfinite(rest) and abs(rest) < ZERO_AT_REST * abs(away)
    # what the car draws at rest flows the same way as what the starter draws
    draws = np.isfinite(rest) and -ZERO_AT_REST * abs(away) < rest * _sign(away) < DRAWN_AT_REST * abs(away)
    # a clamp stands at zero before the starter pulls; so may a voltage whose rest was taken off on the screen
    if current or (at_zero and (abs(away) > BATTERY_V[1] or away > 0)):
        return _Way(sign, "current", False, bool(draws), False)
    return _Way(sign, "voltage", False, False, True)


def _sign(x: float) -> float:
    return -1.0 if x < 0 else 1.0


def _usual_ripple(ripple: Array, width: int) -> float:
    """Ripple of the liveliest part that is not the inrush: the inrush fills about two windows.

    Inrush and release together fill more, and may dwarf the ripple of an engine of many cylinders: where a long
    stretch far below them stands well above the quiet part, that is the cranking.
    """
    ordered = np.sort(ripple[:: max(1, width // 2)])[::-1]
    liveliest = float(ordered[min(7, ordered.size // 2)])
    if ordered.size > 50:
        lasting, quiet = float(ordered[24]), float(ordered[int(0.95 * ordered.size)])
        if liveliest > 4.0 * lasting > 16.0 * quiet:
            return lasting
    return liveliest


def _lasting_offset(level: Array, lively: Bools, width: int) -> tuple[float, float]:
    """Level in the later half of the lively part minus the level where nothing happens (or minus zero), and that
    level, NaN where it is not seen."""
    at = np.flatnonzero(lively)
    if at.size < 4:
        return 0.0, np.nan
    later = middle_of(level[at[at.size // 2 :]])
    quiet = level[: max(at[0] - width, 0)]
    if quiet.size <= width // 2:
        quiet = level[at[-1] + 2 * width :]
    rest = middle_of(quiet) if quiet.size > width // 2 else np.nan
    return later - (rest if np.isfinite(rest) else 0.0), rest


def _sign_of_load(look: Array, level: Array, lively: Bools, rate_hz: float) -> float:
    """Which way the load pulls, from the first jolt of the starter: -1 down, +1 up."""
    at = np.flatnonzero(lively)
    if at.size == 0:
        return -1.0
    first = int(at[0])
    window = look[max(0, first - int(0.3 * rate_hz)) : first + int(0.5 * rate_hz)]
    before = look[: max(1, first - int(0.3 * rate_hz))]
    base = middle_of(before) if before.size > 3 else float(level.mean())
    up, down = float(window.max()) - base, base - float(window.min())
    return -1.0 if down >= up else 1.0


def _pulled_down(level: Array, lively: Bools, stirring: Bools, width: int) -> Bools:
    """Where a DC-coupled level is pulled down and not dead still; the lively part where no rest is seen."""
    inner = level[:: max(1, width // 4)]
    high, low = float(inner.max()), float(inner.min())
    at = np.flatnonzero(lively)
    if at.size:
        low = middle_of(level[at])  # the inrush must not set the scale
        low = min(low, ranked(level[at], 0.3)[0])
    if high - low < 0.03 * abs(high) and high > 0:
        return lively
    first = (int(at[0]) if at.size else 0) - width
    if first > width // 2:
        # an engine that starts lifts the level above rest: what counts is how far it lies below rest
        rest = middle_of(level[:first])
        if rest - low > 0.03 * abs(rest):
            high = min(high, rest)
    else:
        # the same where the rest itself is noisy: a record that begins well above the cranking begins at rest
        begin = float(level[: 2 * width].min())
        if begin - low > max(0.03 * abs(begin), 0.35 * (high - low)):
            high = min(high, begin)
    return stirring & (level < high - 0.45 * (high - low))


def _runs(mask: Bools, rate_hz: float) -> list[tuple[int, int]]:
    """Stretches of the mask in samples, short breaks bridged, short and faint stretches left out."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8))).reshape(-1, 2)
    merged: list[list[int]] = []
    for begin, end in edges.tolist():
        if merged and begin - merged[-1][1] < 0.25 * rate_hz:
            merged[-1][1] = end
        else:
            merged.append([begin, end])
    return [(a, b) for a, b in merged if b - a >= SHORTEST_S * rate_hz]


def _levels(look: Array, level: Array, runs: list[tuple[int, int]], width: int) -> tuple[float, float, float]:
    """Rest level before, level after the last stretch, and drop, in the turned signal's units."""
    if not runs:
        return middle_of(look), np.nan, np.nan
    first, last = runs[0][0], runs[-1][1]
    before = look[: max(0, first - width // 2)]
    behind = level[last + 2 * width :]
    rest = middle_of(before) if before.size >= 8 else np.nan
    # an engine that ran may have stopped again before the record ends
    after = ranked(behind, 0.9)[0] if behind.size >= 8 else np.nan
    cranked = middle_of(level[runs[-1][0] : last])
    if rest - cranked < 0.03 * abs(rest):
        rest = np.nan  # the record begins with cranking
    high = rest if np.isfinite(rest) else after
    return rest, after, high - cranked


def _trim(
    look: Array, runs: list[tuple[int, int]], rate_hz: float, step: int, size: int
) -> tuple[tuple[int, int], ...]:
    """Leave out the inrush (until the signal first comes back up to its cranking level) and the release."""
    spans = []
    for begin, end in runs:
        usual = middle_of(look[begin:end])
        head = look[max(0, begin - int(0.1 * rate_hz)) : begin + int(0.4 * rate_hz)]
        lowest = int(np.argmin(head))
        back = np.flatnonzero(head[lowest:] >= usual)
        # deep first dip = starter at standstill; its recovery is where turning begins
        deep = usual - head[lowest] > 1.5 * (usual - ranked(look[begin:end], 0.1)[0])
        start = max(0, begin - int(0.1 * rate_hz)) + lowest + int(back[0]) if deep and back.size else begin
        stop = end
        spans.append((max(0, start * step), min(size, stop * step)))
    return tuple(spans)


def _undo_coupling(x: Array, rate_hz: float, spans: list[tuple[int, int]]) -> Array:
    """Add back the integral that a first-order high-pass took away, its corner told by what must be level.

    A high-pass of time constant T gives y with x = y + (1/T) integral of y. When the key is let go nothing happens any
    more and y dies away with T itself; where no such end is seen, 1/T is regressed on the stretch of longest cranking:
    with the right value the slow part neither rises nor falls there. A T so short that it leaves no slow part is told
    by the end alone.
    """
    begin, end = max(spans, key=lambda s: s[1] - s[0])
    slow = int(LEVEL_S * 2.0 * rate_hz)
    total = np.cumsum(x - np.median(x[max(0, begin - slow) : begin]) if begin > slow else x) / rate_hz
    per_s = _dies_away_per_s(x, rate_hz, spans[-1][1])
    if per_s > 1.0 / LEVEL_S:
        return np.asarray(x + per_s * total)
    part = moving_mean(x[begin:end], slow)
    grown = moving_mean(total[begin:end], slow)
    cut = slice(slow // 4, -max(1, slow // 4))
    part, grown = part[cut] - part[cut].mean(), grown[cut] - grown[cut].mean()
    power = float(grown @ grown)
    if power <= 0:
        return x
    per_s = float(np.clip(-(part @ grown) / power, 0.0, HIGHEST_PER_S))
    return np.asarray(x + per_s * total)


def _dies_away_per_s(x: Array, rate_hz: float, end: int) -> float:
    """1/T from the course after the last step near the crank's end, NaN where that is no exponential.

    y = c + b t - (1/T) integral of y there: b is what the level itself still does (a battery comes back slowly).
    """
    wide = max(1, int(STEP_S * rate_hz))
    first = max(0, end - int(STEP_BEFORE_S * rate_hz))
    piece = x[first : end + int(STEP_BEHIND_S * rate_hz)]
    if piece.size < 4 * wide:
        return np.nan
    steps = np.abs(piece[wide:] - piece[:-wide])
    last = int(np.flatnonzero(steps > LARGE_STEP * float(steps.max()))[-1])
    tail = x[first + last + 2 * wide :][: int(DIES_AWAY_S * rate_hz)]
    if tail.size < SHORTEST_TAIL_S * rate_hz:
        return np.nan
    at = np.arange(tail.size) / rate_hz
    columns = np.stack((np.cumsum(tail) / rate_hz, at, np.ones(tail.size)), axis=1)
    found, *_ = np.linalg.lstsq(columns, tail, rcond=None)
    left = tail - columns @ found
    per_s = -float(found[0])
    fine = float(np.std(left)) < LEFT_OF_TAIL * float(np.ptp(tail)) and 0.0 < per_s < HIGHEST_PER_S
    return per_s if fine else np.nan
