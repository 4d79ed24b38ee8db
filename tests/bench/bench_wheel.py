"""How well crank and cam captures are read: random captures of the independent simulator; time against a parser.

Wheels, engines and troubles are drawn in `tests/independent_wheel_captures.py`, which shares nothing with the reader.
As in the shop, a capture is held against what is usual in its family: the middle of three known-good captures of other
engines of the same make. A tooth's oddness is its distance from that over hypot(limit, 4 standard errors); the two
limits (place, size) are set on healthy captures of other seeds, of which 1 % lie beyond. Where a wheel of one missing
tooth has lost another, either of the two gaps may be its own, and either number counts as right. A wrong channel, a
record of less than two turns and one that shows fewer than five samples a place are not asked for teeth. The cam is
odd by its distance from the known-good ones. Run from the checkout:

    python -m tests.bench.bench_wheel [first seed] [captures]
"""

# ruff: noqa: T201
from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.metrics import roc_auc_score

from pipelines.kinds.base import ElementReading, Hookup, Reading
from pipelines.kinds.crank_cam_sensor import KIND
from pipelines.waveform import Waveform
from tests.bench.timing import taken_ms
from tests.independent_wheel_captures import Truth, capture

Floats = npt.NDArray[np.float64]
REFERENCES = 3
JUDGED = (
    "no_wheel", "too_short", "clipped", "swapped_channels", "reversed_leads", "ac_coupled", "lost_pulses",
    "low_sample_rate", "no_cam",
)  # fmt: skip
LOW_RATE, GREY = 8.0, 1.4


@dataclass(frozen=True, slots=True)
class Case:
    """One capture read, and the usual pattern of its family by measure (zeros where there is none)."""

    seed: int
    clean: bool
    truth: Truth
    reading: Reading
    usual: dict[str, Floats]
    usual_cam_deg: float

    @property
    def asked(self) -> bool:
        """Whether somebody could read teeth from it."""
        return not self.truth.checks & {"no_wheel", "too_short"}

    def oddness(self, limits: dict[str, float]) -> tuple[float, int]:
        """The largest oddness of a tooth (1 = at the limit) and its number; 0, 0 where none was read."""
        best = (0.0, 0)
        for name, limit in limits.items():
            rows = of(self.reading, name)
            usual = self.usual.get(name, np.zeros(0))
            for at, one in enumerate(rows):
                apart = one.relative_pct - 100.0 - (usual[at] if len(usual) == len(rows) else 0.0)
                apart = abs(apart) if name == "tooth_place" else -apart
                odd = apart / float(np.hypot(limit, 4.0 * one.se_pct))
                if odd > best[0]:
                    best = (odd, one.element or 0)
        return best

    def names(self, number: int) -> bool:
        """Whether that is the damaged tooth's number."""
        truth = self.truth
        single = truth.design.endswith("-1") and truth.fault == "missing"
        places = int(truth.design.split("-")[0])
        return number == truth.odd or (single and number == places - truth.odd)

    @property
    def cam_off_deg(self) -> float:
        """Cam against the family's, NaN where one is not known."""
        apart = self.reading.features.get("cam_after_gap_deg", np.nan) - self.usual_cam_deg
        return float((apart + 180.0) % 360.0 - 180.0)


def of(reading: Reading, measure: str) -> list[ElementReading]:
    """A measure's elements by position."""
    return sorted((one for one in reading.elements if one.measure == measure), key=lambda one: one.position)


def read(wave: Waveform, signals: tuple[str, ...]) -> Reading:
    """Read one capture as the house does."""
    return KIND.read(wave, Hookup(signals, (1.0,) * len(signals)), None)


