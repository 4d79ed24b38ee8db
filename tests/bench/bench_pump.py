"""How well pump captures are read: random captures of the independent simulator, and the time against a parser.

The pumps and the troubles of scope and file are drawn in `tests/independent_pump_captures.py`, which shares nothing
with the reader. A place is right where its middle lies within 0.7 of a bar of an angle at which the planted fault
lowers the current most (`low_angles`). A capture is flagged odd where its lowest place is below a limit set on other
healthy captures (their 1 % quantile, seeds apart) and four standard errors below 100. Speeds are compared over the
stretch the reader used. Records below 10 kS/s cannot show whether there is a pump's ripple: a wrong channel there, and
a controller's switching below 100 kS/s, are not judged. Run from the checkout:

    python -m tests.bench.bench_pump [first seed] [captures]
"""

# ruff: noqa: T201
from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from sklearn.metrics import roc_auc_score

from pipelines.kinds.base import ElementReading, Reading
from pipelines.kinds.fuel_pump_current import KIND
from pipelines.waveform import Waveform
from tests.bench.timing import taken_ms
from tests.independent_pump_captures import Truth, capture

NEAR_BARS = 0.7
JUDGED_CHECKS = ("no_ripple", "too_short", "clipped", "ac_coupled", "reversed_leads", "pwm_driven")


@dataclass(frozen=True, slots=True)
class Case:
    """One capture read."""

    seed: int
    clean: bool
    rate_hz: float
    truth: Truth
    reading: Reading

    @property
    def worst(self) -> ElementReading | None:
        """The lowest place; None where none was read."""
        return min(self.reading.elements, key=lambda one: one.relative_pct, default=None)

    @property
    def lowest(self) -> float:
        """The lowest place in % of the median one; 100 where none was read."""
        return self.worst.relative_pct if self.worst else 100.0

    def odd(self, limit: float) -> bool:
        """Whether the capture would be flagged."""
        one = self.worst
        return one is not None and one.relative_pct < limit and 100.0 - one.relative_pct > 4.0 * one.se_pct

    @property
    def speed_ratio(self) -> float:
        """Speed read over true speed of the same stretch; NaN where none was read."""
        rpm, events = self.reading.features.get("pump_rpm", np.nan), self.reading.events
        if not np.isfinite(rpm) or events is None:
            return float("nan")
        turns = np.interp([events.start_s, events.end_s], self.truth.times_s, self.truth.turns)
        return float(rpm * (events.end_s - events.start_s) / (60.0 * (turns[1] - turns[0])))


def read(wave: Waveform) -> Reading:
    """Read one capture as the house does."""
    return KIND.read(wave, KIND.hookup, None)


def read_case(seed: int, clean: bool, fault: str | None = None, condition: str | None = None) -> Case:
    """Draw and read one capture."""
    wave, truth = capture(seed, fault=fault, clean=clean, condition=condition)
    return Case(seed, clean, wave.rate_hz, truth, read(wave))


def off_by_bars(case: Case) -> float:
    """Distance in bars of the lowest place from the nearest angle where the fault shows; NaN where unread."""
    one, events = case.worst, case.reading.events
    if one is None or events is None or not len(case.truth.low_turns):
        return float("nan")
    at = events.event_s[events.position == one.position]
    angle = np.interp(at, case.truth.times_s, case.truth.turns)
    apart = np.abs((angle[:, None] - case.truth.low_turns[None, :] + 0.5) % 1.0 - 0.5).min(axis=1)
    return float(np.median(apart) * case.truth.bars)


