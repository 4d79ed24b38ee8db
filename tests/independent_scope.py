"""What a scope saves of a simulated crank: coil primaries, coil loads, front end, quantisation, faults of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import lfilter

from tests.independent_cranking import Array, CrankRun, Engines

SyncStyle = Literal["coil_on_plug", "waste_spark", "distributor"]


@dataclass(frozen=True, slots=True)
class Motion:
    """One engine's crank on the record's own time axis, the starter switch closing at `switch_s`.

    Attributes:
        time_s, crank_deg, battery_v, starter_a: as simulated.
        tdc_s: by cylinder, times of its compression top dead centres in the motion.
        rest_v: battery voltage before; solenoid_v, solenoid_a: during pull-in, which takes `solenoid_s`.
        recovery_v, recovery_s: what is still missing to rest after the motion, by relaxation branch.
        source_ohm: battery resistance, for the loads of the coils.
        release_s: starter switched off.
    """

    switch_s: float
    time_s: Array
    crank_deg: Array
    battery_v: Array
    starter_a: Array
    tdc_s: tuple[Array, ...]
    rest_v: float
    solenoid_v: float
    solenoid_a: float
    solenoid_s: float
    recovery_v: Array
    recovery_s: Array
    source_ohm: float
    release_s: float

    def passes(self, angle_deg: float) -> Array:
        """Times at which the crank passes `angle_deg` (mod 720), while it turns."""
        first, last = self.crank_deg[0], self.crank_deg[-1]
        turns = np.arange(np.ceil((first - angle_deg) / 720), np.floor((last - angle_deg - 1e-6) / 720) + 1)
        moving = np.concatenate([[True], np.diff(self.crank_deg) > 0])
        return np.asarray(np.interp(angle_deg + 720 * turns, self.crank_deg[moving], self.time_s[moving]))

    def battery_at(self, t: Array) -> Array:
        """Battery voltage at times `t`, before coil loads."""
        v = np.interp(t, self.time_s, self.battery_v)
        begin = self.switch_s + self.solenoid_s
        v = np.where(t < begin, np.where(t < self.switch_s, self.rest_v, self.solenoid_v), v)
        late = np.maximum(t - self.time_s[-1], 0)[:, None]
        after = self.rest_v - (self.recovery_v * np.exp(-late / self.recovery_s)).sum(-1)
        return np.where(t > self.time_s[-1], np.minimum(after, 14.4), v)

    def starter_at(self, t: Array) -> Array:
        """Starter current at times `t`, the solenoid's pull-in included."""
        a = np.interp(t, self.time_s, self.starter_a, right=0.0)
        begin = self.switch_s + self.solenoid_s
        return np.where(t < begin, np.where(t < self.switch_s, 0.0, self.solenoid_a), a)


def motion_of(e: Engines, run: CrankRun, row: int, switch_s: float, end_s: float) -> Motion:
    """Row `row` of a batch as a motion whose switch closes at `switch_s`; cut `end_s` after the contact."""
    begin = switch_s + float(e.solenoid_s[row])
    keep = run.time_s[:, row] <= end_s
    still = np.flatnonzero(run.speed_rad_s[keep, row] == 0.0)
    count = int(still[0]) + 1 if still.size else int(keep.sum())
    time = run.time_s[:count, row] + begin
    volts = run.battery_v[:count, row]
    rest = float(e.ocv_v[row] - e.battery_ohm[row] * e.accessory_a[row])
    missing = np.array([rest - volts[-1]]) if volts[-1] < rest else np.zeros(1)
    motion = Motion(
        switch_s=switch_s,
        time_s=time,
        crank_deg=run.crank_deg[:count, row],
        battery_v=volts,
        starter_a=run.starter_a[:count, row],
        tdc_s=(),
        rest_v=rest,
        solenoid_v=rest - float(e.battery_ohm[row] * e.solenoid_a[row]),
        solenoid_a=float(e.solenoid_a[row]),
        solenoid_s=float(e.solenoid_s[row]),
        recovery_v=missing,
        recovery_s=e.branch_s[row, 1:],
        source_ohm=float(e.battery_ohm[row]),
        release_s=begin + float(e.release_s[row]),
    )
    cylinders = int(e.exists[row].sum())
    tops = tuple(motion.passes(float(e.tdc_deg[row, c])) for c in range(cylinders))
    return replace(motion, tdc_s=tops)


