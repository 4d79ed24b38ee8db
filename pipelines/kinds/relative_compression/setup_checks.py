"""What was wrong with the hookup, each with a sentence that says what to do next time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from pipelines.kinds.base import Check, Hookup, Severity
from pipelines.kinds.relative_compression.clipping import CutOff, sentence
from pipelines.kinds.relative_compression.front import Front
from pipelines.kinds.relative_compression.started import engine_started
from pipelines.kinds.relative_compression.stretch import BATTERY_V, LOOK_HZ, PLAUSIBLE_REST_V, find_cranking
from pipelines.kinds.relative_compression.values import block_mean, middle_of, rows_a_sample

FEW_CYCLES, FEW_WITHOUT_SYNC = 4.2, 3.5
SURELY_BRIEF_S = 2.0  # six cycles at 360 rpm
FEWEST_WHOLE = 3
WEAK_MEAN_V = 9.6  # common practice at about 21 C, no source: the published 9.6 V belongs to a 15 s load test
WEAK_REST_V = 11.89  # 0 % charge of a flooded 12 V battery at 26.7 C, table credited to BCI
COARSE_STEPS = 4.0  # the ripple should span more steps than this
SLOW_RATE_HZ = 900.0
PULSE_RATE_HZ = 600.0  # below, a pulse of a millisecond falls between samples more often than not
FEW_SAMPLES = 14.0  # from firing to firing
BRIEF_S = 1.6  # three cycles at 225 rpm
UNLIKELY_CYCLE_S, LONG_CRANK_S = 1.8, 4.5
NEAR_STALL_S = 1.5  # length of a cycle at 80 rpm
MISSED_SHARE = 0.08
MISSES_BELOW_HZ = 6000.0
WIDE_SAMPLES = 3.0
LOWEST_CRANK_V, HIGHEST_12_V = 5.5, 15.2


@dataclass(slots=True)
class _Said:
    """Checks as they come up."""

    found: list[Check] = field(default_factory=list)

    def say(self, check: str, severity: Severity, detail: str) -> None:
        self.found.append(Check(check, severity, detail))


def setup_checks(front: Front, hookup: Hookup, cylinders: int, cut: CutOff) -> tuple[Check, ...]:
    """Every setup check that failed, the gravest first; `cut`: what `clipping.cut_off` says of the supply."""
    said = _Said()
    clip = sentence(cut)
    unread = front.cycles.count < 2
    supply = front.channels.supply
    brief = supply.level.size < SURELY_BRIEF_S * supply.rate_hz
    # a cut signal hides the cranking, but no record so brief holds enough of it
    # pulses count the cycles whatever was cut off, and what is cut off under load is cranking
    loaded_s = max(cut.share * supply.level.size / supply.rate_hz, cranked_s(front))
    told = brief or front.sync is not None or (cut.loaded and loaded_s < BRIEF_S)
    short = "" if clip and unread and not told else _too_short(front)
    if short:
        said.say("too_short", "unusable" if unread else "warning", short)
    _channels(said, front, hookup, unread=unread)
    _cut_off(said, front, clip, unread=unread)
    _engine(said, front, cylinders, clipped=bool(clip))
    order = {"unusable": 0, "warning": 1, "note": 2}
    return tuple(sorted(said.found, key=lambda c: order[c.severity]))


def _what(front: Front) -> str:
    return "starter current" if front.cranking.nature == "current" else "battery voltage"


def _channels(said: _Said, front: Front, hookup: Hookup, *, unread: bool) -> None:
    """Which lead is where, which way round, and how it is coupled."""
    cranking, what = front.cranking, _what(front)
    current = cranking.nature == "current"
    if front.channels.swapped:
        said.say(
            "swapped_channels",
            "warning",
            "The channels are exchanged: what the log calls the supply carries the sync pulses. Read the other "
            "way round; next time connect them as logged, or correct ch1_signal and ch2_signal.",
        )
    if cranking.upside_down and cranking.spans:
        said.say(
            "reversed_leads",
            "warning",
            "The current clamp points the other way: turn it so that its arrow follows the current; the signal "
            "was turned over for reading."
            if current
            else "The battery leads are reversed: red to the positive post, black to the negative; the signal was "
            "turned over for reading.",
        )
    elif _other_reversed(front):
        said.say(
            "reversed_leads",
            "note",
            "The battery leads are reversed: red to the positive post, black to the negative. The other supply channel "
            "was read.",
        )
    if cranking.ac_coupled and cranking.spans:
        said.say(
            "ac_coupled",
            "warning",
            f"The {what} channel is AC coupled, so its level is lost and slow parts are bent: set the channel to "
            "DC coupling.",
        )
    elif _other_coupled(front):
        said.say(
            "ac_coupled",
            "note",
            "The battery voltage channel is AC coupled, so volts are not known: set the channel to DC coupling. The "
            "other supply channel was read.",
        )
    if front.wrong_signal:
        said.say("wrong_sync_signal", "warning", front.wrong_signal)
    elif (
        front.sync is None
        and cranking.spans
        and (not unread or front.channels.sync is None or silent_sync(front))
    ):
        said.say("no_sync", "warning", _no_sync(front, hookup))


def _other_reversed(front: Front) -> bool:
    """Whether the second of two supply channels is a battery's the wrong way round."""
    other = front.channels.other
    if other is None or other.named != "battery_voltage":
        return False
    few = other.raw[:: max(1, other.raw.size // 2000)]
    few = few[np.isfinite(few)]
    return few.size > 0 and -BATTERY_V[1] < middle_of(few) * other.scale < -BATTERY_V[0]


def _other_coupled(front: Front) -> bool:
    """Whether the second of two supply channels is a battery's with its steady part taken away by the scope."""
    other = front.channels.other
    if other is None or other.named != "battery_voltage" or not front.cranking.spans:
        return False
    step = max(1, int(other.raw_rate_hz / LOOK_HZ))
    raw = other.raw[np.isfinite(other.raw)]
    look = replace(
        other, level=other.scale * block_mean(raw, step), rate_hz=other.raw_rate_hz / step, missing=None
    )
    found = find_cranking(look)
    return found.ac_coupled and bool(found.spans)


def _cut_off(said: _Said, front: Front, clip: str, *, unread: bool) -> None:
    """What the screen cut off."""
    if clip:
        said.say("clipped", "unusable" if unread else "warning", clip)
    elif front.sync is not None and front.sync.cut_off:
        pickup = front.channels.sync is not None and front.channels.sync.named == "ignition_pickup"
        said.say(
            "clipped",
            "note",
            "The pickup's pulses are cut off at the screen's top, which does no harm to this reading: choose a larger "
            "range, or set the pickup farther from the spark lead."
            if pickup
            else "The sync pulses are cut off at the screen's top: put a 10:1 or 20:1 attenuator on the coil primary "
            "(it reaches several hundred volts and can destroy an input) and choose a range that holds the pulse.",
        )


def _engine(said: _Said, front: Front, cylinders: int, *, clipped: bool) -> None:
    """What the engine and its battery did, and whether the scope was set finely enough to see it."""
    cranking, what = front.cranking, _what(front)
    started = engine_started(front)
    if started:
        said.say(
            "engine_started",
            "warning",
            "The engine started during the record; only the cranking before that is used. Disable fuel or ignition "
            "as the vehicle maker's service information says, and crank again.",
        )
    weak = _weak(front, clipped=clipped)
    if weak:
        said.say("weak_battery", "warning", weak)
    step = front.step
    if step > 0 and front.cycles.count:
        swing = firing_ripple(front, cylinders)
        if swing < COARSE_STEPS * step:
            said.say(
                "coarse_resolution",
                "warning",
                f"The ripple spans only {swing / step:.1f} steps of the scope: choose the smallest range that holds "
                f"the {what} (or subtract an offset), or a scope mode with more bits.",
            )
    slow = _slow(front, cylinders, started=started)
    if slow:
        said.say("low_sample_rate", "warning", slow)
    turns = front.cycles.count > 1 and front.cycles.coherence > 0.5
    if turns and middle_of(front.cycles.lengths_s) > NEAR_STALL_S:
        said.say(
            "near_stall",
            "warning",
            f"The engine is cranked at only {120.0 / middle_of(front.cycles.lengths_s):.0f} rpm, near standstill: each "
            "compression leaks while it is made, and every figure is doubtful. Charge the battery, check cables and "
            "starter, warm the engine, then crank again.",
        )
    if wrong_gain(front) and not clipped:
        said.say(
            "off_house_setup",
            "warning",
            f"The battery rests at {cranking.rest:.3g} V by this log: the scale is off by a factor. Set the "
            "attenuator's factor in the scope and in ch1_scale alike; relative figures are not affected.",
        )


def firing_ripple(front: Front, cylinders: int) -> float:
    """Usual swing of the mean cycle from one firing to the next, in V or A; 0 without cycles.

    The median over windows of one firing's length: a dead cylinder must not pass for a tall ripple.
    """
    if not front.cycles.count:
        return 0.0
    cycle = front.cycles.typical
    width = max(2, cycle.size // cylinders)
    windows = np.concatenate((cycle, cycle[: width - 1]))
    piece = np.lib.stride_tricks.sliding_window_view(windows, width)[::2]
    return middle_of(piece.max(axis=1) - piece.min(axis=1))


def cranked_s(front: Front) -> float:
    """Length of the cranking stretches in s."""
    return sum(b - a for a, b in front.cranking.spans) / front.channels.supply.rate_hz


def _too_short(front: Front) -> str:
    cycles = cranked_s(front) / front.cycle_s if np.isfinite(front.cycle_s) else 0.0
    if not front.cranking.spans:
        return (
            "No cranking is seen on the record: start the recording first, then crank for about ten seconds "
            "with fuel or ignition disabled as the vehicle maker's service information says."
        )
    # a long crank of which the ripple makes hardly a cycle is not short: no cycle was made out
    unseen = front.sync is None and front.cycle_s > UNLIKELY_CYCLE_S and cranked_s(front) > LONG_CRANK_S
    unseen = unseen and (front.cycles.count < 2 or front.cycles.coherence < 0.5)
    few = FEW_CYCLES if front.sync is not None else FEW_WITHOUT_SYNC
    if cranked_s(front) < SURELY_BRIEF_S and not front.cranking.ac_coupled:
        few = np.inf
    if not unseen and (cycles < few or front.cycles.count < 2 or front.cycles.seen < FEWEST_WHOLE):
        return (
            f"Cranking lasts {cranked_s(front):.1f} s, about {cycles:.1f} engine cycles: crank for about ten "
            "seconds, so that every cylinder is seen many times."
        )
    return ""


def _no_sync(front: Front, hookup: Hookup) -> str:
    wanted = any(s.startswith("ignition_") for s in hookup.signals)
    if not wanted or front.channels.sync is None:
        return (
            "There is no sync signal, so a low cylinder is seen but cannot be named: connect a second channel to "
            "the ignition primary (through an attenuator) or a pickup of one known cylinder."
        )
    return (
        "The sync channel shows no regular pulses, so a low cylinder is seen but cannot be named: check that the "
        "lead sits on the coil's switched side (through an attenuator), and sample at 5 kS/s or faster."
    )


def _weak(front: Front, *, clipped: bool) -> str:
    c = front.cranking
    if c.nature != "voltage" or c.ac_coupled or c.shifted or not c.spans or wrong_gain(front):
        return ""
    if front.cycles.count:
        mean_v = middle_of(front.cycles.level)
    else:
        mean_v = float(np.concatenate([c.load_down[a:b] for a, b in c.spans]).mean())
    cells = 2.0 if mean_v > HIGHEST_12_V else 1.0  # two 12 V batteries in row
    if mean_v + 0.5 * front.step < cells * WEAK_MEAN_V:
        return (
            f"The battery holds only {mean_v:.1f} V on average while cranking (below {cells * WEAK_MEAN_V:.1f} V at "
            "about 21 C is weak by common practice): charge and test it first, slow and uneven cranking blurs the "
            "reading."
        )
    holds = mean_v > cells * (WEAK_MEAN_V + 0.2)  # a crank is a load test, whatever else pulls the rest down
    if c.rest + 0.5 * front.step < cells * WEAK_REST_V and not clipped and not holds:
        return (
            f"The battery rests at {c.rest:.2f} V, that is discharged: charge and test it, then crank again."
        )
    return ""


def _slow(front: Front, cylinders: int, *, started: bool) -> str:
    """Pulses or ripple too thinly sampled: pulses that fall between two samples, few samples from firing to firing."""
    rows = rows_a_sample(front.channels.supply.raw)
    rate = front.channels.supply.raw_rate_hz / rows
    sync = front.channels.sync
    a_firing = rate * front.cycle_s / cylinders if np.isfinite(front.cycle_s) else np.inf
    if a_firing < FEW_SAMPLES:
        return (
            f"The file holds {rate:.0f} samples a second, about {a_firing:.0f} from firing to firing: the ripple's "
            "shape is lost. Sample at 5 kS/s or faster."
        )
    if _between_samples(front, rows):
        return (
            f"At {rate:.0f} samples a second the pickup's pulses are one sample wide, and as many fall between two of "
            "them: sample at 20 kS/s or faster, or switch on the scope's peak detection."
        )
    missed = front.sync.scattered if front.sync is not None else 0.0
    gaps = started or front.channels.supply.missing is not None or (sync is not None and sync.lost > 0)
    limit = PULSE_RATE_HZ if front.sync is not None or front.cycles.count < 2 else 2.0 * SLOW_RATE_HZ
    if sync is not None and rate < limit and not _dwells_seen(front, rows):
        return (
            f"The file holds {rate:.0f} samples a second: sync pulses, which last about a millisecond, fall between "
            "them. Sample at 5 kS/s or faster."
        )
    seen = sum(times.size for times, _ in front.sync.spans) if front.sync is not None else 0
    count = seen * missed / max(1.0 - missed, 1e-9)
    if (
        missed > MISSED_SHARE
        and count > 1.5
        and rate < MISSES_BELOW_HZ
        and not gaps
        and not _dwells_seen(front, rows)
    ):
        return (
            f"{100 * missed:.0f} % of the sync pulses were missed at {rate:.0f} samples a second; their places were "
            "counted in. Sample at 10 kS/s or faster, or switch on the scope's peak detection."
        )
    return ""


def _between_samples(front: Front, rows: int) -> bool:
    """Whether a pickup's pulses are one sample wide: its burst is as brief as the time between two samples."""
    trace = front.channels.sync
    if trace is None or trace.named != "ignition_pickup" or trace.rate_hz != trace.narrow_rate_hz:
        return False
    first = next((t for t in front.trains if t.times_s.size >= FEWEST_WHOLE), None)
    return first is not None and first.width <= rows


def silent_sync(front: Front) -> bool:
    """Whether the sync channel shows no pulses, whatever was made of the ripple: not three in three cycles' time."""
    return cranked_s(front) >= BRIEF_S and not any(t.times_s.size >= FEWEST_WHOLE for t in front.trains)


def _dwells_seen(front: Front, rows: int) -> bool:
    """Whether a coil's dwells, or a trigger's pulses, are several samples long, so that none falls between two."""
    return any(
        t.times_s.size >= FEWEST_WHOLE and (t.dwells or t.width >= WIDE_SAMPLES * rows) for t in front.trains
    )


def wrong_gain(front: Front) -> bool:
    """Whether no 12 V or 24 V battery can show the levels seen."""
    c = front.cranking
    if c.nature != "voltage" or c.ac_coupled or c.shifted or not c.spans:
        return False
    low, high = PLAUSIBLE_REST_V
    rest = c.rest if np.isfinite(c.rest) else c.after
    if np.isfinite(rest):
        return not (low <= rest <= high or 2 * low <= rest <= 2 * high)
    if not front.cycles.count:
        return False
    mean_v = middle_of(front.cycles.level)
    return not (LOWEST_CRANK_V <= mean_v <= HIGHEST_12_V or 2 * LOWEST_CRANK_V <= mean_v <= 2 * HIGHEST_12_V)
