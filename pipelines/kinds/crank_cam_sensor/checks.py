"""Setup checks of a crank or cam capture: what was found, and what to do next time; one table for both."""

from __future__ import annotations

from pipelines.kinds.base import Check, SetupCheck, Severity

FEW_TURNS = 7
FEWEST_TURNS = 3
SAMPLES_A_TOOTH = 8.0
STEPS = 16.0
LOST_SHARE = 0.08

TABLE: tuple[tuple[SetupCheck, Severity], ...] = (
    (
        SetupCheck(
            "no_wheel", "no toothed wheel with a gap on the crank's channel", "no toothed wheel found", habit=False,
            todo="check that the lead sits on the sensor's signal wire, that the log names the right channel, and that "
            "the engine turns while you record; a wheel without a gap needs the cam sensor beside it",
        ),
        "unusable",
    ),
    (
        SetupCheck(
            "too_short", "too few turns of the crank for a good figure", "record too short",
            todo="record at least ten turns of the crank: five seconds of cranking, or one second at idle",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "clipped", "a signal is cut off at the edge of the screen", "signal cut off at the edge of the screen",
            todo="choose a larger range: a coil's pulses grow with the speed, so leave room for the start",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "low_sample_rate", "too few samples a second for the teeth", "too few samples a second",
            todo="record at 20,000 samples a second or more while cranking, at 50,000 or more at idle",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "coarse_resolution", "the pulses cover only a few steps of the scope", "range too large, steps too coarse",
            todo="choose the smallest range that holds the pulses",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "swapped_channels", "the signals are on each other's channel (recognised and read)", "channels swapped",
            todo="put crank and cam on the channels the log names (they were recognised and read)",
        ),
        "note",
    ),
    (
        SetupCheck(
            "reversed_leads", "the coil's leads the other way round (read all the same)", "leads the wrong way round",
            todo="swap the leads so that the voltage falls through zero under a tooth, as most coils are wired, and "
            "look into the wiring diagram: a connector wired the wrong way round looks the same",
        ),
        "note",
    ),
    (
        SetupCheck(
            "ac_coupled", "the input blocks direct current, so a switch's levels cannot be read", "AC coupling left on",
            todo="set the channel to DC coupling",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "lost_pulses", "turns with too few or too many pulses", "pulses lost or added", habit=False,
            todo="look for a loose connector, a damaged lead, filings on the sensor or a gap that is too wide, and "
            "record once more with the leads wiggled",
        ),
        "warning",
    ),
    (
        SetupCheck(
            "no_cam", "no pattern on the cam's channel that comes again every two turns", "no cam pattern found",
            habit=False,
            todo="check the lead at the cam sensor, and record at least eight turns",
        ),
        "note",
    ),
)  # fmt: skip

CHECKS = tuple(check for check, _ in TABLE)
_BY_NAME = {check.name: (check, severity) for check, severity in TABLE}


def check(name: str) -> Check:
    """The check `name` as found: what was seen, and what to do.

    Raises:
        KeyError: when there is no such check.
    """
    known, severity = _BY_NAME[name]
    return Check(name, severity, f"{known.saw[0].upper()}{known.saw[1:]}: {known.todo}.")