@dataclass(frozen=True, slots=True)
class Ignition:
    """How the engine sparks and how the sync coil's primary looks.

    Attributes:
        style: which cylinders share the watched coil.
        advance_deg: spark before top dead centre (negative: after it).
        dwell_s, coil_a: charging time and the current it reaches.
        strikes, strike_gap_s: sparks of one event and their spacing.
        spike_v, spike_s: height and decay of the kick at switch-off.
        burn_v, burn_s: level above battery and length of the burning.
        ring_v, ring_s, ring_hz: ringing when the spark goes out.
        blind_deg: crank angle turned before the first spark (the controller is finding its place).
        missing_share: share of events without any spark.
        narrow: a pickup on the secondary instead of the primary: short pulses on a zero line.
    """

    style: SyncStyle = "coil_on_plug"
    advance_deg: float = 5.0
    dwell_s: float = 0.004
    coil_a: float = 7.0
    strikes: int = 2
    strike_gap_s: float = 0.003
    spike_v: float = 350.0
    spike_s: float = 30e-6
    burn_v: float = 25.0
    burn_s: float = 0.0012
    ring_v: float = 12.0
    ring_s: float = 0.0004
    ring_hz: float = 2500.0
    blind_deg: float = 500.0
    missing_share: float = 0.0
    narrow: bool = False


def spark_events(motion: Motion, e: Engines, row: int, ign: Ignition) -> list[list[float]]:
    """By cylinder, the times of its (first) spark in every engine cycle, blind angle left out."""
    open_from = float(np.interp(motion.crank_deg[0] + ign.blind_deg, motion.crank_deg, motion.time_s))
    events = []
    for c in range(len(motion.tdc_s)):
        times = motion.passes(float(e.tdc_deg[row, c]) - ign.advance_deg)
        if ign.style == "waste_spark":
            times = np.sort(np.r_[times, motion.passes(float(e.tdc_deg[row, c]) - ign.advance_deg + 360)])
        events.append([float(t) for t in times if open_from < t < motion.time_s[-1] - 0.005])
    return events


def primary_shape(tau: Array, battery: Array, ign: Ignition, kick: float, strikes: int) -> Array:
    """Voltage of the coil's switched terminal at `tau` seconds from the first spark of one event."""
    v = battery.copy()
    for strike in range(strikes):
        x = tau - strike * ign.strike_gap_s
        dwell = ign.dwell_s if strike == 0 else ign.strike_gap_s - ign.burn_s
        low = (x >= -dwell) & (x < 0)
        v[low] = 0.4 + 1.1 * (x[low] + dwell) / dwell
        on = x >= 0
        y = x[on]
        burning = y < ign.burn_s
        w = battery[on] + np.where(burning, ign.burn_v * (1 - 0.25 * y / ign.burn_s), 0.0)
        w += kick * np.exp(-y / ign.spike_s)
        out = np.maximum(y - ign.burn_s, 0)
        w += np.where(
            burning, 0.0, ign.ring_v * np.exp(-out / ign.ring_s) * np.cos(2 * np.pi * ign.ring_hz * out)
        )
        v[on] = w
    return v


def pickup_shape(tau: Array, ign: Ignition, kick: float) -> Array:
    """A clamp on the spark lead: one short swing and its ringing around zero."""
    y = np.maximum(tau, 0)
    return np.where(
        tau >= 0, 0.03 * kick * np.exp(-y / (4 * ign.spike_s)) * np.cos(2 * np.pi * 6000 * y), 0.0
    )


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """One channel of a scope. `full_scale_v` is the screen's half height: the range is +- that.

    `white_rms` and `pink_rms` are in parts of full scale; `attenuation` divides the signal before the scope.
    """

    bits: int = 10
    full_scale_v: float = 20.0
    attenuation: float = 1.0
    gain: float = 1.0
    offset_share: float = 0.0
    white_rms: float = 0.0005
    pink_rms: float = 0.0002
    unipolar: bool = False
    ac_corner_hz: float = 0.0

    @property
    def step(self) -> float:
        """One code in volts at the scope's input."""
        return float((1 if self.unipolar else 2) * self.full_scale_v / 2**self.bits)


