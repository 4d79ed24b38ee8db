"""Setup checks of an injector capture: what was found, and what to do next time."""

from __future__ import annotations

from pipelines.kinds import checklist
from pipelines.kinds.base import Check
from pipelines.kinds.checklist import CheckKind

KINDS: dict[str, CheckKind] = {
    "no_pulses": CheckKind(
        "no injector is switched on and off on the channel",
        "no injector pulse found",
        "unusable",
        "No injector was seen working on this channel: check that the log names the right signal, that the probe sits "
        "on the switched side of the injector (or the clamp around its feed), and that the engine turns.",
        False,
    ),
    "no_sync": CheckKind(
        "no sync pulse: positions are read, cylinders cannot be named",
        "no sync",
        "note",
        "Without a sync the injectors cannot be named: put one injector's voltage on a second channel, and log which "
        "cylinder it is.",
    ),
    "one_injector": CheckKind(
        "only one injector is on the record, so there is nothing to set beside it",
        "one injector alone",
        "note",
        "One injector alone cannot be compared: record all of them, or their common feed with a sync.",
        False,
    ),
    "too_short": CheckKind(
        "too few pulses of each injector for a good figure",
        "record too short",
        "warning",
        "The record holds too few pulses of each injector: record ten engine cycles or more.",
    ),
    "clipped": CheckKind(
        "a signal is cut off at the edge of the screen",
        "signal cut off at the edge of the screen",
        "warning",
        "The current runs off the screen: choose a larger range. The kick of a voltage may leave it.",
    ),
    "ac_coupled": CheckKind(
        "the input blocks direct current, so levels cannot be read",
        "AC coupling left on",
        "warning",
        "The input blocks direct current: set the channel to DC coupling; times are read all the same.",
    ),
    "reversed_leads": CheckKind(
        "leads or clamp the wrong way round (read all the same)",
        "leads the wrong way round",
        "note",
        "Leads or clamp sit the wrong way round; the reading was turned over. Ground to ground, and the clamp's arrow "
        "with the current.",
    ),
    "coarse_resolution": CheckKind(
        "the signal covers only a few steps of the scope",
        "range too large, steps too coarse",
        "warning",
        "The signal is only a few steps of the screen high: choose a smaller range.",
    ),
    "low_sample_rate": CheckKind(
        "too few samples a second for the pulses or the ripple",
        "too few samples a second",
        "warning",
        "Too few samples fall on each pulse: record at 50,000 samples a second or more.",
    ),
    "swapped_channels": CheckKind(
        "the signals are on each other's channel (recognised and read)",
        "channels swapped",
        "note",
        "The two signals are on each other's channel; they were recognised and read. Correct the lead or the log.",
    ),
    "family_doubtful": CheckKind(
        "pulses of the sync are not those of the engine the log says",
        "engine family doubtful",
        "warning",
        "The pulses between two of the sync's are not as many as this engine family gives: check the family, whether "
        "injection is in turn or in groups, and which injector is the sync. No injector is named.",
        False,
    ),
    "scale_doubtful": CheckKind(
        "the supply comes out as no vehicle's: an attenuator's factor is missing",
        "scale doubtful",
        "warning",
        "The supply comes out far from a vehicle's: check the attenuator's factor in the log. Times are read all the "
        "same.",
    ),
}  # fmt: skip


def check(name: str) -> Check:
    """The check `name` as found.

    Raises:
        KeyError: when there is no such check.
    """
    return checklist.found(KINDS, name)


DECLARED = checklist.declared(KINDS)
