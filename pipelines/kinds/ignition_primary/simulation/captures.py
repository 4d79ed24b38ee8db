"""Captures of the invented shop's ignition systems, one engine family a group."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.kinds.base import EngineFamily
from pipelines.kinds.ignition_primary.simulation.coil import Coil, Floats
from pipelines.kinds.sequence import Sequence
from pipelines.kinds.simulated import Recording, Simulated

DIGITS = 1e-4
SPARK_SIDE = ("worn_plug", "fouled_plug")
COIL_SIDE = ("shorted_turns", "corroded_plug_connection")
MOST_CHANNELS = 4
AC_HZ = 2.0


@dataclass(frozen=True, slots=True)
class _Hookup:
    """What stands on the channels: `coils` (each on its own), `feed` (with one coil as sync), or `distributor`."""

    name: str
    signals: tuple[str, ...]


class IgnitionSimulation:
    """Ignition of the shop's engine families; see `pipelines.kinds.simulated.Simulation`."""

    faults: tuple[str, ...] = (*SPARK_SIDE, *COIL_SIDE)
    slips: tuple[str, ...] = ("clipped", "ac_coupled", "low_sample_rate", "reversed_leads", "too_short")

    def __init__(self, families: tuple[EngineFamily, ...]) -> None:
        # two coils have no odd one out between them
        self._families = {one.name: one for one in families if len(Sequence.of_coils(one).numbers) > 2}
        self.groups: tuple[str, ...] = tuple(self._families)

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        family = self._families[group]
        if (fault and fault not in self.faults) or (slip and slip not in self.slips):
            raise KeyError(fault or slip)
        own = np.random.default_rng([vehicle_seed, family.cylinders, 31])
        rng = np.random.default_rng([seed, family.cylinders, 32])
        sequence = Sequence.of_coils(family)
        coils = _coils(own, rng, group, len(sequence.numbers))
        odd = int(own.integers(len(coils)))
        hookup = _hookup(rng, family, fault, len(coils))
        if fault:
            acts = fault if hookup.name != "distributor" or fault in SPARK_SIDE else "worn_plug"
            coils[odd] = _with_fault(coils[odd], acts, own)
        rate_hz = 4000.0 if slip == "low_sample_rate" else 25_000.0
        speed_rpm = float(rng.uniform(700, 900))
        cycle_s = 120.0 / speed_rpm
        duration_s = float(rng.uniform(8.5, 11.0)) * cycle_s
        if slip == "too_short":
            duration_s = 1.4 * cycle_s
        lines = _lines(rng, family, sequence, coils, hookup, rate_hz, duration_s, cycle_s)
        samples = np.stack([_on_screen(rng, line, one, slip, at, rate_hz) for at, (line, one) in
                            enumerate(zip(lines, hookup.signals, strict=True))])  # fmt: skip
        units = tuple("A" if "current" in one else "V" for one in hookup.signals)
        recording = Recording(
            rate_hz, 0.0, np.round(samples / DIGITS) * DIGITS, units, (DIGITS,) * len(units)
        )
        number = sequence.numbers[odd]
        return Simulated(recording, hookup.signals, (1.0,) * len(units), (number,) if fault else ())


def _coils(own: np.random.Generator, rng: np.random.Generator, group: str, count: int) -> list[Coil]:
    """The vehicle's coils: the make's numbers, and each coil's and plug's own small difference."""
    make = np.random.default_rng([sum(group.encode()), count, 33])
    usual = Coil(
        henry=make.uniform(3e-3, 5.5e-3), ohm=make.uniform(0.5, 0.9), limit_a=make.uniform(7.0, 12.0),
        dwell_s=make.uniform(2.6e-3, 3.6e-3), burn_v=make.uniform(18.0, 28.0), path_ohm=make.uniform(1.2, 2.4),
    )  # fmt: skip
    warm = float(np.exp(0.02 * rng.standard_normal()))
    return [
        replace(
            usual,
            henry=usual.henry * float(np.exp(0.01 * own.standard_normal())),
            ohm=usual.ohm * warm * float(np.exp(0.01 * own.standard_normal())),
            burn_v=usual.burn_v * float(np.exp(0.02 * own.standard_normal())),
            breakdown_v=usual.breakdown_v * float(np.exp(0.05 * own.standard_normal())),
        )
        for _ in range(count)
    ]


