"""Scores a reading method over sets of captures with known truth: one small place for the rules of the game.

Score of a capture (larger is odder): how far its lowest cylinder sits below the median of the others, after
subtracting the family's usual pattern, which is estimated robustly from the judged captures themselves, the
way a shop would.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import rankdata

from pipelines.kinds.base import ElementReading, EngineFamily, Hookup, Reading
from pipelines.waveform import Waveform
from tests.independent_sets import TestCapture

Method = Callable[[Waveform, Hookup, EngineFamily], Reading]


@dataclass(frozen=True, slots=True)
class Judged:
    """One capture's outcome.

    Attributes:
        score: NaN where unusable or crashed.
        right: whether the lowest cylinder is a faulty one, as well named as the hookup allows.
        right_event: whether the lowest event is a faulty cylinder's, whatever its name.
        missed, false: checks that should, and should not, have been raised.
    """

    capture: TestCapture
    reading: Reading | None
    score: float
    right: bool
    right_event: bool
    missed: frozenset[str]
    false: frozenset[str]
    error: str = ""


@dataclass(frozen=True, slots=True)
class KindSummary:
    """The accuracy table's row of one kind of capture; shares between 0 and 1, NaN where nothing to count."""

    kind: str
    n: int
    auc: float
    right: float
    right_event: float
    checks_found: float
    checks_false: float
    unusable: float
    crashed: int


def read_all(
    method: Method, captures: Sequence[TestCapture]
) -> list[tuple[TestCapture, Reading | None, str]]:
    """Read every capture; an exception is an outcome, not the end."""
    done: list[tuple[TestCapture, Reading | None, str]] = []
    for capture in captures:
        try:
            done.append((capture, method(capture.waveform, capture.hookup, capture.family), ""))
        except Exception as error:
            done.append((capture, None, f"{type(error).__name__}: {error}"))
    return done


def _key(reading: ElementReading) -> tuple[str, int]:
    return (reading.identified, reading.element if reading.element is not None else reading.position)


def usual_pattern(
    readings: Sequence[tuple[TestCapture, Reading | None, str]],
) -> dict[tuple[str, str, int], float]:
    """Family's usual value of each named cylinder in %: median over the captures, less the family's median."""
    values: dict[tuple[str, str, int], list[float]] = defaultdict(list)
    for capture, reading, _ in readings:
        for cylinder in reading.elements if reading else ():
            if cylinder.identified == "sync":
                values[(capture.family.name, *_key(cylinder))].append(cylinder.relative_pct)
    middle = {key: float(np.median(v)) for key, v in values.items() if len(v) >= 5}
    level: dict[str, list[float]] = defaultdict(list)
    for key, value in middle.items():
        level[key[0]].append(value)
    return {key: value - float(np.median(level[key[0]])) for key, value in middle.items()}


def deviations(
    capture: TestCapture, reading: Reading, pattern: dict[tuple[str, str, int], float]
) -> list[float]:
    """Each cylinder's value less the family's usual one, in %; a pair takes the mean of its two."""
    out = []
    for c in reading.elements:
        usual = 0.0
        if c.identified in ("sync", "pair"):
            names = [c.element, c.companion] if c.identified == "pair" else [c.element]
            usual = float(np.mean([pattern.get((capture.family.name, "sync", n or 0), 0.0) for n in names]))
        out.append(c.relative_pct - usual)
    return out


def _event_cylinder(capture: TestCapture, reading: Reading, position: int) -> int:
    """The true cylinder whose compression top lies nearest the events of that position (majority)."""
    if reading.events is None:
        return 0
    events = reading.events.event_s[reading.events.position == position]
    if events.size == 0:
        return 0
    gaps = [
        np.abs(events[:, None] - tops[None]).min(axis=1) if tops.size else np.full(events.size, 9.0)
        for tops in capture.truth.tdc_s
    ]
    nearest = np.argmin(np.stack(gaps), axis=0) + 1
    return int(np.bincount(nearest).argmax())


