"""Captures of the invented shop's injectors, one engine family a group."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from pipelines.kinds.base import EngineFamily
from pipelines.kinds.injector.simulation.solenoid import Floats, Solenoid
from pipelines.kinds.sequence import Sequence
from pipelines.kinds.simulated import Recording, Simulated

DIGITS = 1e-4
AC_HZ = 1.5
RATE_HZ = 25_000.0


class InjectorSimulation:
    """Injectors of the shop's engine families; see `pipelines.kinds.simulated.Simulation`."""

    faults: tuple[str, ...] = ("sticking", "corroded_plug_connection", "shorted_turns")
    slips: tuple[str, ...] = ("clipped", "ac_coupled", "low_sample_rate", "reversed_leads", "too_short")

    def __init__(self, families: tuple[EngineFamily, ...]) -> None:
        self._families = {one.name: one for one in families}
        self.groups: tuple[str, ...] = tuple(self._families)

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture: the common feed by clamp, one injector's voltage as sync on cylinder one.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        family = self._families[group]
        if (fault and fault not in self.faults) or (slip and slip not in self.slips):
            raise KeyError(fault or slip)
        own = np.random.default_rng([vehicle_seed, family.cylinders, 41])
        rng = np.random.default_rng([seed, family.cylinders, 42])
        sequence = Sequence.of(family)
        injectors = _injectors(own, rng, group, family.cylinders)
        odd = int(own.integers(family.cylinders))
        if fault:
            injectors[odd] = _with_fault(injectors[odd], fault, own)
        rate_hz = 4000.0 if slip == "low_sample_rate" else RATE_HZ
        cycle_s = 120.0 / float(rng.uniform(700, 900))
        duration_s = (1.4 if slip == "too_short" else float(rng.uniform(8.5, 11.0))) * cycle_s
        time_s = np.arange(int(duration_s * rate_hz)) / rate_hz
        first = sequence.place_of(1, family)
        feed, volts = _lines(rng, sequence, injectors, first, time_s, rate_hz, cycle_s)
        samples = np.stack(
            [_on_screen(rng, feed, slip, rate_hz, 0.0), _on_screen(rng, volts, "", rate_hz, 100.0)]
        )
        recording = Recording(rate_hz, 0.0, np.round(samples / DIGITS) * DIGITS, ("A", "V"), (DIGITS, DIGITS))
        number = sequence.numbers[odd]
        signals = ("injector_feed_current", "injector_voltage")
        return Simulated(recording, signals, (1.0, 1.0), (number,) if fault else ())


def _injectors(own: np.random.Generator, rng: np.random.Generator, group: str, count: int) -> list[Solenoid]:
    """The vehicle's injectors: the make's numbers, and each one's own small difference."""
    make = np.random.default_rng([sum(group.encode()), count, 43])
    ohm, tau = make.uniform(12.0, 15.5), make.uniform(6e-4, 8e-4)
    usual = Solenoid(ohm=ohm, henry=ohm * tau, open_henry=1.4 * ohm * tau, moves_a=0.5 * 13.5 / ohm,
                     travel_s=make.uniform(4e-4, 6e-4))  # fmt: skip
    warm, on = float(np.exp(0.02 * rng.standard_normal())), float(rng.uniform(2.6e-3, 3.6e-3))
    return [
        replace(
            usual,
            on_s=on,
            ohm=usual.ohm * warm * float(np.exp(0.006 * own.standard_normal())),
            moves_a=usual.moves_a * float(np.exp(0.012 * own.standard_normal())),
            travel_s=usual.travel_s * float(np.exp(0.015 * own.standard_normal())),
        )
        for _ in range(count)
    ]


def _with_fault(one: Solenoid, fault: str, own: np.random.Generator) -> Solenoid:
    if fault == "sticking":
        return replace(
            one, moves_a=one.moves_a * own.uniform(1.25, 1.4), travel_s=one.travel_s * own.uniform(1.2, 1.6)
        )
    if fault == "shorted_turns":
        share = own.uniform(0.6, 0.82)
        return replace(
            one, ohm=one.ohm * share, henry=one.henry * share**2, open_henry=one.open_henry * share**2
        )
    return replace(one, ohm=one.ohm * own.uniform(1.15, 1.35))


def _lines(
    rng: np.random.Generator, sequence: Sequence, injectors: list[Solenoid], first: int, time_s: Floats,
    rate_hz: float, cycle_s: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Current of the common feed, and the voltage of the injector at place `first`."""
    supply = float(rng.uniform(13.6, 14.3))
    feed, volts = np.zeros(len(time_s)), np.full(len(time_s), supply)
    at = -float(rng.uniform(0, cycle_s))
    while at < time_s[-1]:
        long = cycle_s * float(np.exp(0.004 * rng.standard_normal()))
        for place, one in enumerate(injectors):
            pulse = replace(one, on_s=one.on_s * float(np.exp(0.002 * rng.standard_normal())))
            begin = at + long * float(sequence.places[place])
            ends = np.ceil(np.array([begin, begin + pulse.on_s + 5e-3]) * rate_hz)
            low, high = (int(end) for end in np.clip(ends, 0, len(time_s)))
            since = time_s[low:high] - begin
            feed[low:high] += pulse.current(since, supply)
            if place == first:
                volts[low:high] = pulse.voltage(since, supply)
        at += long
    return feed, volts


def _on_screen(rng: np.random.Generator, line: Floats, slip: str, rate_hz: float, screen: float) -> Floats:
    """One channel through lead, coupling, screen and steps; `screen` 0 fits the signal."""
    if slip == "reversed_leads":
        line = -line
    if slip == "ac_coupled":
        # a capacitor in the input, long since charged to the mean
        keep = float(np.exp(-2 * np.pi * AC_HZ / rate_hz))
        line = lfilter([1.0, -1.0], [1.0, -keep], line - line.mean())
    screen = screen or (0.7 if slip == "clipped" else 1.4) * float(np.abs(line).max())
    step = 2 * screen / 4096
    noisy = line + 0.002 * screen * rng.standard_normal(len(line))
    return np.asarray(np.clip(np.round(noisy / step) * step, -screen, screen - step))
