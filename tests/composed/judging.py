"""Holds one reading against the truth of its drawn capture: the rules of the game, apart from any reader."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds import ElementReading, Reading
from tests.composed.parameters import Drawn
from tests.composed.troubles import troubles_of
from tests.composed.truth import Truth

ODD_PCT = 15.0  # a cylinder called this far from the median ...
EVEN_PCT = 3.0  # ... that truly is within this of it, is called wrongly with confidence
HEALTHY_ODD_PCT = 8.0
TRUSTED_SE_PCT = 8.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """One capture's outcome; plain values, so that it goes from process to process.

    Attributes:
        right: the lowest cylinder is a weak one, named as far as the pulses allow; None where not asked.
        right_event: the lowest position's events stand at a weak cylinder's tops.
        wrong: sentences, one a cylinder that was called odd and is even.
        wrong_sure: how many of these were beyond 2.6 of their own standard errors.
        missed, found, false, quiet: checks by truth and outcome; grey ones are in none of them.
        errors: (error in %, stated error in %) of each cylinder whose name is sure.
        odd_gap: (median - lowest) in %, and in its own stated errors.
    """

    seed: int
    line: str
    troubles: tuple[str, ...]
    readable: bool | None
    healthy: bool
    style: str
    cylinders: int
    status: str
    reason: str
    right: bool | None
    right_event: bool | None
    wrong: tuple[str, ...]
    wrong_sure: int
    missed: tuple[str, ...]
    found: tuple[str, ...]
    false: tuple[str, ...]
    quiet: tuple[str, ...]
    errors: tuple[tuple[float, float], ...]
    odd_gap: tuple[float, float]
    log_wrong: tuple[str, ...]
    read_ms: float

    @property
    def badness(self) -> float:
        """For sorting: confidently wrong first, then a healthy one called odd, the wrong cylinder, not read, checks."""
        flagged = (
            self.healthy
            and self.readable is True
            and self.odd_gap[1] > 3
            and self.odd_gap[0] > HEALTHY_ODD_PCT
        )
        return (
            100.0 * len(self.wrong)
            + 40.0 * flagged
            + 30.0 * (self.right is False)
            + 20.0 * (self.readable is True and self.status != "read")
            + 5.0 * (len(self.missed) + len(self.false))
            + 200.0 * (self.status == "crashed")
        )


def lowest(reading: Reading) -> ElementReading:
    """The cylinder with the lowest figure."""
    return min(reading.elements, key=lambda c: c.relative_pct)


def _names(cylinder: ElementReading) -> tuple[int, ...]:
    if cylinder.identified == "none" or cylinder.element is None:
        return ()
    return (cylinder.element,) if cylinder.companion is None else (cylinder.element, cylinder.companion)


def event_cylinder(truth: Truth, reading: Reading, position: int) -> int:
    """The cylinder whose true tops lie nearest that position's events (0: there are none)."""
    if reading.events is None:
        return 0
    at = reading.events.event_s[reading.events.position == position]
    if at.size == 0 or not all(t.size for t in truth.tops_s):
        return 0
    nearest = np.stack([np.abs(at[:, None] - tops[None, :]).min(axis=1) for tops in truth.tops_s])
    return int(np.bincount(np.argmin(nearest, axis=0) + 1).argmax())


def _right(truth: Truth, reading: Reading) -> tuple[bool | None, bool | None]:
    if not truth.nameable or truth.log_wrong or len(reading.elements) < 2:
        return None, None
    low = lowest(reading)
    event = event_cylinder(truth, reading, low.position) in truth.weak
    named = _names(low)
    if named:
        return bool(set(named) & set(truth.weak)), event
    # Nothing named: right where nothing can be, as long as the events are right.
    return (event if truth.naming in ("none", "grey") else False), event


