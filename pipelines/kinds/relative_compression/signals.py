"""Which channel is the supply and which the sync, told by what the signals are rather than by their names."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipelines.errors import ShopspreadError
from pipelines.kinds.base import Hookup
from pipelines.kinds.relative_compression.values import Array, Bools, block_mean, middle_of, ranked
from pipelines.sparse import filled_between
from pipelines.waveform import Samples, Waveform

SUPPLY_SIGNALS = ("battery_voltage", "starter_current")
SYNC_SIGNALS = ("ignition_primary", "ignition_pickup")
SUPPLY_RATE_HZ = 4000.0  # ample: an eighth-order event at 300 rpm lasts 50 ms
SYNC_RATE_HZ = 10000.0  # 0.1 ms, a tenth of a degree at 200 rpm
LOOK_RATE_HZ = 1000.0
OFF_SCREEN_S = 0.0004  # a flyback's spike lasts a tenth of a millisecond, the spark about one


@dataclass(frozen=True, slots=True)
class Supply:
    """The channel that carries the starter's load, thinned to what the reading needs.

    Attributes:
        level: V or A, gaps filled in a straight line, shape (samples,).
        missing: where `level` is filled in, shape (samples,); None where nothing is.
        rate_hz, start_s: of `level`; a sample stands in the middle of the file's samples it averages.
        raw: the channel as in the file, unscaled.
        raw_rate_hz: of `raw`.
        scale: V or A per unit of `raw`.
        named: what the log calls this channel.
        off_screen: the file has no sample where the signal lies beyond the screen; the screen's edge stands there.
    """

    level: Array
    missing: Bools | None
    rate_hz: float
    start_s: float
    raw: Samples
    raw_rate_hz: float
    scale: float
    named: str
    off_screen: bool = False


@dataclass(frozen=True, slots=True)
class SyncTrace:
    """The sync channel as the highest and the lowest value of each short block.

    Attributes:
        high, low: V, shape (blocks,).
        rate_hz, start_s: of the blocks; a block stands at the time of its first sample.
        narrow_rate_hz: sample rate of the file, which decides what can fall between two samples.
        named: what the log calls this channel.
        lost: share of the blocks that hold no sample and are too long to be a pulse off the screen.
        off_screen: several short gaps, too long for a flyback's spike: the whole firing lies beyond the screen.
    """

    high: npt.NDArray[np.float32]
    low: npt.NDArray[np.float32]
    rate_hz: float
    start_s: float
    narrow_rate_hz: float
    named: str
    lost: float
    off_screen: bool


@dataclass(frozen=True, slots=True)
class Recognised:
    """The two channels this test needs. `sync` is None where none is connected or it is dead; `other`: a second
    supply channel that the log names and that is alive, its `level` left empty."""

    supply: Supply
    sync: SyncTrace | None
    swapped: bool
    other: Supply | None = None


@dataclass(frozen=True, slots=True)
class View:
    """Another way to look at a capture that made no sense at first.

    Attributes:
        turned: the load pulls the other way than the level suggests.
        exchanged: supply and sync the other way round than they look.
        other_supply: the other one of two supply channels.
        no_sync: without the sync channel.
    """

    turned: bool = False
    exchanged: bool = False
    other_supply: bool = False
    no_sync: bool = False


PLAIN = View()


def recognise(waveform: Waveform, hookup: Hookup, view: View = PLAIN) -> Recognised:
    """Find supply and sync among the channels.

    The log's names are the first guess; when the named supply is a pulse train and the named sync is not,
    they were exchanged. `view` asks for another answer.

    Raises:
        ShopspreadError: when the log names no battery voltage or starter current at all.
    """
    count = min(waveform.channels, len(hookup.signals))
    supplies = [i for i in range(count) if hookup.signals[i] in SUPPLY_SIGNALS]
    syncs = [i for i in range(count) if hookup.signals[i] in SYNC_SIGNALS]
    if not supplies:
        raise ShopspreadError(
            "The capture log names no battery_voltage or starter_current channel that the file holds; "
            "a relative compression capture needs one of them: correct ch1_signal, ch2_signal in captures.csv."
        )
    waveform, sparse = _each_row(waveform, {*supplies, *syncs})
    scales = [_scale(hookup, i) for i in range(count)]
    looks = {i: _look(waveform.samples[i], waveform.rate_hz) for i in {*supplies, *syncs}}
    supply = max(supplies, key=lambda i: (looks[i].swing > 0, hookup.signals[i] == SUPPLY_SIGNALS[0]))
    if view.other_supply:
        supply = next((i for i in supplies if i != supply and looks[i].swing > 0), supply)
    sync = max(syncs, key=lambda i: looks[i].swing > 0) if syncs else None
    swapped = False
    if sync is not None and _exchanged(looks[supply], looks[sync]) != view.exchanged:
        supply, sync, swapped = sync, supply, True
    supply_at, sync_at, factor = supply, sync, scales[supply]
    if swapped and sync is not None:
        supply_at, sync_at = sync, supply
        # attenuators may have gone with their leads or not: the factor that makes a battery of it is believed
        voltage = hookup.signals[supply_at] == SUPPLY_SIGNALS[0]
        if voltage and _like_a_battery(looks[supply], scales[sync]) > _like_a_battery(looks[supply], factor):
            factor = scales[sync]
    main = thin_supply(waveform, supply, factor, hookup.signals[supply_at])
    if supply in sparse and not main.off_screen:
        # what lies between two samples is no step of the scope
        own, every = sparse[supply]
        main = replace(main, raw=own, raw_rate_hz=waveform.rate_hz / every)
    trace = None
    if sync is not None and sync_at is not None and looks[sync].swing > 0 and not view.no_sync:
        sync_factor = scales[sync] if factor == scales[supply] else scales[supply]
        trace = thin_sync(waveform, sync, sync_factor, hookup.signals[sync_at])
    others = [i for i in supplies if i not in (supply, sync) and looks[i].swing > 0]
    second = None
    if others:
        raw, named = waveform.samples[others[0]], hookup.signals[others[0]]
        second = replace(main, level=np.empty(0), missing=None, raw=raw, scale=scales[others[0]], named=named)
        second = replace(second, off_screen=False)
    return Recognised(main, trace, swapped, second)


def _each_row(waveform: Waveform, wanted: set[int]) -> tuple[Waveform, dict[int, tuple[Samples, int]]]:
    """The same with channels of a lower rate (a sample in every n-th row) filled in; and by channel its own samples and
    n, where it is one of these."""
    filled, sparse = {}, {}
    for i in wanted:
        x = waveform.samples[i]
        if not np.isfinite(x.sum()):
            whole, every = filled_between(x)
            if every > 1:
                filled[i] = whole
                sparse[i] = (x[np.isfinite(x)], every)
    if not filled:
        return waveform, sparse
    samples = waveform.samples.copy()
    for i, whole in filled.items():
        samples[i] = whole
    return replace(waveform, samples=samples), sparse


def _scale(hookup: Hookup, index: int) -> float:
    scale = hookup.scales[index] if index < len(hookup.scales) else 1.0
    return float(scale) if np.isfinite(scale) and scale != 0 else 1.0


@dataclass(frozen=True, slots=True)
class _Look:
    """How a channel looks at a glance: `fast` = share of its variance that is faster than 20 ms, `peaky` =
    how far its farthest excursion stands out, in widths of its middle 98 %; `swing` and `middle` (median) in the
    file's units."""

    fast: float
    peaky: float
    swing: float
    middle: float = 0.0