def judge(
    capture: TestCapture, reading: Reading | None, error: str, pattern: dict[tuple[str, str, int], float]
) -> Judged:
    """Hold one reading against its truth."""
    truth = capture.truth
    raised = frozenset(c.check for c in reading.checks) if reading else frozenset()
    missed, false = truth.expected - raised, raised - truth.expected - truth.allowed
    if reading is None or reading.status != "read" or len(reading.elements) < 2:
        return Judged(capture, reading, float("nan"), False, False, missed, false, error)
    values = np.array(deviations(capture, reading, pattern))
    if not np.isfinite(values).all():
        return Judged(capture, reading, float("nan"), False, False, missed, false, "not finite")
    lowest = int(values.argmin())
    score = float(np.median(np.delete(values, lowest)) - values[lowest])
    odd = reading.elements[lowest]
    right_event = _event_cylinder(capture, reading, odd.position) in truth.faulty
    if truth.named == "sync":
        right = odd.identified == "sync" and odd.element in truth.faulty
    elif truth.named == "pair":
        named = {odd.element} if odd.identified == "sync" else {odd.element, odd.companion}
        right = odd.identified != "none" and bool(named & set(truth.faulty))
    else:
        right = odd.identified == "none" and right_event
    return Judged(capture, reading, score, right, right_event, missed, false, error)


def auc(healthy: np.ndarray, faulty: np.ndarray) -> float:
    """Chance that a faulty capture scores above a healthy one (Mann-Whitney U over n*m), ties counted half."""
    if healthy.size == 0 or faulty.size == 0:
        return float("nan")
    ranks = rankdata(np.concatenate([healthy, faulty]))
    u = ranks[healthy.size :].sum() - faulty.size * (faulty.size + 1) / 2
    return float(u / (healthy.size * faulty.size))


def _share(hits: Sequence[bool]) -> float:
    return float(np.mean(hits)) if len(hits) else float("nan")


def summarise(kind: str, judged: Sequence[Judged]) -> KindSummary:
    """One row of the table. AUC and right shares count the captures that were read and can be asked for."""
    asked = [j for j in judged if j.capture.truth.readable and np.isfinite(j.score)]
    healthy = np.array([j.score for j in asked if not j.capture.truth.faulty])
    faulty = [j for j in asked if j.capture.truth.faulty]
    expected = sum(len(j.capture.truth.expected) for j in judged)
    missed = sum(len(j.missed) for j in judged)
    return KindSummary(
        kind=kind,
        n=len(judged),
        auc=auc(healthy, np.array([j.score for j in faulty])),
        right=_share([j.right for j in faulty]),
        right_event=_share([j.right_event for j in faulty]),
        checks_found=1 - missed / expected if expected else float("nan"),
        checks_false=_share([bool(j.false) for j in judged]),
        unusable=_share([not np.isfinite(j.score) for j in judged]),
        crashed=sum(bool(j.error) for j in judged),
    )


def calibration(readings: Sequence[tuple[TestCapture, Reading | None, str]]) -> tuple[float, int]:
    """Spread over repeated captures of one engine against the standard error the readings claim.

    Returns:
        sqrt(mean variance over repeats / mean squared standard error) over all engines and cylinders (1 is
        honest), and the number of (engine, cylinder) groups behind it.
    """
    values: dict[tuple[str, int], list[tuple[float, float]]] = defaultdict(list)
    for capture, reading, _ in readings:
        for c in reading.elements if reading and reading.status == "read" else ():
            if c.identified == "sync":
                values[capture.truth.vehicle, c.element or 0].append((c.relative_pct, c.se_pct))
    spread, claimed = [], []
    for pairs in values.values():
        if len(pairs) >= 3:
            array = np.array(pairs)
            spread.append(array[:, 0].var(ddof=1))
            claimed.append((array[:, 1] ** 2).mean())
    if not spread:
        return float("nan"), 0
    return float(np.sqrt(np.mean(spread) / np.mean(claimed))), len(spread)