def pink_noise(count: int, rng: np.random.Generator) -> Array:
    """Unit-variance noise whose power falls as 1/f, by shaping a white spectrum."""
    fast = int(next_fast_len(count, real=True))
    spectrum = rfft(rng.standard_normal(fast))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 1.0))
    spectrum[0] = 0
    noise = irfft(spectrum, fast)[:count]
    return noise / max(float(noise.std()), 1e-12)


def digitise(
    signal: Array, rate_hz: float, end: FrontEnd, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Attenuate, couple, add noise, clip at the screen and quantise."""
    x = signal / end.attenuation * end.gain
    if end.ac_corner_hz > 0:
        keep = np.exp(-2 * np.pi * end.ac_corner_hz / rate_hz)
        x = lfilter([keep, -keep], [1, -keep], x - x[0])
    x = x + end.full_scale_v * (
        end.offset_share
        + end.white_rms * rng.standard_normal(x.size)
        + end.pink_rms * pink_noise(x.size, rng)
    )
    low = 0.0 if end.unipolar else -end.full_scale_v
    codes = np.clip(np.round((x - low) / end.step), 0, 2**end.bits - 1)
    return (low + codes * end.step).astype(np.float32)


def render(
    motions: list[Motion],
    e: Engines,
    row: int,
    ign: Ignition,
    t: Array,
    sync_cylinder: int,
    rng: np.random.Generator,
    *,
    crosstalk_v: float = 0.05,
) -> tuple[Array, Array, Array, Array]:
    """Battery voltage, starter current, sync signal and its spark times, on the grid `t` (uniform, in s)."""
    first = motions[0]
    volts = first.battery_at(t)
    amps = first.starter_at(t)
    for motion in motions[1:]:
        late = t >= motion.switch_s
        volts = np.where(late, motion.battery_at(t), volts)
        amps = np.where(late, motion.starter_at(t), amps)
    base = volts.copy()
    sync = np.zeros_like(t) if ign.narrow else base.copy()
    sparks: list[float] = []
    for motion in motions:
        events = spark_events(motion, e, row, ign)
        for cylinder, times in enumerate(events, start=1):
            watched = cylinder == sync_cylinder or ign.style == "distributor"
            for spark in times:
                if rng.random() < ign.missing_share:
                    continue
                kick = ign.spike_v * (1 + 0.12 * rng.standard_normal())
                strikes = max(1, ign.strikes + int(rng.integers(-1, 2))) if ign.strikes > 1 else 1
                tail = strikes * ign.strike_gap_s + ign.burn_s + 6 * ign.ring_s
                lo = np.searchsorted(t, spark - ign.dwell_s)
                hi = np.searchsorted(t, spark + tail)
                if hi <= lo:
                    continue
                tau = t[lo:hi] - spark
                ramp = np.zeros(hi - lo)
                for strike in range(strikes):
                    x = tau - strike * ign.strike_gap_s
                    dwell = ign.dwell_s if strike == 0 else ign.strike_gap_s - ign.burn_s
                    ramp += np.where((x >= -dwell) & (x < 0), (x + dwell) / dwell, 0.0)
                share = 0.5 if ign.style == "waste_spark" else 1.0  # each pair's coil is visited twice
                volts[lo:hi] -= share * ign.coil_a * (motion.source_ohm + 0.001) * ramp
                volts[lo:hi] += crosstalk_v * np.exp(-np.abs(tau) / 1e-4) * (1 if watched else 0.4)
                if watched:
                    sparks.append(spark)
                    if ign.narrow:
                        sync[lo:hi] += pickup_shape(tau, ign, kick)
                    else:
                        sync[lo:hi] = primary_shape(tau, base[lo:hi], ign, kick, strikes)
                elif ign.narrow:
                    sync[lo:hi] += 0.12 * pickup_shape(tau, ign, kick)
    return volts, amps, sync, np.sort(np.array(sparks))
