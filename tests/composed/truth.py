"""What is true of a drawn capture, computed from what happened and what reached the screen, never from labels.

Every yes-or-no has a grey zone (None), in which neither answer counts. Definitions of the setup checks:

| check | holds where | holds not where |
| --- | --- | --- |
| no_sync | no ignition channel, or a pulse stands out in under 20 % of the cycles | over 80 %, 3 pulses |
| reversed_leads | battery clips the wrong way round (ripple's sign) | voltage on screen and right; clamp alone: right |
| swapped_channels | the log exchanges supply and ignition, both to be seen | it does not |
| too_short | under 3 cycles of cranking in the record before the first firing stroke | 6 and more |
| engine_started | 4 firing strokes or more in the record, and above 1.25 times the cranking speed | not one |
| weak_battery | posts below 8.5 V in the mean while cranking | above 9.8 V, dips above 9.3 V; or no volts |
| clipped | over 2 % of the supply's samples (all, or the crank's) at the screen's edge | none, nor the ignition |
| ac_coupled | battery channel's time constant below half the cranking time | DC |
| coarse_resolution | ripple (below) 1 to 4 codes (below one it is not to be seen) | over 12 |
| low_sample_rate | under 8 samples from firing to firing, or pulses lost between samples | over 25, and 3 to a pulse |

Grey: `too_short` over 4 s below 45 rpm, or with single firings that did not run the engine up; `clipped` where the rest
alone is cut off and its noise is under half a code: uncut it would stand as still.

Ripple: median over the firings of the supply's span from one compression top to the next, without noise, after
coupling and bandwidth. Relative compression of a cylinder: the mean over its compression tops in the window (key at
start, in the record, before the first firing stroke) of the peak pressure above ambient at the speed it was turned
with, in % of the median cylinder. An expert could read a capture where `se_pct` (what is left of noise, hum and
converter steps in one cylinder's ripple after the cycles' mean, in % of the ripple) and the rest of `_reading`'s
bounds hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipelines.kinds import EngineFamily, Hookup
from pipelines.waveform import Waveform
from tests.composed.capture import Record, logged_family, measured, record_of, saved
from tests.composed.engine import SPEEDS
from tests.composed.ignition import LOGIC_V
from tests.composed.naming import naming
from tests.composed.parameters import Drawn
from tests.composed.parts import DT, Top
from tests.composed.scope import coupled

Array = npt.NDArray[np.float64]
Answer = bool | None
WEAK_PCT = 88.0
EVEN_PCT = 96.0
STALLED_RPM, LONG_S = 45.0, 4.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What a reading is held against.

    Attributes:
        relative_pct: by cylinder, 100 is the median cylinder; NaN where nothing was cranked.
        readable: whether an expert could read it; None is grey; `why` says what stands against it.
        checks: each setup check's answer.
        weak: the cylinders that may rightly be called the lowest; empty where none is weak.
        nameable: whether the lowest is clear of the others and the capture readable.
        healthy: no fault, all within 4 % of the median.
        naming: `sync`, `pair`, `none`, or `grey` where pulses leave it open.
        log_wrong: what the log says wrongly.
        tops_s: compression tops in the window, by cylinder, on the file's time axis.
        cycles, crank_rpm, ripple, codes, se_pct, samples_per_firing: what the answers were computed from.
    """

    relative_pct: tuple[float, ...]
    readable: Answer
    why: tuple[str, ...]
    checks: dict[str, Answer]
    weak: tuple[int, ...]
    nameable: bool
    healthy: bool
    naming: str
    log_wrong: tuple[str, ...]
    tops_s: tuple[Array, ...]
    cycles: float
    crank_rpm: float
    ripple: float
    codes: float
    se_pct: float
    samples_per_firing: float


