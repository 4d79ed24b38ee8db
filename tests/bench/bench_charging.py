"""How well charging captures are read: random captures of the independent simulator, and the time against a parser.

The machines and the troubles of engine, belt, regulator, scope and file are drawn in
`tests/independent_alternator_captures.py`, which shares nothing with the reader. The phase is right where the events of
the lowest one lie within 30 degrees of the faulty phase's highest or lowest point. A capture is flagged odd where its
lowest phase is below a limit set on other healthy captures (their 1 % quantile, seeds apart) and four standard errors
below 100. A capture is fair where a charging system is on it, long and fast enough to be seen, at 10 kS/s or more:
below, a ripple may be folded. Run from the checkout:

    python -m tests.bench.bench_charging [first seed] [captures]
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

from pipelines.kinds.base import ElementReading, Hookup, Reading
from pipelines.kinds.charging_ripple import KIND
from pipelines.waveform import Waveform
from tests.bench.timing import taken_ms
from tests.independent_alternator_captures import Truth, capture

JUDGED = (
    "no_ripple", "too_short", "clipped", "ac_coupled", "reversed_leads", "low_sample_rate", "coarse_resolution",
)  # fmt: skip
LOWEST_HZ = 1e4
SAID = {"open_diode": "does not conduct", "shorted_diode": "conducts both ways", "lost_phase": "that is lost"}


@dataclass(frozen=True, slots=True)
class Case:
    """One capture read."""

    seed: int
    clean: bool
    rate_hz: float
    truth: Truth
    reading: Reading

    @property
    def fair(self) -> bool:
        """Whether a reading can be asked for."""
        unfit = {"no_ripple", "too_short", "low_sample_rate", "coarse_resolution"}
        return self.rate_hz >= LOWEST_HZ and not self.truth.checks & unfit

    @property
    def worst(self) -> ElementReading | None:
        """The lowest phase; None where none was read."""
        return min(self.reading.elements, key=lambda one: one.relative_pct, default=None)

    @property
    def lowest(self) -> float:
        """The lowest phase in % of the median one; 100 where none was read."""
        return self.worst.relative_pct if self.worst else 100.0

    def odd(self, limit: float) -> bool:
        """Whether the capture would be flagged."""
        one = self.worst
        return one is not None and one.relative_pct < limit and 100.0 - one.relative_pct > 4.0 * one.se_pct

    @property
    def right_frequency(self) -> bool:
        """Whether the electrical frequency is right over the stretch that was used."""
        events, read_hz = self.reading.events, self.reading.features.get("electrical_hz", np.nan)
        if events is None:
            return False
        turned = np.interp([events.start_s, events.end_s], self.truth.times_s, self.truth.cycles)
        true_hz = (turned[1] - turned[0]) / max(events.end_s - events.start_s, 1e-9)
        return bool(abs(read_hz / max(true_hz, 1e-9) - 1.0) < 0.05)

    @property
    def right_phase(self) -> bool:
        """Whether the lowest phase is the one at fault."""
        events, one = self.reading.events, self.worst
        if one is None or events is None or self.truth.phase < 0:
            return False
        at = np.interp(events.event_s[events.position == one.position], self.truth.times_s, self.truth.cycles)
        apart = np.abs((2.0 * at - 2.0 * self.truth.phase / 3.0 + 0.5) % 1.0 - 0.5) * 180.0
        return bool(np.median(apart) < 30.0) if len(apart) else False


def read(wave: Waveform, truth: Truth) -> Reading:
    """Read one capture as the house does."""
    return KIND.read(wave, Hookup((truth.signal,), (1.0,)), None)


def read_case(seed: int, clean: bool, fault: str | None = None) -> Case:
    """Draw and read one capture."""
    wave, truth = capture(seed, fault=fault, clean=clean)
    return Case(seed, clean, wave.rate_hz, truth, read(wave, truth))


def auc(cases: list[Case]) -> float:
    """Area under the ROC curve of 'a phase is odd' by the lowest phase, among captures with phases read."""
    seen = [one for one in cases if one.worst is not None]
    label = [one.truth.fault != "none" for one in seen]
    known = 0 < sum(label) < len(label)
    return float(roc_auc_score(label, [-one.lowest for one in seen])) if known else float("nan")


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 300_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    cases = [read_case(first + k, clean=k % 3 == 0) for k in range(count)]
    fit = [read_case(first + 50_000 + k, clean=k % 3 == 0, fault="none") for k in range(count // 2)]
    limit = float(np.quantile([one.lowest for one in fit if one.worst and one.fair], 0.01))
    report(cases, limit)
    print(f"standard errors: error over stated {honest_errors(first, 60):.2f}")
    _print_speed(first)


def report(cases: list[Case], limit: float) -> None:
    """Print how well `cases` are read, flagged below `limit` (%)."""
    fair = [one for one in cases if one.fair]
    print(f"captures {len(cases)}, fair {len(fair)}; limit {limit:.1f} %")
    for name, part in (("clean", [one for one in fair if one.clean]), ("all", fair)):
        _print_part(name, part, limit)
    _print_checks(cases)
    known = [one for one in fair if np.isfinite(one.reading.features.get("speed_swing_pct", np.nan))]
    slack = [one.truth.slack for one in known]
    swing = roc_auc_score(slack, [one.reading.features["speed_swing_pct"] for one in known])
    print(f"slack belt by the speed's swing: AUC {swing:.3f} of {sum(slack)}/{len(slack)}")
    clock = [(one.truth.pwm_hz, one.reading.features.get("field_clock_hz", np.nan)) for one in fair]
    driven = [(true, said) for true, said in clock if true]
    right = sum(abs(said / true - 1) < 0.03 for true, said in driven)
    false = sum(np.isfinite(said) for true, said in clock if not true)
    print(f"regulator's clock found right {right}/{len(driven)}, false {false}/{len(clock) - len(driven)}")


def _print_part(name: str, part: list[Case], limit: float) -> None:
    seen = [one for one in part if one.worst is not None]
    healthy = [one for one in part if one.truth.fault == "none"]
    ill = [one for one in part if one.truth.fault != "none"]
    read_ill = [one for one in ill if one.worst is not None]
    found = [one for one in ill if one.odd(limit)]
    wrong = sum(not one.right_phase for one in found) + sum(one.odd(limit) for one in healthy)
    print(f"{name}: phases read {len(seen)}/{len(part)}, frequency right "
          f"{sum(one.right_frequency for one in seen)}/{len(seen)}, element right "
          f"{sum(one.right_phase for one in read_ill)}/{len(read_ill)}")  # fmt: skip
    print(f"  AUC {auc(part):.4f}; healthy flagged {sum(one.odd(limit) for one in healthy)}/{len(healthy)}, odd found "
          f"{len(found)}/{len(ill)}; confidently wrong (wrong phase or healthy) {wrong}/{len(part)}")  # fmt: skip
    for fault in (*SAID, "weak_phase", "none"):
        own = [one for one in seen if one.truth.fault == fault]
        said = Counter(
            next((kind for kind, words in SAID.items() if words in " ".join(one.reading.notes)), "-")
            for one in own
        )
        print(f"    {fault:14} n {len(own):3}, said {dict(said)}, odd {sum(one.odd(limit) for one in own)}")


def honest_errors(first: int, count: int) -> float:
    """r.m.s. of (first half minus second half) over its stated error, healthy clean captures with a firm belt."""
    ratios: list[float] = []
    for seed in range(first + 70_000, first + 70_000 + count):
        wave, truth = capture(seed, fault="none", clean=True)
        middle = wave.samples.shape[1] // 2
        halves = [
            read(Waveform(wave.rate_hz, 0.0, wave.samples[:, a:b], wave.labels), truth)
            for a, b in ((0, middle), (middle, 2 * middle))
        ]
        if truth.slack or any(len(half.elements) != 3 for half in halves):
            continue
        one, two = (np.array([[e.relative_pct, e.se_pct] for e in half.elements]) for half in halves)
        turned = [np.roll(two, k, axis=0) for k in range(3)]
        best = min(turned, key=lambda other: float(np.sum((one[:, 0] - other[:, 0]) ** 2)))
        far = np.array(
            [pair for pair in zip(one, best, strict=True) if 100.0 not in (pair[0][0], pair[1][0])]
        )
        if len(far):
            ratios += ((far[:, 0, 0] - far[:, 1, 0]) / np.hypot(far[:, 0, 1], far[:, 1, 1])).tolist()
    return float(np.sqrt(np.mean(np.square(ratios)))) if ratios else float("nan")


def _print_checks(cases: list[Case]) -> None:
    found: Counter[str] = Counter()
    there: Counter[str] = Counter()
    false: Counter[str] = Counter()
    absent: Counter[str] = Counter()
    for case in cases:
        named = {check.check for check in case.reading.checks}
        for name in JUDGED:
            if name in case.truth.grey and name not in case.truth.checks:
                continue
            reasons = case.truth.checks & {"no_ripple", "too_short", "low_sample_rate"}
            unread = case.reading.status == "unusable" and reasons and name not in named
            if unread and (name not in case.truth.checks or named & case.truth.checks):
                continue  # nothing was read: the first reason is enough
            is_there = name in case.truth.checks
            there[name] += is_there
            found[name] += is_there and name in named
            absent[name] += not is_there
            false[name] += not is_there and name in named
    for name in JUDGED:
        print(f"  check {name:18} found {found[name]}/{there[name]}, false {false[name]}/{absent[name]}")
    print(f"  checks found {sum(found.values()) / max(sum(there.values()), 1):.3f}, "
          f"false {sum(false.values()) / max(sum(absent.values()), 1):.4f}")  # fmt: skip


def _print_speed(first: int) -> None:
    types = {"time (s)": pl.Float64(), "battery (V)": pl.Float32()}
    print("rows      parse ms  read ms  ratio")
    for seed in range(first, first + 40, 5):
        wave, truth = capture(seed, clean=True)
        rows = wave.samples.shape[1]
        columns = (np.arange(rows) / wave.rate_hz, wave.samples[0])
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture.csv"
            pl.DataFrame(dict(zip(types, columns, strict=True))).write_csv(path, float_precision=6)
            parse_ms, read_ms = taken_ms(
                lambda p=path: pl.read_csv(p, schema=types),
                lambda w=wave, t=truth: read(w, t),
            )
        print(f"{rows:<9} {parse_ms:8.1f} {read_ms:8.1f} {read_ms / parse_ms:6.2f}")


if __name__ == "__main__":
    main()
