"""A cranked or idling engine with toothed wheels, solved in crank angle: independent of the kind and its simulation.

Motion: the kinetic energy is stepped degree by degree, dE = (drive - friction + gas) dangle, and time follows as
dangle / w. A coil's voltage is the difference of its flux from sample to sample; the flux is that of a magnetic circuit
whose air gap is the mean over the pole's face of gap and tooth space, eccentricity included. A Hall switch is a
comparator with hysteresis on the field under the sensor, with a slow rise at its pull-up. It shares no code with the
kind. All numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
POINTS_A_PLACE = 80


@dataclass(slots=True)
class Engine:
    """What turns the crank; angles in degrees, the gap's end at 0."""

    cylinders: int = 4
    strength: Floats = field(default_factory=lambda: np.ones(4))
    top_deg: float = 70.0
    rpm: float = 210.0
    swing: float = 0.3
    idles: bool = False
    scatter: float = 0.02
    ramp: float = 0.0


@dataclass(slots=True)
class Rim:
    """A wheel's teeth: centre in places (the first at 0), relative height (1 = full), width in places."""

    places: int
    centre: Floats
    height: Floats
    width: Floats
    gap_mm: float = 0.9
    depth_mm: float = 4.0
    eccentric_mm: float = 0.05
    pole_places: float = 0.45


def gas_torque(engine: Engine) -> Floats:
    """Torque of the gas over 720 degrees in steps of one, unit: its own standard deviation."""
    own = np.arange(-360.0, 360.0)
    lean = np.sin(np.deg2rad(own)) / 3.3
    travel = 1 - np.cos(np.deg2rad(own)) + 3.3 * (1 - np.sqrt(1 - lean**2))
    volume = 1 + 8.5 * travel / 2
    start = int(np.searchsorted(own, -130.0))
    pressure = np.ones(len(own))
    index = np.arange(start, int(np.searchsorted(own, 140.0)))
    leak = np.exp(-0.08 * (index - start) / 180)
    pressure[index] = leak * (volume[start] / volume[index]) ** 1.32
    if engine.idles:
        pressure[own >= 10] *= 1 + 1.6 * np.exp(-(((own[own >= 10] - 10) / 70) ** 2))
        pressure = 0.35 + 0.65 * pressure * (np.abs(own) < 140) + 0.65 * (np.abs(own) >= 140)
    torque = (pressure - 1) * np.gradient(volume)
    total = np.zeros(720)
    for at in range(engine.cylinders):
        shift = round(engine.top_deg + at * 720 / engine.cylinders)
        total += engine.strength[at] * np.roll(np.roll(torque, 360), shift)
    return total / total.std()