@dataclass(frozen=True, slots=True)
class _Facts:
    cycles: float
    longest: float
    tops: tuple[Top, ...]
    rpm: float
    crank_s: float
    firings: int
    ripple: float
    codes: float
    se_pct: float
    per_firing: float
    cut_crank: float
    cut_all: float
    pulses: float
    pulse_count: int
    given_shown: float
    mean_v: float
    dip_v: float


def grey(value: float, yes_below: float, no_above: float) -> Answer:
    """True below the first, False above the second, else None; NaN is None."""
    if value < yes_below:
        return True
    return False if value > no_above else None


def simulate(drawn: Drawn) -> tuple[Waveform, Hookup, EngineFamily, Truth]:
    """The capture as a reader gets it, and the truth."""
    record = record_of(drawn)
    waveform, hookup = saved(drawn, record)
    return waveform, hookup, logged_family(drawn), truth_of(drawn, record)


def truth_of(drawn: Drawn, record: Record) -> Truth:
    """All answers."""
    facts = _facts(drawn, record)
    relative = _relative(drawn, record, facts.tops)
    readable, why = _reading(drawn, facts)
    weak, clear = _weak(relative)
    checks = _checks(drawn, record, facts)
    shift = drawn.file.start_s - record.begin_s
    wrong = [
        name
        for name in ("cylinders", "style", "sync_cylinder")
        if getattr(drawn.log, name) and not (name != "cylinders" and drawn.ignition.watched == "none")
    ]
    return Truth(
        relative_pct=tuple(float(v) for v in relative),
        readable=readable,
        why=why,
        checks=checks,
        weak=weak,
        nameable=bool(weak) and clear and readable is True,
        healthy=not drawn.engine.fault_cylinders and bool(np.abs(relative - 100).max() <= 100 - EVEN_PCT),
        naming=naming(drawn, checks["no_sync"]),
        log_wrong=tuple(wrong),
        tops_s=tuple(
            np.array([t.time_s + shift for t in facts.tops if t.cylinder == c + 1])
            for c in range(drawn.engine.cylinders)
        ),
        cycles=facts.cycles,
        crank_rpm=facts.rpm,
        ripple=facts.ripple,
        codes=facts.codes,
        se_pct=facts.se_pct,
        samples_per_firing=facts.per_firing,
    )


def _window(record: Record) -> npt.NDArray[np.bool_]:
    course = record.course
    until = course.started_s if course.started_s is not None else 1e9
    inside = (course.time_s >= record.begin_s) & (course.time_s < min(record.end_s, until))
    return inside & course.turning


def _facts(drawn: Drawn, record: Record) -> _Facts:
    course = record.course
    window = _window(record)
    travelled = np.where(window, course.speed, 0.0) * DT * 180 / np.pi / 720
    runs = np.cumsum(np.diff(window.astype(int), prepend=0) == 1)
    each = np.bincount(runs, travelled) if window.any() else np.zeros(1)
    at = np.searchsorted(course.time_s, [t.time_s for t in course.tops])
    tops = tuple(t for t, k in zip(course.tops, at, strict=True) if window[min(int(k), window.size - 1)])
    crank_s = float(window.sum() * DT)
    cycles = float(each.sum())
    name = "voltage" if "voltage" in record.channels else "current"
    ripple = _ripple(drawn, record, name, tops)
    rpm = cycles * 120 / crank_s if crank_s else 0.0
    rate = drawn.scope.rate_hz / (2 if drawn.file.alternate and len(record.channels) > 1 else 1)
    per_firing = rate * crank_s / max(cycles * drawn.engine.cylinders, 1e-9) if cycles > 0.2 else float("nan")
    seen = record.channels[name]
    times = record.begin_s + record.step_s * np.arange(seen.cut.size)
    crank = np.interp(times, course.time_s, window.astype(float)) > 0.5
    noise = _noise(drawn, record, name)
    averaged = max(per_firing / 4 * max(cycles, 1.0), 1.0) if np.isfinite(per_firing) else 1.0
    shown, count, given_shown = _pulses_shown(drawn, record)
    return _Facts(
        cycles=cycles,
        longest=float(each.max()),
        tops=tops,
        rpm=rpm,
        crank_s=crank_s,
        firings=sum(t.fired and record.begin_s <= t.time_s < record.end_s for t in course.tops),
        ripple=ripple,
        codes=ripple / seen.code,
        se_pct=100 * noise * 2**0.5 / max(ripple, 1e-12) / averaged**0.5,
        per_firing=per_firing,
        cut_crank=float(seen.cut[crank].mean()) if crank.any() else 0.0,
        cut_all=float(seen.cut.mean()),
        pulses=shown,
        pulse_count=count,
        given_shown=given_shown,
        mean_v=float(course.volts[window].mean()) if window.any() else float("nan"),
        dip_v=float(np.quantile(course.volts[window], 0.05)) if window.any() else float("nan"),
    )


