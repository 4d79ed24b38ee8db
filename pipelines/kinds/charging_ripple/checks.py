"""Setup checks of a charging capture: what was found, and what to do next time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.base import Check, SetupCheck, Severity
from pipelines.kinds.charging_ripple.signals import Floats

FEWEST_CYCLES = 24
SHORTEST_S = 0.05
STEPS_IN_RIPPLE = 5.0
SAMPLES_A_RIPPLE = 4.5
LOWEST_RATE_HZ = 4000.0
FOLDED_HZ = 9000.0
"""Below it a ripple may be faster than half the rate, and then shows as a slower one (sampling theorem)."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One check as declared, how bad it is, and the sentence that says what to do."""

    declared: SetupCheck
    severity: Severity
    sentence: str


ALL = (
    Advice(
        # No habit: a wrong channel, an engine at rest and a machine that gives nothing look alike.
        SetupCheck(
            "no_ripple", "no ripple of the pump or alternator on the channel", "no ripple found", habit=False
        ),
        "unusable",
        "No ripple of an alternator was found: check that the engine runs, that the lead or clamp sits where the log "
        "says, and that the alternator charges at all (its exciting circuit, its warning lamp, its fuse).",
    ),
    Advice(
        SetupCheck("too_short", "too few turns, cycles or strokes for a good figure", "record too short"),
        "warning",
        "The record holds too few cycles of the alternator: record at least half a second at a steady fast idle.",
    ),
    Advice(
        SetupCheck(
            "clipped",
            "a signal is cut off at the edge of the screen",
            "signal cut off at the edge of the screen",
        ),
        "warning",
        "The ripple runs off the screen: choose a larger range, or take less offset.",
    ),
    Advice(
        SetupCheck(
            "ac_coupled",
            "the input blocks direct current, so levels cannot be read",
            "AC coupling left on",
            habit=False,
        ),
        "note",
        "The channel blocks direct current: good for a small ripple, but the charging level cannot be read. Take a "
        "second record with DC coupling if you need it.",
    ),
    Advice(
        SetupCheck(
            "coarse_resolution",
            "the ripple covers only a few steps of the scope",
            "range too large, steps too coarse",
        ),
        "warning",
        "The ripple is only a few steps of the screen high: use AC coupling, or an offset, and a smaller range.",
    ),
    Advice(
        SetupCheck(
            "low_sample_rate",
            "too few samples a second for the pulses or the ripple",
            "too few samples a second",
        ),
        "warning",
        "Too few samples fall on each pulse: record at 50,000 samples a second or more, or at a lower engine speed.",
    ),
    Advice(
        SetupCheck(
            "reversed_leads",
            "leads or clamp the wrong way round (read all the same)",
            "leads the wrong way round",
        ),
        "note",
        "The leads or the clamp sit the wrong way round (the level reads negative); the reading was turned over. Point "
        "the clamp's arrow away from the alternator.",
    ),
)
BY_NAME = {one.declared.name: one for one in ALL}


def check(name: str) -> Check:
    """The check `name` as found.

    Raises:
        KeyError: when there is no such check.
    """
    one = BY_NAME[name]
    return Check(name, one.severity, one.sentence)


def blocks_direct_current(values: Floats, unit: str) -> bool:
    """Whether the level shows that the input blocks direct current: it lies about zero.

    No charging system is below 6 V, and the current of a rectifier never turns round.
    """
    part = values[-max(64, len(values) // 2) :]
    if unit == "V":
        return abs(float(np.median(part))) < 5.0
    low, high = np.quantile(part, [0.02, 0.98])
    return bool(min(high, -low) > 0.15 * (high - low))


def of_sizes(
    step: float, ripple_pp: float, cycles: float, record_s: float, rate_hz: float, ripple_hz: float
) -> list[str]:
    """Names of the checks that follow from length, step and rate."""
    names = []
    if cycles < FEWEST_CYCLES or record_s < SHORTEST_S:
        names.append("too_short")
    if step > ripple_pp / STEPS_IN_RIPPLE:
        names.append("coarse_resolution")
    if rate_hz < max(SAMPLES_A_RIPPLE * ripple_hz, FOLDED_HZ):
        names.append("low_sample_rate")
    return names
