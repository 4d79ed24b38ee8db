"""Figures of readers that set elements beside each other, on captures whose truth is known: for several benches."""

# ruff: noqa: T201
from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from sklearn.metrics import roc_auc_score

from pipelines.kinds.base import ElementReading, EngineFamily, Hookup, Kind, Reading
from pipelines.waveform import Waveform
from tests.bench import timing

ODD_PCT, GREY_PCT = 10.0, 5.0
SURE = 4.0


@dataclass(frozen=True, slots=True)
class Case:
    """One capture read. `truth` has fault, odd, relative, checks, grey, readable and worst_pct."""

    seed: int
    clean: bool
    wave: Waveform
    hookup: Hookup
    family: EngineFamily
    truth: Any
    reading: Reading

    @property
    def odd(self) -> bool | None:
        """Whether an element is odd in truth; None where it is neither clearly odd nor clearly not."""
        if self.truth.fault != "none" and self.truth.worst_pct >= ODD_PCT:
            return True
        return None if self.truth.worst_pct > GREY_PCT else False

    @property
    def compared(self) -> bool:
        """Whether the hookup allows to compare elements."""
        return (
            bool(self.truth.readable and self.truth.relative)
            and len(next(iter(self.truth.relative.values()))) > 2
        )


def score(one: ElementReading, spread_pct: float) -> float:
    """Distance from the median element in healthy spreads, the reading's own error taken in."""
    return abs(one.relative_pct - 100.0) / float(np.hypot(spread_pct, one.se_pct))


def worst(kind: Kind, reading: Reading) -> tuple[float, ElementReading | None]:
    """The oddest element of any measure and its score."""
    scored = [(score(one, kind.measure(one.measure).usual_spread_pct), one) for one in reading.elements]
    return max(scored, key=lambda pair: pair[0], default=(0.0, None))


def work(read_case: Callable[..., Case], first: int, count: int, fault: str | None = None) -> list[Case]:
    """Draw and read `count` captures, every third one clean."""
    return [read_case(first + k, k % 3 == 0, fault) for k in range(count)]


def report(kind: Kind, cases: list[Case], healthy: list[Case], names: tuple[str, ...]) -> None:
    """Print all figures of a bench."""
    fit = [worst(kind, c.reading)[0] for c in healthy if c.compared and c.reading.elements]
    limit = float(np.quantile(fit, 0.99))
    print(
        f"captures {len(cases)}, elements can be compared in {sum(c.compared for c in cases)}; limit {limit:.2f}"
    )
    for name, part in (("clean", [c for c in cases if c.clean]), ("all", cases)):
        _print_part(kind, name, [c for c in part if c.compared], limit)
    print(f"standard errors: error over stated {honest(kind, cases + healthy):.2f}")
    _print_checks(cases, names)
    _print_speed(kind, cases)


def _print_part(kind: Kind, name: str, part: list[Case], limit: float) -> None:
    seen = [c for c in part if c.reading.elements]
    judged = [c for c in seen if c.odd is not None]
    found = {id(c): worst(kind, c.reading) for c in judged}
    ill = [c for c in judged if c.odd]
    well = [c for c in judged if not c.odd]
    named = [c for c in ill if found[id(c)][1].element is not None]  # type: ignore[union-attr]
    right = [c for c in named if found[id(c)][1].element == c.truth.odd]  # type: ignore[union-attr]
    area = roc_auc_score([bool(c.odd) for c in judged], [found[id(c)][0] for c in judged])
    flagged = [c for c in well if found[id(c)][0] > limit]
    wrong = [c for c in named if c not in right and found[id(c)][0] > limit and _sure(found[id(c)][1])]
    alarm = [c for c in flagged if _sure(found[id(c)][1]) and found[id(c)][0] > 2 * limit]
    print(f"{name}: elements read {len(seen)}/{len(part)}, element right {len(right)}/{len(named)} "
          f"({len(right) / max(len(named), 1):.3f}), AUC {area:.4f}")  # fmt: skip
    print(f"  healthy flagged {len(flagged)}/{len(well)} ({len(flagged) / max(len(well), 1):.3f}), odd found "
          f"{sum(found[id(c)][0] > limit for c in ill)}/{len(ill)}, confidently wrong "
          f"{len(wrong) + len(alarm)}/{len(part)}")  # fmt: skip
    for title, which in (("wrong element", [c for c in named if c not in right]), ("flagged", flagged),
                         ("unread", [c for c in part if not c.reading.elements])):  # fmt: skip
        if which:
            print(f"    {title}: " + ", ".join(f"{c.seed} {c.truth.mode}" for c in which[:12]))


def _sure(one: ElementReading | None) -> bool:
    return one is not None and abs(one.relative_pct - 100.0) > SURE * one.se_pct


def honest(kind: Kind, cases: list[Case]) -> float:
    """r.m.s. of (read minus true) over the stated error, sound captures with named elements."""
    ratios = []
    for case in cases:
        if not case.compared or case.truth.fault != "none":
            continue
        for one in case.reading.elements:
            true = case.truth.relative.get(one.measure or kind.measures[0].name)
            if true is not None and one.element is not None:
                ratios.append((one.relative_pct - true[one.element - 1]) / one.se_pct)
    # a few captures with a trouble all their own must not decide the figure
    return float(np.sqrt(np.mean(np.square(np.clip(ratios, -5, 5))))) if ratios else float("nan")


def _print_checks(cases: list[Case], names: tuple[str, ...]) -> None:
    there, found, false, sound = (Counter[str]() for _ in range(4))
    missed: dict[str, list[int]] = {}
    wrong: dict[str, list[int]] = {}
    for case in cases:
        said = {check.check for check in case.reading.checks}
        for name in names:
            if name in case.truth.checks:
                there[name] += 1
                found[name] += name in said
                if name not in said:
                    missed.setdefault(name, []).append(case.seed)
            elif name not in case.truth.grey:
                sound[name] += 1
                false[name] += name in said
                if name in said:
                    wrong.setdefault(name, []).append(case.seed)
    for name in names:
        print(f"  check {name:18} found {found[name]}/{there[name]}, false {false[name]}/{sound[name]}  "
              f"{missed.get(name, [])[:6]} {wrong.get(name, [])[:6]}")  # fmt: skip
    print(
        f"  checks found {found.total() / max(there.total(), 1):.3f}, false {false.total() / sound.total():.4f}"
    )


def _print_speed(kind: Kind, cases: list[Case]) -> None:
    print("rows x channels   parse ms  read ms  ratio")
    ratios = []
    for case in cases[:: max(1, len(cases) // 12)]:
        rows = case.wave.samples.shape[1]
        columns = {"time": np.arange(rows) / case.wave.rate_hz} | {
            f"ch{k}": line for k, line in enumerate(case.wave.samples)
        }
        types = {name: pl.Float64() if name == "time" else pl.Float32() for name in columns}
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture.csv"
            pl.DataFrame(columns, schema=types).write_csv(path, float_precision=6)
            parse_ms, read_ms = timing.taken_ms(
                lambda p=path, t=types: pl.read_csv(p, schema=t),
                lambda c=case: kind.read(c.wave, c.hookup, c.family),
                runs=5,
            )
        ratios.append(read_ms / parse_ms)
        print(f"{rows:<8} x {len(case.wave.samples)}      {parse_ms:8.1f} {read_ms:8.1f} {ratios[-1]:6.2f}")
    print(f"median ratio {np.median(ratios):.2f}")