def _ripple(drawn: Drawn, record: Record, name: str, tops: tuple[Top, ...]) -> float:
    course = record.course
    smooth = measured(drawn, course)[name]
    out = coupled(getattr(drawn.scope, name), smooth, DT, float(smooth[0]))
    at = np.searchsorted(course.time_s, [t.time_s for t in tops])
    spans = []
    for a, b in pairwise(at.tolist()):
        if b - a < 3 or b - a > 5000:
            continue
        piece = out[a : b + 1]
        spans.append(float(np.ptp(piece - np.linspace(piece[0], piece[-1], piece.size))))
    return float(np.median(spans)) if spans else 0.0


def _noise(drawn: Drawn, record: Record, name: str) -> float:
    channel = getattr(drawn.scope, name)
    window = _window(record)
    mean_a = float(record.course.current_a[window].mean()) if window.any() else 0.0
    starter = drawn.starter
    rough = mean_a * (starter.brush_noise_share**2 + starter.commutation_share**2 / 2) ** 0.5
    if name == "voltage":
        rough *= drawn.battery.ohm
    code = record.channels[name].code
    return float((channel.noise**2 + channel.hum**2 / 2 + rough**2 + code**2 / 12) ** 0.5)


def _rest_noise(drawn: Drawn, voltage: bool) -> float:
    """Standard deviation of the supply channel while nothing cranks, without the converter, in V or A."""
    channel = drawn.scope.voltage if voltage else drawn.scope.current
    loads = drawn.loads
    share = (loads.pwm_duty * (1 - loads.pwm_duty)) ** 0.5
    pulsed = loads.pwm_a * share * (drawn.battery.ohm if voltage else float(drawn.scope.clamp_on_battery))
    return float((channel.noise**2 + channel.hum**2 / 2 + pulsed**2) ** 0.5)


def _pulses_shown(drawn: Drawn, record: Record) -> tuple[float, int, float]:
    """Share of the crank's cycles with a pulse that stands out on screen, how many do, and of how many given."""
    if "ignition" not in record.channels:
        return 0.0, 0, 1.0
    course, ignition = record.course, drawn.ignition
    seen = record.channels["ignition"]
    window = _window(record)
    inside = np.interp(record.sparks.own_s, course.time_s, window.astype(float)) > 0.5
    wanted = max(2 * drawn.scope.ignition.noise, 1.5 * seen.code)
    before = ignition.on_time_s if ignition.watched == "injector" else ignition.dwell_s
    shown: list[float] = []
    for t0 in record.sparks.own_s[inside]:
        a, b = (np.array([t0 - 1.2 * before, t0 + ignition.burn_s]) - record.begin_s) / record.step_s
        near = seen.values[max(int(a), 0) : max(int(b) + 2, 0)]
        near = near[np.isfinite(near)]
        if near.size > 1 and np.ptp(near) >= wanted + 4 * drawn.scope.ignition.noise:
            shown.append(float(t0))
    cycle = np.interp(shown, course.time_s, course.angle_deg) // 720
    total = float(np.sum(np.where(window, course.speed, 0.0)) * DT * 180 / np.pi / 720)
    given = len(shown) / inside.sum() if inside.any() else 1.0
    return float(min(np.unique(cycle).size / max(total, 1.0), 1.0)), len(shown), float(given)


