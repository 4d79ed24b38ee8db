"""The setup checks of this kind: what each saw, what to do, and whether coaching can mend it."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.kinds.base import Severity


@dataclass(frozen=True, slots=True)
class DeclaredCheck:
    """One check as this kind declares it.

    Attributes:
        name: as in `Check.check`.
        severity: the gravest it is raised with.
        saw: what it saw, as the README's table says.
        do: what to do next time.
        coachable: it lies in the hookup or the crank, not in the vehicle or in the shop's tables.
    """

    name: str
    severity: Severity
    saw: str
    do: str
    coachable: bool


CHECKS: tuple[DeclaredCheck, ...] = (
    DeclaredCheck(
        "no_sync",
        "warning",
        "no sync pulse: positions are read, cylinders cannot be named",
        "connect a second channel to the ignition primary (through an attenuator) or a pickup of one known cylinder",
        True,
    ),
    DeclaredCheck(
        "wrong_sync_signal",
        "warning",
        "the sync channel carries an injector's pulses, not a coil's: cylinders are not named",
        "move the lead to the switched side of the ignition coil, through an attenuator",
        True,
    ),
    DeclaredCheck(
        "reversed_leads",
        "warning",
        "the battery leads are the wrong way round (the capture is read all the same)",
        "red to the positive post, black to the negative; turn a current clamp so that its arrow follows the current",
        True,
    ),
    DeclaredCheck(
        "swapped_channels",
        "warning",
        "the signals are on each other's channel (recognised and read)",
        "connect them as logged, or correct ch1_signal and ch2_signal",
        True,
    ),
    DeclaredCheck(
        "too_short",
        "unusable",
        "too few engine cycles for a good figure",
        "start the recording first, then crank for about ten seconds",
        True,
    ),
    DeclaredCheck(
        "engine_started",
        "warning",
        "the engine started; only the cranking part counts",
        "disable fuel or ignition as the vehicle maker's service information says",
        True,
    ),
    DeclaredCheck(
        "weak_battery",
        "warning",
        "the battery sags too far for a fair crank",
        "charge and test the battery first",
        False,
    ),
    DeclaredCheck(
        "near_stall",
        "warning",
        "the engine is cranked at less than 80 rpm: every figure is doubtful",
        "charge the battery, check cables and starter, warm the engine, then crank again",
        False,
    ),
    DeclaredCheck(
        "clipped",
        "unusable",
        "a signal is cut off at the edge of the screen",
        "choose a larger range, shift the offset, or use an attenuator",
        True,
    ),
    DeclaredCheck(
        "ac_coupled",
        "warning",
        "the battery channel is AC coupled, so volts cannot be read",
        "set the channel to DC coupling",
        True,
    ),
    DeclaredCheck(
        "coarse_resolution",
        "warning",
        "the ripple covers only a few steps of the scope",
        "choose the smallest range that holds the signal (or subtract an offset), or a mode with more bits",
        True,
    ),
    DeclaredCheck(
        "low_sample_rate",
        "warning",
        "too few samples a second for the pulses or the ripple",
        "sample at 5 kS/s or faster",
        True,
    ),
    DeclaredCheck(
        "family_doubtful",
        "unusable",
        "pulses and ripple are those of another engine or another kind of ignition than the log says",
        "check the engine family in the capture log, and its cylinders and sync_kind in engine_families.csv",
        False,
    ),
    DeclaredCheck(
        "off_house_setup",
        "warning",
        "the hookup differs from the shop's own standing one",
        "hook up as the house setup says; set the attenuator's factor in the scope and in the log alike",
        True,
    ),
)