def read_case(seed: int, clean: bool, fault: str | None = None, late: bool | None = None) -> Case:
    """Draw and read one capture and its family's known-good ones."""
    wave, truth, signals = capture(seed, fault=fault, clean=clean, late=late)
    reading = read(wave, signals)
    patterns: dict[str, list[Floats]] = {"tooth_place": [], "tooth_size": []}
    cams = []
    for specimen in range(1, REFERENCES + 1):
        other, _, named = capture(seed, fault="none", clean=True, late=False, specimen=specimen)
        good = read(other, named)
        cams.append(good.features.get("cam_after_gap_deg", np.nan))
        for name, found in patterns.items():
            values = np.array([one.relative_pct - 100.0 for one in of(good, name)])
            if len(values) and (not found or len(found[0]) == len(values)):
                found.append(values)
    usual = {name: np.median(found, axis=0) for name, found in patterns.items() if found}
    # the one the others are nearest to
    known = np.array([cam for cam in cams if np.isfinite(cam)])
    away = np.abs((known[:, None] - known[None, :] + 180.0) % 360.0 - 180.0).sum(axis=1)
    middle = float(known[np.argmin(away)]) if len(known) else np.nan
    return Case(seed, clean, truth, reading, usual, middle)


def limits_of(cases: list[Case]) -> dict[str, float]:
    """Limits in % beyond which 1 % of healthy captures lie, by measure."""
    limits = {}
    for name in ("tooth_place", "tooth_size"):
        low, high = 0.1, 200.0
        for _ in range(30):
            middle = np.sqrt(low * high)
            share = np.mean([case.oddness({name: middle})[0] > 1 for case in cases if case.reading.elements])
            low, high = (middle, high) if share > 0.01 else (low, middle)
        limits[name] = float(high)
    return limits


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 700_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    cases = [read_case(first + k, clean=k % 3 == 0) for k in range(count)]
    fit = [
        read_case(first + 50_000 + k, clean=k % 3 == 0, fault="none", late=False) for k in range(count // 2)
    ]
    limits = limits_of([case for case in fit if case.asked])
    asked = [case for case in cases if case.asked]
    print(f"captures {count}, with turns enough {len(asked)}; limits "
          + ", ".join(f"{name} {value:.1f} %" for name, value in limits.items()))  # fmt: skip
    for name, part in (("clean", [case for case in asked if case.clean]), ("all", asked)):
        _print_part(name, part, limits)
    _print_checks(cases)
    place, cam = honest_errors(first, 50)
    print(f"standard errors: error over stated: teeth {place:.2f}, cam {cam:.2f}")
    _print_speed(first)


def _print_part(name: str, part: list[Case], limits: dict[str, float]) -> None:
    seen = [case for case in part if case.reading.status == "read"]
    odd = [case.oddness(limits) for case in seen]
    hurt = np.array([case.truth.fault != "none" for case in seen])
    score = np.array([one[0] for one in odd])
    right = np.array([case.names(one[1]) for case, one in zip(seen, odd, strict=True)])
    wheels = [_wheel_right(case) for case in seen]
    wrong = [case.seed for case, one, hit in zip(seen, odd, right, strict=True) if one[0] > 1 and not hit]
    print(f"{name}: read {len(seen)}/{len(part)}; wheel right {np.mean(wheels):.3f}; element right "
          f"{right[hurt].mean():.3f} of {hurt.sum()}; AUC {roc_auc_score(hurt, score):.4f}")  # fmt: skip
    print(f"  odd found {np.mean(score[hurt] > 1):.3f}; healthy flagged {np.mean(score[~hurt] > 1):.3f} of "
          f"{(~hurt).sum()}; confidently wrong on a damaged wheel "
          f"{np.sum((score > 1) & hurt & ~right)}/{len(part)}; seeds {wrong[:12]}")  # fmt: skip
    missed = [case.seed for case in part if case.reading.status != "read"]
    lost = [case.seed for case, hit, is_hurt in zip(seen, right, hurt, strict=True) if is_hurt and not hit]
    odd_wheel = [case.seed for case, fine in zip(seen, wheels, strict=True) if not fine]
    print(f"  unread seeds {missed[:20]}; wheel wrong {odd_wheel[:20]}; element wrong {lost[:20]}")
    cam = [case for case in seen if np.isfinite(case.cam_off_deg) and len(case.truth.cam_deg)]
    late = np.array([case.truth.late_deg for case in cam])
    off = np.array([case.cam_off_deg for case in cam])
    have = [case for case in seen if len(case.truth.cam_deg)]
    near = np.abs((off - late + 180) % 360 - 180) < 1.0
    far = [case.seed for case, fine in zip(cam, near, strict=True) if not fine]
    print(f"  cam read {len(cam)}/{len(have)}; AUC {roc_auc_score(late != 0, np.abs(off)):.4f}; within 1 degree of "
          f"the truth {near.mean():.3f}; far off {far[:12]}")  # fmt: skip


def _wheel_right(case: Case) -> bool:
    places, *gaps = (int(part) for part in case.truth.design.split("-"))
    count = places - sum(gaps)
    read_teeth = len(of(case.reading, "tooth_place"))
    return int(case.reading.features["places"]) == places and read_teeth == count


def honest_errors(first: int, count: int) -> tuple[float, float]:
    """r.m.s. of (first half minus second half) over its stated error on healthy clean captures: teeth, cam."""
    teeth: list[float] = []
    cams: list[float] = []
    for seed in range(first + 90_000, first + 90_000 + count):
        wave, _, signals = capture(seed, fault="none", clean=True)
        middle = wave.samples.shape[1] // 2
        halves = [
            read(Waveform(wave.rate_hz, 0.0, wave.samples[:, part], wave.labels), signals)
            for part in (slice(0, middle), slice(middle, None))
        ]
        for name, into in (("tooth_place", teeth), ("tooth_size", teeth), ("cam_timing", cams)):
            one, two = (np.array([[e.relative_pct, e.se_pct] for e in of(half, name)]) for half in halves)
            if one.shape != two.shape or not len(one):
                continue
            apart = one[:, 0] - two[:, 0]
            if name == "cam_timing":
                apart = (apart + 50) % 100 - 50
            into += (apart / np.hypot(one[:, 1], two[:, 1])).tolist()
    return tuple(float(np.sqrt(np.mean(np.square(one)))) for one in (teeth, cams))  # type: ignore[return-value]


def _print_checks(cases: list[Case]) -> None:
    found: Counter[str] = Counter()
    there: Counter[str] = Counter()
    false: Counter[str] = Counter()
    where: list[tuple[str, int]] = []
    for case in cases:
        truth, named = case.truth, {check.check for check in case.reading.checks}
        wanted = set(truth.checks)
        if truth.samples_a_place < LOW_RATE:
            wanted.add("low_sample_rate")
        for name in JUDGED:
            if name == "low_sample_rate" and LOW_RATE / GREY < truth.samples_a_place < LOW_RATE * GREY:
                continue
            if (
                name != "no_wheel"
                and name in wanted
                and case.reading.status != "read"
                and name != "too_short"
            ):
                continue  # what cannot be read can show little of how it was hooked up
            if (
                name == "too_short"
                and name not in wanted
                and (truth.troubles & {"from_rest", "stops"} or truth.checks & {"lost_pulses", "no_wheel"})
            ):
                continue  # few whole turns are left
            if name == "no_wheel" and "too_short" in wanted:
                continue  # less than two turns hold no pattern that comes again
            there[name] += name in wanted
            found[name] += name in wanted and name in named
            false[name] += name not in wanted and name in named
            if (name in wanted) != (name in named):
                where.append((name, case.seed))
    for name in JUDGED:
        print(f"  check {name:18} found {found[name]}/{there[name]}, false {false[name]}/{len(cases) - there[name]}"
              f"  {[seed for one, seed in where if one == name][:10]}")  # fmt: skip
    total = sum(there.values())
    print(f"  checks found {sum(found.values()) / max(total, 1):.3f}, "
          f"false {sum(false.values()) / (len(cases) * len(JUDGED) - total):.4f}")  # fmt: skip


def _print_speed(first: int) -> None:
    print("rows      channels  parse ms  read ms  ratio")
    for seed in range(first, first + 40, 5):
        wave, _, signals = capture(seed, clean=True)
        channels, rows = wave.samples.shape
        types = {"time (s)": pl.Float64(), **{f"ch{at} (V)": pl.Float32() for at in range(channels)}}
        columns = (np.arange(rows) / wave.rate_hz, *wave.samples)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture.csv"
            pl.DataFrame(dict(zip(types, columns, strict=True))).write_csv(path, float_precision=6)
            parse_ms, read_ms = taken_ms(
                lambda p=path, t=types: pl.read_csv(p, schema=t),
                lambda w=wave, s=signals: read(w, s),
            )
        print(f"{rows:<9} {channels:8} {parse_ms:9.1f} {read_ms:8.1f} {read_ms / parse_ms:6.2f}")


if __name__ == "__main__":
    main()