def _relative(drawn: Drawn, record: Record, tops: tuple[Top, ...]) -> Array:
    peaks = record.course.tables.peak_pa
    out = np.full(drawn.engine.cylinders, np.nan)
    for c in range(out.size):
        own = [
            float(np.interp(t.speed, SPEEDS, peaks[t.variant, :, c])) * (1 + t.scatter)
            for t in tops
            if t.cylinder == c + 1
        ]
        if own:
            out[c] = np.mean(own)
    if np.isnan(out).any():
        return np.full(out.size, np.nan)
    return np.asarray(100 * out / np.median(out))


def _weak(relative: Array) -> tuple[tuple[int, ...], bool]:
    """Cylinders within 4 % of the lowest, where that is weak; and whether all others are 8 % and more above it."""
    if np.isnan(relative).any() or relative.min() > WEAK_PCT:
        return (), False
    over = relative - relative.min()
    near = tuple(int(c) + 1 for c in np.flatnonzero(over <= 4.0))
    return near, bool(np.all((over <= 4.0) | (over >= 8.0)))


def _reading(drawn: Drawn, facts: _Facts) -> tuple[Answer, tuple[str, ...]]:
    """Whether an expert could read it: no where one bound fails, grey where one is near."""
    firing_s = 60 / max(facts.rpm, 1e-3) * 2 / drawn.engine.cylinders
    loads = drawn.loads
    slow_pwm = loads.pwm_a * drawn.battery.ohm if loads.pwm_hz < 5 / firing_s else 0.0
    channel = drawn.scope.voltage if drawn.scope.supply != "current" else drawn.scope.current
    bounds = (
        ("cycles", -facts.longest, -4.5, -3.0),
        ("rate", -facts.per_firing, -16.0, -8.0),
        ("codes", -facts.codes, -2.5, -0.7),
        ("noise", facts.se_pct, 3.0, 8.0),
        ("cut off", facts.cut_crank, 0.02, 0.25),
        ("gaps", drawn.file.gap_share, 0.05, 0.5),
        ("coupling", -channel.ac_tau_s / firing_s if channel.ac_tau_s else -9.0, -0.2, 0.0),
        ("pulsed load", slow_pwm / max(facts.ripple, 1e-9) if facts.ripple else 0.0, 0.5, 1e9),
        ("log's cylinders", float(bool(drawn.log.cylinders)), 0.5, 2.0),
        ("log's style", float(bool(drawn.log.style)), 0.5, 2.0),
    )
    answers = [(name, grey(value, yes, no)) for name, value, yes, no in bounds]
    why = tuple(name if answer is False else f"{name}?" for name, answer in answers if answer is not True)
    if any(answer is False for _, answer in answers):
        return False, why
    return (None, why) if why else (True, ())