def _with_fault(coil: Coil, fault: str, own: np.random.Generator) -> Coil:
    if fault == "worn_plug":
        return replace(coil, burn_v=coil.burn_v * own.uniform(1.4, 1.9), breakdown_v=1.4 * coil.breakdown_v)
    if fault == "fouled_plug":
        return replace(coil, burn_v=coil.burn_v * own.uniform(0.4, 0.6), breakdown_v=0.5 * coil.breakdown_v)
    if fault == "shorted_turns":
        return replace(coil, henry=coil.henry * own.uniform(0.45, 0.75))
    return replace(coil, ohm=coil.ohm + own.uniform(0.9, 1.8))


def _hookup(rng: np.random.Generator, family: EngineFamily, fault: str, coils: int) -> _Hookup:
    """What the technician chose; a fault of the spark side shows only in voltage, so that job was hooked up so."""
    if family.sync_kind == "distributor":
        return _Hookup("distributor", ("ignition_primary", "ignition_pickup"))
    few = coils <= MOST_CHANNELS
    if fault in SPARK_SIDE or (few and not fault and rng.random() < 0.5):
        return _Hookup("coils", ("ignition_primary",) * coils)
    return _Hookup("feed", ("coil_feed_current", "ignition_primary"))


def _lines(
    rng: np.random.Generator, family: EngineFamily, sequence: Sequence, coils: list[Coil], hookup: _Hookup,
    rate_hz: float, duration_s: float, cycle_s: float,
) -> list[Floats]:  # fmt: skip
    """The true signals, shape (samples,) each; the log's sync cylinder is 1."""
    time_s = np.arange(int(duration_s * rate_hz)) / rate_hz
    turn_s = cycle_s * sequence.crank_deg / 720.0
    supply = float(rng.uniform(13.6, 14.3))
    first = sequence.place_of(1, family)
    volts = [np.full(len(time_s), supply) for _ in coils]
    feed, pickup = np.zeros(len(time_s)), np.zeros(len(time_s))
    begin = -float(rng.uniform(0, turn_s))
    at = begin
    while at < duration_s:
        long = turn_s * float(np.exp(0.004 * rng.standard_normal()))
        for place, coil in enumerate(coils):
            struck = replace(
                coil,
                burn_v=coil.burn_v * float(np.exp(0.04 * rng.standard_normal())),
                breakdown_v=coil.breakdown_v * float(np.exp(0.12 * rng.standard_normal())),
                dwell_s=coil.dwell_s * float(np.exp(0.003 * rng.standard_normal())),
            )
            cut = at + long * float(sequence.places[place])
            _add(struck, cut, supply, time_s, rate_hz, volts[place], feed, pickup if place == first else None)
        at += long
    if hookup.name == "coils":
        return [volts[first], *(line for k, line in enumerate(volts) if k != first)]
    if hookup.name == "feed":
        return [feed, volts[first]]
    together = np.full(len(time_s), supply)
    for line in volts:
        together = np.where(line != supply, line, together)
    return [together, pickup]


def _add(
    coil: Coil, cut: float, supply: float, time_s: Floats, rate_hz: float, volts: Floats, feed: Floats,
    pickup: Floats | None,
) -> None:  # fmt: skip
    """One strike into the channels."""
    begin = cut - coil.dwell_s
    first, last = (int(np.clip(np.ceil(one * rate_hz), 0, len(time_s))) for one in (begin, cut + 6e-3))
    since = time_s[first:last] - begin
    volts[first:last] = coil.voltage(since, supply)
    charging = since < coil.dwell_s
    feed[first:last] += np.where(charging, coil.current(since, supply), 0.0)
    if pickup is not None:
        age = since - coil.dwell_s
        pickup[first:last] += np.where(age >= 0, 8.0 * np.exp(-age / 8e-5), 0.0)


def _on_screen(
    rng: np.random.Generator, line: Floats, signal: str, slip: str, channel: int, rate_hz: float
) -> npt.NDArray[np.float64]:
    """One channel through lead, coupling, screen and steps; slips happen on the first channel."""
    slip = slip if channel == 0 else ""
    if slip == "reversed_leads":
        line = -line
    if slip == "ac_coupled":
        # a capacitor in the input, long since charged to the mean
        keep = float(np.exp(-2 * np.pi * AC_HZ / rate_hz))
        line = lfilter([1.0, -1.0], [1.0, -keep], line - line.mean())
    peak = float(np.abs(line).max())
    screen = {"ignition_primary": 100.0, "ignition_pickup": 10.0}.get(signal, 1.4 * peak)
    if slip == "clipped":
        screen = 20.0 if signal == "ignition_primary" else 0.7 * peak
    step = 2 * screen / 4096
    noisy = line + 0.0015 * screen * rng.standard_normal(len(line))
    return np.clip(np.round(noisy / step) * step, -screen, screen - step)
