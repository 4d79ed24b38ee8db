"""How well pump captures are read: 400 random captures of the independent simulator, and the time against a parser.

The pumps and the troubles of scope and file are drawn in `tests/independent_pump_captures.py`, which shares nothing
with the reader. A bar is right where the lowest place's trough lies within 0.7 of a bar of the worn or open bar
under either brush. A capture is flagged odd where its lowest bar is below a limit set on other healthy captures
(their 1 % quantile, seeds apart) and four standard errors below 100. Run from the checkout:

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

from pipelines.kinds.fuel_pump_current.read import PumpReading, read_current
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
    reading: PumpReading

    @property
    def lowest(self) -> float:
        """The lowest bar in % of the median bar; 100 where none was read."""
        return float(self.reading.levels.relative_pct.min()) if self.reading.levels else 100.0

    @property
    def sure(self) -> float:
        """How many standard errors the lowest bar lies below 100; 0 where none was read."""
        if self.reading.levels is None:
            return 0.0
        at = int(np.argmin(self.reading.levels.relative_pct))
        return (100.0 - self.lowest) / float(self.reading.levels.se_pct[at])


def read_case(seed: int, clean: bool, fault: str | None = None, condition: str | None = None) -> Case:
    """Draw and read one capture."""
    wave, truth = capture(seed, fault=fault, clean=clean, condition=condition)
    return Case(seed, clean, wave.rate_hz, truth, read_current(wave.samples[0], wave.rate_hz))


def off_by_bars(case: Case) -> float:
    """Distance of the lowest place from the bar at fault, in bars, under whichever brush is nearer; NaN if unread."""
    levels, turning = case.reading.levels, case.reading.turning
    if levels is None or turning is None or case.truth.odd_bar < 0:
        return float("nan")
    place = int(np.argmin(levels.relative_pct))
    whole = turning.per_turn or 1.0
    humps = turning.turn.humps if turning.per_turn else turning.humps
    odd_number = len(levels.relative_pct) * 2 == humps
    step = whole / humps * (2 if odd_number else 1)
    middle = np.floor((turning.repeats[-1] - levels.begins) / whole / 2) * whole
    at = np.interp(levels.begins + middle + place * step, turning.repeats, np.arange(len(turning.repeats)))
    rate = len(case.truth.times_s) and case.rate_hz / max(1, int(case.rate_hz / 25_000.0))
    angle = np.interp((turning.first + at) / rate, case.truth.times_s, case.truth.turns)
    apart = [
        abs((case.truth.odd_bar / case.truth.bars + angle - brush + 0.5) % 1.0 - 0.5) for brush in (0.0, 0.5)
    ]
    return float(min(apart) * case.truth.bars)


def auc(cases: list[Case]) -> float:
    """Area under the ROC curve of 'a bar is odd' by the lowest bar, among captures with bars read."""
    read = [c for c in cases if c.reading.levels is not None]
    label = [c.truth.fault != "none" for c in read]
    return (
        float(roc_auc_score(label, [-c.lowest for c in read]))
        if 0 < sum(label) < len(label)
        else float("nan")
    )


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 300_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    cases = [read_case(first + k, clean=k % 3 == 0) for k in range(count)]
    fit = [read_case(first + 50_000 + k, clean=k % 3 == 0, fault="none") for k in range(count // 4)]
    limit = float(np.quantile([c.lowest for c in fit if c.reading.levels is not None], 0.01))
    fair = [c for c in cases if not c.truth.checks & {"no_ripple", "too_short", "ac_coupled"}]
    print(f"captures {count}, fair {len(fair)}, bars read {sum(c.reading.levels is not None for c in fair)}")
    for name, part in (("clean", [c for c in fair if c.clean]), ("all", fair)):
        told = [c for c in part if len(c.reading.bars) == 1]
        right = [c for c in told if c.reading.bars[0] == c.truth.bars]
        within = [c for c in part if c.truth.bars in c.reading.bars]
        rpm = [c.reading.features.get("pump_rpm", np.nan) / c.truth.rpm for c in part]
        known = np.array([r for r in rpm if np.isfinite(r)])
        off = np.array([off_by_bars(c) for c in part if c.truth.fault in ("worn_bar", "open_bar")])
        seen = off[np.isfinite(off)]
        print(f"{name}: bars told {len(told)}/{len(part)}, right {len(right) / max(len(told), 1):.3f}, "
              f"truth among candidates {len(within) / len(part):.3f}")  # fmt: skip
        print(f"  speed known {len(known)}/{len(part)}, within 3 % {np.mean(np.abs(known - 1) < 0.03):.3f}")
        print(f"  bar right {np.mean(seen <= NEAR_BARS):.3f} of {len(seen)} ({len(off) - len(seen)} unread)")
        healthy = [c for c in part if c.truth.fault == "none"]
        flagged = [c for c in healthy if c.lowest < limit and c.sure > 4]
        found = [c for c in part if c.truth.fault != "none" and c.lowest < limit and c.sure > 4]
        wrong = [c for c in found if c.truth.fault != "open_coil" and off_by_bars(c) > NEAR_BARS]
        ill = sum(c.truth.fault != "none" for c in part)
        print(f"  AUC {auc(part):.4f}; limit {limit:.2f} %, healthy flagged {len(flagged)}/{len(healthy)}, "
              f"odd found {len(found)}/{ill}, confidently wrong {len(wrong) + len(flagged)}/{len(part)}")  # fmt: skip
    _print_checks(cases)
    print(f"standard errors: error over stated {honest_errors(first, 40):.2f}")
    _print_speed(first)


def honest_errors(first: int, count: int) -> float:
    """r.m.s. of (first half minus second half) over its stated error, healthy clean captures without ramps."""
    ratios: list[float] = []
    for seed in range(first + 70_000, first + 70_000 + count):
        wave, truth = capture(seed, fault="none", clean=True, condition="usual")
        if truth.troubles:
            continue
        samples = wave.samples[0]
        whole = read_current(samples, wave.rate_hz)
        if whole.levels is None or whole.turning is None:
            continue
        own = max(1, int(wave.rate_hz / 25_000.0))
        begin, end = whole.turning.first * own, whole.turning.last * own
        middle = (begin + end) // 2
        halves = [read_current(part, wave.rate_hz) for part in (samples[begin:middle], samples[middle:end])]
        one, two = (half.levels for half in halves)
        if (
            one is None
            or two is None
            or len(one.se_pct) != len(two.se_pct)
            or halves[0].bars != halves[1].bars
        ):
            continue
        turned = [np.roll(two.relative_pct, k) for k in range(len(two.se_pct))]
        best = int(np.argmin([np.sum((one.relative_pct - other) ** 2) for other in turned]))
        se = np.hypot(one.se_pct, np.roll(two.se_pct, best))
        ratios += ((one.relative_pct - turned[best]) / se).tolist()
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
                lambda w=wave: read_current(w.samples[0], w.rate_hz),
            )
        print(f"{rows:<9} {parse_ms:8.1f} {read_ms:8.1f} {read_ms / parse_ms:6.2f}")


if __name__ == "__main__":
    main()