def auc(cases: list[Case]) -> float:
    """Area under the ROC curve of 'a bar is odd' by the lowest place, among captures with places read."""
    seen = [c for c in cases if c.worst is not None]
    label = [c.truth.fault != "none" for c in seen]
    return (
        float(roc_auc_score(label, [-c.lowest for c in seen]))
        if 0 < sum(label) < len(label)
        else float("nan")
    )


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 300_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    cases = [read_case(first + k, clean=k % 3 == 0) for k in range(count)]
    fit = [read_case(first + 50_000 + k, clean=k % 3 == 0, fault="none") for k in range(count // 2)]
    limit = float(np.quantile([c.lowest for c in fit if c.worst], 0.01))
    fair = [c for c in cases if not c.truth.checks & {"no_ripple", "too_short", "ac_coupled"}]
    print(f"captures {count}, with a pump's level on them {len(fair)}; limit {limit:.2f} %")
    for name, part in (("clean", [c for c in fair if c.clean]), ("all", fair)):
        _print_part(name, part, limit)
    _print_checks(cases)
    print(f"standard errors: error over stated {honest_errors(first, 60):.2f}")
    _print_speed(first)


def _print_part(name: str, part: list[Case], limit: float) -> None:
    seen = [c for c in part if c.worst is not None]
    right = [
        c for c in seen if len(c.reading.elements) in ((5, 10) if c.truth.bars == 5 else (c.truth.bars,))
    ]
    speed = np.array([c.speed_ratio for c in part])
    known = speed[np.isfinite(speed)]
    off = np.array([off_by_bars(c) for c in seen if c.truth.fault in ("worn_bar", "open_bar")])
    healthy = [c for c in part if c.truth.fault == "none"]
    ill = [c for c in part if c.truth.fault != "none"]
    flagged = sum(c.odd(limit) for c in healthy)
    found = [c for c in ill if c.odd(limit)]
    wrong = sum(off_by_bars(c) > NEAR_BARS for c in found if c.truth.fault != "open_coil")
    print(f"{name}: bars read {len(seen)}/{len(part)}, number right {len(right)}/{len(seen)} "
          f"({len(right) / len(seen):.3f}), healthy unread "
          f"{sum(c.worst is None for c in healthy)}/{len(healthy)}")  # fmt: skip
    print(f"  speed known {len(known)}/{len(part)}, within 3 % {np.mean(np.abs(known - 1) < 0.03):.3f}")
    print(f"  place right {np.mean(off <= NEAR_BARS):.3f} of {len(off)}")
    print(f"  AUC {auc(part):.4f} of those read; healthy flagged {flagged}/{len(healthy)}, odd found "
          f"{len(found)}/{len(ill)}, flagged at a wrong place {wrong}/{len(found)}")  # fmt: skip


def honest_errors(first: int, count: int) -> float:
    """r.m.s. of (first half minus second half) over its stated error, healthy clean captures without ramps."""
    ratios: list[float] = []
    for seed in range(first + 70_000, first + 70_000 + count):
        wave, truth = capture(seed, fault="none", clean=True, condition="usual")
        whole = read(wave)
        if truth.troubles or not whole.elements or whole.events is None:
            continue
        begin, end = (int(s * wave.rate_hz) for s in (whole.events.start_s, whole.events.end_s))
        middle = (begin + end) // 2
        halves = [
            read(Waveform(wave.rate_hz, 0.0, wave.samples[:, a:b], wave.labels))
            for a, b in ((begin, middle), (middle, end))
        ]
        one, two = (np.array([[e.relative_pct, e.se_pct] for e in half.elements]) for half in halves)
        if one.shape != two.shape or not len(one):
            continue
        turned = [np.roll(two, k, axis=0) for k in range(len(two))]
        best = min(turned, key=lambda other: float(np.sum((one[:, 0] - other[:, 0]) ** 2)))
        ratios += ((one[:, 0] - best[:, 0]) / np.hypot(one[:, 1], best[:, 1])).tolist()
    return float(np.sqrt(np.mean(np.square(ratios)))) if ratios else float("nan")


def _print_checks(cases: list[Case]) -> None:
    found: Counter[str] = Counter()
    there: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for case in cases:
        named = {check.check for check in case.reading.checks}
        for name in JUDGED_CHECKS:
            if name == "pwm_driven" and name in case.truth.checks and case.rate_hz < 1e5:
                continue
            if name == "no_ripple" and case.rate_hz < 1e4:
                continue
            there[name] += name in case.truth.checks
            found[name] += name in case.truth.checks and name in named
            false[name] += name not in case.truth.checks and name in named
    for name in JUDGED_CHECKS:
        print(
            f"  check {name:16} found {found[name]}/{there[name]}, false {false[name]}/{len(cases) - there[name]}"
        )
    total = sum(there.values())
    print(f"  checks found {sum(found.values()) / max(total, 1):.3f}, "
          f"false {sum(false.values()) / (len(cases) * len(JUDGED_CHECKS) - total):.4f}")  # fmt: skip


def _print_speed(first: int) -> None:
    types = {"time (s)": pl.Float64(), "pump (A)": pl.Float32()}
    print("rows      parse ms  read ms  ratio")
    for seed in range(first, first + 40, 5):
        wave, _ = capture(seed, clean=True)
        rows = wave.samples.shape[1]
        columns = (np.arange(rows) / wave.rate_hz, wave.samples[0])
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture.csv"
            pl.DataFrame(dict(zip(types, columns, strict=True))).write_csv(path, float_precision=6)
            parse_ms, read_ms = taken_ms(
                lambda p=path: pl.read_csv(p, schema=types),
                lambda w=wave: read(w),
            )
        print(f"{rows:<9} {parse_ms:8.1f} {read_ms:8.1f} {read_ms / parse_ms:6.2f}")


if __name__ == "__main__":
    main()
