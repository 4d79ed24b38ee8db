"""What the pulses say, in sentences: a diode, a phase, the belt, the regulator; and what could not be decided."""

from __future__ import annotations

from typing import Literal

import numpy as np

from pipelines.kinds.charging_ripple.comb import SOUND, Comb
from pipelines.kinds.charging_ripple.phases import PULSES, Phases
from pipelines.kinds.charging_ripple.swing import Swing

MISSING_PCT, PRESENT_PCT = 50.0, 65.0
SLACK_PCT = 3.2
Pattern = Literal["", "open_diode", "shorted_diode", "lost_phase"]


def pattern(phases: Phases) -> Pattern:
    """Which pulses of a cycle are missing; empty where none is, or where they fit none of the three.

    A diode that does not conduct takes two neighbouring pulses, a phase that is lost two in each half cycle. A diode
    that conducts both ways leaves nothing of its half cycle but the two or three pulses in its middle.
    """
    low = phases.pulse_pct < MISSING_PCT
    if not low.any() or low.all():
        return ""
    weakest = int(np.argmin(phases.relative_pct))
    two = np.array([weakest, weakest + 1])
    first, second = low[two % PULSES], low[(two + 3) % PULSES]
    if first.all() and second.all():
        return "lost_phase"
    runs = int(np.count_nonzero(low))
    if runs >= 3:
        return "shorted_diode"
    if runs == 2 and (first.all() or second.all()):
        return "open_diode"
    return ""


SAID: dict[Pattern, str] = {
    "open_diode": "Two neighbouring pulses of six are missing: it looks like one diode that does not conduct.",
    "shorted_diode": "Half of the cycle gives nothing: it looks like one diode that conducts both ways.",
    "lost_phase": "Four pulses of six are missing, two in each half cycle: it looks like a phase "
    "that is lost, or that gives far less than the others.",
}


NOT_TOLD = (
    "How many pulses a cycle has cannot be told from this record, so no phases are compared and the frequency is only "
    "the likeliest: record half a second or more at a steady idle, with DC coupling or a smaller range."
)
AT_FAULT = " A missing pulse is likelier than none: test the diodes."


def verdict(phases: Phases | None, swing: Swing, found: Comb) -> tuple[str, ...]:
    """The notes of a reading."""
    said = []
    if not found.told:
        said.append(NOT_TOLD if found.part == SOUND else NOT_TOLD + AT_FAULT)
    elif phases is None:
        said.append("Steps, rate or length of this record do not allow to compare the phases.")
    else:
        if not found.sure:
            said.append(
                "Little stands between the ripple's lines to count the pulses of a cycle by: six were taken as "
                "frequency, firing and shape make likeliest."
            )
        which = pattern(phases)
        if which:
            said.append(SAID[which])
    if swing.swing_pct > SLACK_PCT:
        said.append(
            f"The speed swings by {swing.swing_pct:.1f} %: look for a slack or slipping belt, a worn tensioner or "
            "freewheel, or an engine that runs unevenly."
        )
    if np.isfinite(swing.clock_hz):
        said.append(
            f"A clock of {swing.clock_hz:.0f} Hz is on the level: electronic regulation of the field, no fault of the "
            "rectifier."
        )
    return tuple(said)
