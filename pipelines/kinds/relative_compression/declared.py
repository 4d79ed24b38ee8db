"""The setup checks of this kind: what each saw, what to do, and whether coaching can mend it."""

from __future__ import annotations

from pipelines.kinds.base import SetupCheck

CHECKS: tuple[SetupCheck, ...] = (
    SetupCheck(
        "no_sync",
        "no sync pulse: positions are read, cylinders cannot be named",
        "no sync pulse found",
        habit=True,
        todo="connect a second channel to a known cylinder's ignition primary (by an attenuator) or a pickup on it",
    ),
    SetupCheck(
        "wrong_sync_signal",
        "the sync channel carries an injector's pulses, not a coil's: cylinders are not named",
        "an injector in place of the coil as sync",
        habit=True,
        todo="move the lead to the switched side of the ignition coil, through an attenuator",
    ),
    SetupCheck(
        "reversed_leads",
        "the battery leads are the wrong way round (the capture is read all the same)",
        "leads the wrong way round",
        habit=True,
        todo="red to the positive post, black to the negative; turn a clamp so that its arrow follows the current",
    ),
    SetupCheck(
        "swapped_channels",
        "the signals are on each other's channel (recognised and read)",
        "channels swapped",
        habit=True,
        todo="connect them as logged, or correct ch1_signal and ch2_signal",
    ),
    SetupCheck(
        "too_short",
        "too few engine cycles for a good figure",
        "record too short",
        habit=True,
        todo="start the recording first, then crank for about ten seconds",
    ),
    SetupCheck(
        "engine_started",
        "the engine started; only the cranking part counts",
        "engine started during the test",
        habit=True,
        todo="disable fuel or ignition as the vehicle maker's service information says",
    ),
    SetupCheck(
        "weak_battery",
        "the battery sags too far for a fair crank",
        "weak battery",
        habit=False,
        todo="charge and test the battery first",
    ),
    SetupCheck(
        "near_stall",
        "the engine is cranked at less than 80 rpm: every figure is doubtful",
        "hardly turning while cranked",
        habit=False,
        todo="charge the battery, check cables and starter, warm the engine, then crank again",
    ),
    SetupCheck(
        "clipped",
        "a signal is cut off at the edge of the screen",
        "signal cut off at the edge of the screen",
        habit=True,
        todo="choose a larger range, shift the offset, or use an attenuator",
    ),
    SetupCheck(
        "ac_coupled",
        "the battery channel is AC coupled, so volts cannot be read",
        "AC coupling left on",
        habit=True,
        todo="set the channel to DC coupling",
    ),
    SetupCheck(
        "coarse_resolution",
        "the ripple covers only a few steps of the scope",
        "range too large, steps too coarse",
        habit=True,
        todo="choose the smallest range that holds the signal (or subtract an offset), or a mode with more bits",
    ),
    SetupCheck(
        "low_sample_rate",
        "too few samples a second for the pulses or the ripple",
        "too few samples a second",
        habit=True,
        todo="sample at 5 kS/s or faster",
    ),
    SetupCheck(
        "family_doubtful",
        "pulses and ripple are those of another engine or another kind of ignition than the log says",
        "another engine or ignition than the log says",
        habit=False,
        todo="check the engine family in the capture log, and its cylinders and sync_kind in engine_families.csv",
    ),
)