def motion(
    engine: Engine, turns: float, rng: np.random.Generator, from_rest: bool = False, stops: bool = False
) -> tuple[Floats, Floats]:
    """Times in s and angles in turns, one per degree, from a random place on.

    The swing is set so that the speed within a cycle spreads by about `swing` of itself from least to greatest.
    """
    count = int(turns * 360)
    gas = gas_torque(engine)
    work = np.cumsum(gas - gas.mean())
    usual = (engine.rpm * np.pi / 30) ** 2 / 2
    scale = engine.swing * 2 * usual / np.ptp(work)
    begin = int(rng.integers(720))
    cycles = 1 + engine.scatter * rng.standard_normal(count // 720 + 3)
    energy, hold = (1e-3 * usual if from_rest else usual), 0.012
    speeds = np.empty(count)
    slow = 0.0
    for step in range(count):
        at = begin + step
        slow = 0.99 * slow + 0.1 * engine.scatter * rng.standard_normal() * 0.2
        goal = usual * (1 + engine.ramp * step / count + slow)
        if stops and step > 0.85 * count:
            goal = 0.0
        rest = min(1.0, energy / usual + 0.05) if from_rest and step < 0.3 * count else 1.0
        push = hold * (goal - energy) if not engine.idles else 0.3 * hold * (goal - energy)
        energy += push + rest * scale * (gas[at % 720] - gas.mean()) * cycles[at // 720]
        energy = max(energy, 2e-4 * usual)
        speeds[step] = np.sqrt(2 * energy)
        if stops and energy < 0.02 * usual and step > 0.85 * count:
            count = step
            break
    speeds = speeds[:count]
    # speed in rad/s; a degree takes this long
    time = np.concatenate([[0.0], np.cumsum(np.pi / 180 / speeds)])
    return time, (begin + np.arange(count + 1)) / 360.0


def rim_table(rim: Rim) -> Floats:
    """Permeance of the air gap over one turn (1/mm), the mean over the pole's face."""
    points = rim.places * POINTS_A_PLACE
    place = np.arange(points) / POINTS_A_PLACE
    profile = np.zeros(points)
    for centre, height, width in zip(rim.centre, rim.height, rim.width, strict=True):
        away = np.abs((place - centre + rim.places / 2) % rim.places - rim.places / 2)
        flank = 0.12
        profile = np.maximum(profile, height * np.clip((width / 2 + flank / 2 - away) / flank, 0.0, 1.0))
    gap = rim.gap_mm + rim.eccentric_mm * np.cos(2 * np.pi * place / rim.places + 1.0)
    own = 1.0 / (gap + rim.depth_mm * (1 - profile))
    face = max(1, int(rim.pole_places * POINTS_A_PLACE))
    kernel = np.hanning(face + 2)
    kernel /= kernel.sum()
    spectrum = np.fft.rfft(own) * np.fft.rfft(
        np.roll(np.pad(kernel, (0, points - len(kernel))), -(len(kernel) // 2))
    )
    return np.fft.irfft(spectrum, points)


def coil_voltage(
    rim: Rim, turns: Floats, rate_hz: float, volts_a_rpm: float, rpm: float, low_pass_hz: float
) -> Floats:
    """Voltage of a coil sampled where the crank stands at `turns`; about `volts_a_rpm * rpm` peak to peak.

    Its ends are named so that the voltage is positive while a tooth comes nearer.
    """
    permeance = rim_table(rim)
    flux = permeance / (permeance + 0.3)
    mid = np.concatenate([[turns[0]], 0.5 * (turns[1:] + turns[:-1]), [turns[-1]]])
    at = (mid % 1.0) * len(flux)
    passed = np.interp(at, np.arange(len(flux) + 1), np.append(flux, flux[0]))
    volts = np.diff(passed) * rate_hz
    slope = np.ptp(np.gradient(flux)) * len(flux) * rpm / 60
    volts *= volts_a_rpm * rpm / slope
    keep = float(np.exp(-2 * np.pi * low_pass_hz / rate_hz))
    return np.asarray(lfilter([1 - keep], [1, -keep], volts))


def switch_voltage(
    rim: Rim, turns: Floats, rate_hz: float, low_v: float, high_v: float, rise_s: float, inverted: bool
) -> Floats:
    """A Hall switch's output: it goes low over a tooth (high where inverted), and rises slowly at its pull-up."""
    field_t = rim_table(rim)
    top, bottom = np.quantile(field_t, [0.97, 0.03])
    place = (turns % 1.0) * len(field_t)
    field_now = np.interp(place, np.arange(len(field_t) + 1), np.append(field_t, field_t[0]))
    share = (field_now - bottom) / (top - bottom)
    code = (share > 0.5).astype(np.int8) - (share < 0.4)
    last = np.maximum.accumulate(np.where(code != 0, np.arange(len(code)), 0))
    over = code[last] > 0
    out = np.where(over != inverted, low_v, high_v).astype(np.float64)
    return _pulled_up(out, rate_hz, rise_s)


def _pulled_up(levels: Floats, rate_hz: float, rise_s: float) -> Floats:
    keep = float(np.exp(-1.0 / (rate_hz * rise_s)))
    slow = np.asarray(lfilter([1 - keep], [1, -keep], levels, zi=[keep * levels[0]])[0])
    return np.minimum(slow, levels)


def cam_switch(
    edges: Floats, turns: Floats, rate_hz: float, low_v: float, high_v: float, rise_s: float
) -> Floats:
    """A cam's switch that changes at each of `edges` (turns of the crank, 0 to 2)."""
    state = np.searchsorted(np.sort(edges), turns % 2.0, side="right") % 2
    return _pulled_up(np.where(state == 1, high_v, low_v).astype(np.float64), rate_hz, rise_s)