def _like_a_battery(look: _Look, factor: float) -> bool:
    return 7.0 <= abs(look.middle * factor) <= 15.5


def _look(x: Samples, rate_hz: float) -> _Look:
    step = max(1, int(rate_hz / LOOK_RATE_HZ))
    # every step-th sample is enough for the slow part; the extremes need all of them, at 4 kHz or so
    few = x[::step].astype(np.float64)
    if not np.isfinite(few.sum()):
        few = few[np.isfinite(few)]
    if few.size < 16:
        return _Look(0.0, 0.0, 0.0)
    low, middle, high = ranked(few[:: max(1, few.size // 2000)], 0.01, 0.5, 0.99)
    width = min(max(3, int(0.02 * rate_hz / step)), few.size // 2)
    few -= few.mean()
    total = few.cumsum()
    slow = (total[width:] - total[:-width]) / width
    half = width // 2
    rest = few[half + 1 : half + 1 + slow.size] - slow
    spread = float(few @ few) / few.size
    fast = float(rest @ rest) / rest.size / spread if spread > 0 else 0.0
    top, bottom = float(np.fmax.reduce(x)), float(np.fmin.reduce(x))
    wide = max(high - low, 1e-9 * (abs(top) + abs(bottom)), 1e-12)
    peaky = float(max(top - middle, middle - bottom) / wide) if top > bottom else 0.0
    return _Look(fast, peaky, top - bottom, float(middle))


def _exchanged(supply: _Look, sync: _Look) -> bool:
    """Whether what the log calls supply is the pulse train and what it calls sync is not."""
    if sync.swing <= 0:
        return False
    pulses, quiet = supply.fast, sync.fast
    if pulses > 0.35 and quiet < 0.5 * pulses:
        return True
    return supply.peaky > 5.0 and supply.peaky > 3.0 * sync.peaky and pulses > 2.0 * quiet


def _present(x: Samples, named: str) -> Bools | None:
    """Which samples the file really has; None where it has all.

    A scope that loses samples leaves gaps, or zeros in a signal that lives far from zero: a battery's voltage, at
    rest and while cranking; a starter's current only where the whole record is cranking.
    """
    gaps = not np.isfinite(x.min())
    few = x[:: max(1, x.size // 2000)]
    few = few[np.isfinite(few)]
    if few.size == 0:
        return np.zeros(x.size, dtype=np.bool_)
    low, middle, high = ranked(few, 0.1, 0.5, 0.9)
    far = abs(middle) > 4.0 * (high - low)
    if named == SUPPLY_SIGNALS[0]:
        # a weak battery sinks by a third: nine tenths of all samples still lie on one side, well off zero
        far = far or (low > 0.4 * middle if middle > 0 else high < 0.4 * middle)
    zeros = far and bool(x.min() <= 0.02 * middle if middle > 0 else x.max() >= 0.02 * middle)
    if not gaps and not zeros:
        return None
    good = np.isfinite(x)
    if far:
        good &= np.abs(x) > abs(0.02 * middle)
    return good


def _edge_of_screen(x: Samples, good: Bools) -> float | None:
    """The screen's edge, where gaps begin and end at the highest (or lowest) value there is; else None."""
    gaps = np.flatnonzero(np.diff(good.astype(np.int8)))
    if gaps.size < 6:
        return None
    beside = x[np.where(good[gaps], gaps, gaps + 1)]
    present = x[good]
    low, high = float(present.min()), float(present.max())
    near = 0.06 * (high - low)
    for edge in (high, low):
        if float(np.mean(np.abs(beside - edge) <= near)) > 0.7:
            return edge
    return None


def thin_supply(waveform: Waveform, index: int, scale: float, named: str) -> Supply:
    """The supply channel, averaged in blocks to about 4 kHz, gaps bridged in a straight line."""
    x = waveform.samples[index]
    step = max(1, int(waveform.rate_hz / SUPPLY_RATE_HZ))
    missing: Bools | None = None
    good = _present(x, named)
    edge = _edge_of_screen(x, good) if good is not None else None
    if edge is not None:
        level = block_mean(np.where(np.isfinite(x), x, np.float32(edge)), step)
    elif good is not None:
        share = block_mean(good.astype(np.float32), step)
        total = block_mean(np.where(good, x, np.float32(0)), step)
        missing = np.asarray(share < 0.5)
        level = np.where(missing, np.nan, total / np.maximum(share, 1e-9))
        if missing.all():
            level[:] = 0.0
        elif missing.any():
            at = np.arange(level.size)
            level[missing] = np.interp(at[missing], at[~missing], level[~missing])
        else:
            missing = None
    else:
        level = block_mean(x, step)
    if scale != 1.0:
        level *= scale
    start_s = waveform.start_s + 0.5 * (step - 1) / waveform.rate_hz
    return Supply(
        level, missing, waveform.rate_hz / step, start_s, x, waveform.rate_hz, scale, named, edge is not None
    )


def thin_sync(waveform: Waveform, index: int, scale: float, named: str) -> SyncTrace:
    """Highest and lowest value of each block of about 0.1 ms; short gaps count as off the screen's top."""
    x = waveform.samples[index]
    step = max(1, int(waveform.rate_hz / SYNC_RATE_HZ))
    blocks = x.size // step
    if step == 1:
        high = low = x
    else:
        whole = x[: blocks * step]
        if step <= 16:
            high, low = whole[::step].copy(), whole[::step].copy()
            for k in range(1, step):
                np.fmax(high, whole[k::step], out=high)
                np.fmin(low, whole[k::step], out=low)
        else:
            square = whole.reshape(-1, step)
            high, low = square.max(axis=1), square.min(axis=1)
    high, low, lost, off = _off_screen(high, low, waveform.rate_hz / step, _no_row(waveform, index, step))
    factor = np.float32(scale * _upright(high, low, scale))
    if factor != 1.0:
        high, low = high * factor, low * factor
        if factor < 0:
            high, low = low, high
    rate_hz = waveform.rate_hz / step
    return SyncTrace(high, low, rate_hz, waveform.start_s, waveform.rate_hz, named, lost, off)


def _upright(high: Samples, low: Samples, scale: float) -> float:
    """-1 where the lead is the wrong way round: a primary rests at plus 12 V or so; a pickup jumps up first."""
    few = high[:: max(1, high.size // 2000)]
    middle, top, bottom = middle_of(few), float(high.max()), float(low.min())
    if abs(middle * scale) > 3.0:
        return -1.0 if middle * scale < 0 else 1.0
    return -1.0 if middle - bottom > 2.5 * (top - middle) else 1.0


def _no_row(waveform: Waveform, index: int, step: int) -> Bools | None:
    """Blocks in which no other channel has a sample either: the record has a gap there, not the pulse; None where
    the channel is whole or alone."""
    if waveform.channels < 2 or np.isfinite(waveform.samples[index].sum()):
        return None
    others = np.delete(waveform.samples, index, axis=0)
    none: Bools = np.asarray(~np.isfinite(others).any(axis=0))
    return np.asarray(none[: none.size // step * step].reshape(-1, step).any(axis=1))


def _off_screen(
    high: Samples, low: Samples, rate_hz: float, no_row: Bools | None
) -> tuple[Samples, Samples, float, bool]:
    """Missing samples in a pulse train are mostly pulses beyond the screen: put short ones at the top.

    Not those where the whole record has a gap.
    """
    lost = ~np.isfinite(high)
    if not lost.any():
        return high, low, 0.0, False
    high, low = high.copy(), low.copy()
    top, middle = np.nanmax(np.where(lost, np.nan, high)), np.nanmedian(high[~lost])
    edges = np.flatnonzero(np.diff(np.concatenate(([False], lost, [False])).astype(np.int8)))
    high[lost] = low[lost] = middle
    gaps, pulses = 0, 0
    for begin, end in edges.reshape(-1, 2)[:100_000].tolist():
        if end - begin <= max(1, 0.004 * rate_hz) and (no_row is None or not no_row[begin:end].any()):
            high[begin:end] = top
            pulses += end - begin >= max(2, OFF_SCREEN_S * rate_hz)
        else:
            gaps += end - begin
    return high, low, gaps / high.size, pulses >= 4
