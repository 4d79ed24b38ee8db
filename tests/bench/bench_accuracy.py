"""Accuracy of the reader and the two simple methods over the independent sets, a row a kind of capture.

Run from the checkout: `python -m tests.bench.bench_accuracy [--n 40] [--seed 11] [--kinds clean,gain]`.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from pipelines.kinds import kind
from tests.accuracy import Judged, Method, calibration, judge, read_all, summarise, usual_pattern
from tests.bench.baselines import dips_by_sync, local_extremes_line
from tests.independent_kinds import RECIPES
from tests.independent_sets import make_repeats, make_set

BASELINES: dict[str, Method] = {"dips": dips_by_sync, "local_line": local_extremes_line}
HEAVY = {"megasample": 6, "long_record": 20}


def methods(names: list[str]) -> dict[str, Method]:
    """The reader and the named baselines."""
    found: dict[str, Method] = {}
    for name in names:
        if name == "reader":
            reader = kind("relative_compression")
            if reader is None:
                raise SystemExit("no test kind relative_compression is installed")
            found[name] = reader.read
        else:
            found[name] = BASELINES[name]
    return found


def failures(judged: list[Judged], threshold: float) -> list[str]:
    """A line for each capture that was misread, for looking into."""
    lines = []
    for index, j in enumerate(judged):
        truth = j.capture.truth
        says = []
        if j.error:
            says.append(j.error)
        if truth.readable and not np.isfinite(j.score):
            says.append(f"unusable: {j.reading.reason if j.reading else ''}")
        if truth.readable and truth.faulty and np.isfinite(j.score) and not j.right:
            low = min(j.reading.elements, key=lambda c: c.relative_pct) if j.reading else None
            says.append(f"wrong cylinder (lowest {low}, right event {j.right_event})")
        if truth.readable and np.isfinite(j.score) and (j.score > threshold) != bool(truth.faulty):
            says.append(f"score {j.score:.1f} on the wrong side of {threshold:.1f}")
        if j.missed:
            says.append(f"not raised {sorted(j.missed)}")
        if j.false:
            says.append(f"falsely raised {sorted(j.false)}")
        if says:
            lines.append(f"[{index}] {j.capture.description}\n      " + "\n      ".join(says))
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Print the table; with `--failures FILE` also every misread capture."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=40)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--kinds", default=",".join(RECIPES))
    parser.add_argument("--methods", default="reader,dips,local_line")
    parser.add_argument("--failures", type=Path)
    parser.add_argument("--repeats", type=int, default=20, help="engines whose captures are repeated")
    options = parser.parse_args(arguments)
    out = sys.stdout
    sets = {
        k: make_set(k, min(options.n, HEAVY.get(k, options.n)), options.seed)
        for k in options.kinds.split(",")
    }
    notes: list[str] = []
    for name, method in methods(options.methods.split(",")).items():
        begin = time.perf_counter()
        readings = {k: read_all(method, captures) for k, captures in sets.items()}
        spent = time.perf_counter() - begin
        pattern = usual_pattern([r for rows in readings.values() for r in rows])
        out.write(f"\n{name} ({spent / sum(map(len, sets.values())) * 1e3:.1f} ms a capture)\n")
        out.write("kind              n    AUC  right event  found false unusable crashed\n")
        everything: list[Judged] = []
        judged_by = {k: [judge(*r, pattern) for r in rows] for k, rows in readings.items()}
        scores = [
            j.score
            for rows in judged_by.values()
            for j in rows
            if np.isfinite(j.score) and not j.capture.truth.faulty and j.capture.truth.named == "sync"
        ]
        threshold = float(np.quantile(scores, 0.97)) if scores else float("nan")
        for k, judged in judged_by.items():
            everything += judged
            out.write(_row(k, judged))
            if name == "reader":
                notes += [f"== {k}", *failures(judged, threshold)]
        out.write(_row("all", everything))
        if name == "reader" and options.repeats:
            ratio, groups = calibration(read_all(method, make_repeats(options.repeats, 6, options.seed)))
            out.write(f"spread over repeats / claimed standard error: {ratio:.2f} ({groups} groups)\n")
            out.write(f"97 % of healthy captures score below {threshold:.1f} %\n")
    if options.failures:
        options.failures.write_text("\n".join(notes) + "\n")
    return 0


def _row(name: str, judged: list[Judged]) -> str:
    s = summarise(name, judged)
    return (
        f"{s.kind:<16}{s.n:>4} {s.auc:6.3f} {s.right:6.2f} {s.right_event:5.2f} {s.checks_found:6.2f} "
        f"{s.checks_false:5.2f} {s.unusable:8.2f} {s.crashed:7d}\n"
    )


if __name__ == "__main__":
    raise SystemExit(main())