def _wrong(truth: Truth, reading: Reading) -> tuple[tuple[str, ...], int]:
    """Every cylinder that is named and called odd though it is even; whatever the log's fault, but for one nobody sees.

    A wrong sync cylinder in the log cannot be seen in the capture, so names are not judged there.
    """
    if "sync_cylinder" in truth.log_wrong:
        return (), 0
    said, sure = [], 0
    for c in reading.elements:
        named = [n for n in _names(c) if n <= len(truth.relative_pct)]
        if not named:
            continue
        off = c.relative_pct - 100
        true = [truth.relative_pct[n - 1] for n in named]
        if abs(off) > ODD_PCT and all(abs(t - 100) <= EVEN_PCT for t in true):
            said.append(
                f"cylinder {named} read {c.relative_pct:.1f} +- {c.se_pct:.1f}, truly {[round(t, 1) for t in true]}"
            )
            sure += abs(off) > 2.6 * c.se_pct
    return tuple(said), sure


def _errors(truth: Truth, reading: Reading) -> tuple[tuple[float, float], ...]:
    if truth.readable is not True or truth.log_wrong or truth.naming != "sync":
        return ()
    return tuple(
        (c.relative_pct - truth.relative_pct[c.element - 1], c.se_pct)
        for c in reading.elements
        if c.identified == "sync" and c.element is not None and 0 < c.se_pct < TRUSTED_SE_PCT
    )


def judge(
    drawn: Drawn, truth: Truth, style: str, reading: Reading | None, error: str, read_ms: float
) -> Verdict:
    """The outcome of one reading (None: it raised `error`)."""
    status = reading.status if reading is not None else "crashed"
    raised = {c.check for c in reading.checks} if reading is not None else set()
    asked = {name: answer for name, answer in truth.checks.items() if answer is not None}
    if truth.log_wrong:  # what a wrong log does to the other checks is nobody's to say
        asked = {n: a for n, a in asked.items() if n in ("ac_coupled", "coarse_resolution")}
    read = reading is not None and status == "read" and len(reading.elements) > 1
    right, event = _right(truth, reading) if read and reading else (None, None)
    wrong, sure = _wrong(truth, reading) if read and reading else ((), 0)
    gap = (float("nan"), float("nan"))
    if read and reading:
        low = lowest(reading)
        gap = (100 - low.relative_pct, (100 - low.relative_pct) / max(low.se_pct, 1e-9))
    return Verdict(
        seed=drawn.seed,
        line=describe(drawn, truth),
        troubles=troubles_of(drawn),
        readable=truth.readable,
        healthy=truth.healthy,
        style=style,
        cylinders=drawn.engine.cylinders,
        status=status,
        reason=error or (reading.reason if reading else ""),
        right=right,
        right_event=event,
        wrong=wrong,
        wrong_sure=sure,
        missed=tuple(n for n, a in asked.items() if a and n not in raised),
        found=tuple(n for n, a in asked.items() if a and n in raised),
        false=tuple(n for n, a in asked.items() if not a and n in raised),
        quiet=tuple(n for n, a in asked.items() if not a and n not in raised),
        errors=_errors(truth, reading) if read and reading else (),
        odd_gap=gap,
        log_wrong=truth.log_wrong,
        read_ms=read_ms,
    )


def describe(drawn: Drawn, truth: Truth) -> str:
    """One line: the capture's outline, its troubles, what is true."""
    relative = " ".join(f"{v:.0f}" for v in truth.relative_pct)
    holds = ",".join(n for n, a in truth.checks.items() if a) or "-"
    return (
        f"{drawn.engine.cylinders} cyl {drawn.ignition.style} {drawn.scope.supply} "
        f"{drawn.scope.rate_hz:g} S/s {truth.cycles:.1f} cycles {truth.crank_rpm:.0f} rpm "
        f"ripple {truth.codes:.1f} codes "
        f"se {truth.se_pct:.2f} | {', '.join(troubles_of(drawn)) or 'no trouble'} | true {relative} | "
        f"{truth.naming} checks {holds}"
    )