def _checks(drawn: Drawn, record: Record, facts: _Facts) -> dict[str, Answer]:
    """Each setup check's answer, by the table above."""
    voltage = "voltage" in record.channels
    ignition = "ignition" in record.channels
    v = drawn.scope.voltage
    cranked = facts.cycles > 1.0
    visible = facts.codes > 2 and facts.se_pct < 5 and facts.longest > 3
    cut_ignition = ignition and bool(record.channels["ignition"].cut.any())
    no_sync: Answer = True
    if ignition and (drawn.ignition.watched == "injector" or facts.longest < 3.0):
        no_sync = None
    elif ignition:
        no_sync = grey(facts.pulses, 0.2, 0.8) if facts.pulse_count >= 3 or facts.pulses < 0.2 else None
        if drawn.ignition.neighbours > 0.4 or drawn.scope.ignition.ac_tau_s or facts.pulse_count in (1, 2):
            no_sync = None if no_sync is True and facts.pulse_count else no_sync
    reversed_leads: Answer = False
    if voltage and v.sign < 0:
        reversed_leads = True if visible else None
    elif (voltage and not visible) or (not voltage and drawn.scope.current.sign < 0):
        reversed_leads = None
    cut = max(facts.cut_crank, facts.cut_all)
    clipped: Answer = True if cut > 0.02 else (None if cut > 0 or cut_ignition else False)
    if clipped and (v if voltage else drawn.scope.current).clip_nan:
        clipped = None  # nothing written may as well be a gap
    code = record.channels["voltage" if voltage else "current"].code
    if clipped and facts.cut_crank < 0.02 and _rest_noise(drawn, voltage) < 0.5 * code:
        clipped = None  # a rest within one code stands as still on the screen as at its edge
    ac: Answer = False
    if voltage and v.ac_tau_s:
        ac = True if v.ac_tau_s < 0.5 * facts.crank_s else None
    elif (voltage and v.taken_off) or (not voltage and drawn.scope.current.ac_tau_s):
        ac = None
    known = voltage and not v.ac_tau_s and not v.taken_off and v.scale_error == 1.0 and cut < 0.02
    weak = grey(facts.mean_v, 8.5, 9.8)
    if weak is False and facts.dip_v < 9.3:
        weak = None
    low = grey(facts.per_firing, 8.0, 25.0)
    width = drawn.ignition.pulse_s if drawn.ignition.watched == "pickup" else drawn.ignition.dwell_s
    if low is False and ignition and (facts.pulses < 0.9 or width < 3 * record.step_s):
        # Some pulses fell between two samples and some did not: the rate is too low for them, for all to see.
        between = width < 1.2 * record.step_s and 0.15 < facts.given_shown < 0.85 and facts.pulse_count >= 3
        low = True if between else None
    too_short = grey(facts.cycles, 3.0, 6.0)
    if too_short is False and (facts.longest < 6.0 or not visible):
        too_short = None
    if too_short and facts.firings and _top_speed(record) < 1.25 * facts.rpm:
        too_short = None  # single strokes fired, but the starter went on cranking
    if too_short and facts.rpm < STALLED_RPM and facts.crank_s > LONG_S:
        too_short = None  # cranked for long enough: it hardly turned
    return {
        "no_sync": no_sync if cranked else None,
        "reversed_leads": reversed_leads,
        "swapped_channels": _swapped(drawn, facts, ignition),
        "too_short": too_short,
        "engine_started": _started(drawn, record, facts, visible),
        "weak_battery": weak if known else (None if voltage else False),
        "clipped": clipped,
        "ac_coupled": ac,
        "coarse_resolution": grey(facts.codes, 4.0, 12.0) if cranked and facts.codes >= 1.0 else None,
        "low_sample_rate": low,
    }


def _swapped(drawn: Drawn, facts: _Facts, ignition: bool) -> Answer:
    if not ignition or facts.codes < 2 or facts.longest < 3:
        return None if ignition and drawn.log.swapped else False
    if drawn.log.swapped:
        # On a coarse screen a logic level and a battery's ripple look alike.
        plain = drawn.ignition.watched == "trigger" and drawn.scope.ignition.high <= LOGIC_V * 10
        return True if facts.pulses > 0.5 and (drawn.ignition.watched != "trigger" or plain) else None
    return False


def _top_speed(record: Record) -> float:
    """Highest speed at a compression top in the record, in rpm."""
    tops = (t.speed for t in record.course.tops if record.begin_s <= t.time_s < record.end_s)
    return max(tops, default=0.0) * 60 / (2 * np.pi)


def _started(drawn: Drawn, record: Record, facts: _Facts, visible: bool) -> Answer:
    if not facts.firings and drawn.crank.ran_until_s is None:
        return False
    clear = facts.firings >= 4 and _top_speed(record) > 1.25 * facts.rpm and facts.cycles > 1 and visible
    return True if clear and drawn.crank.ran_until_s is None else None
