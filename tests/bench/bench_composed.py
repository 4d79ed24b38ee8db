"""The project's reader over captures composed at random (`tests/composed/`), against what is true of them.

    python -m tests.bench.bench_composed --n 1000 --seed 1            the tables and the worst captures
    python -m tests.bench.bench_composed --n 1000 --seed 1 --leave-one-out
        each trouble's figures on captures that have it and on those that do not: what was set by looking at the
        second (`--without TROUBLE`) is judged on the first (`--only TROUBLE`)
    python -m tests.bench.bench_composed --explain SEED               one capture in full, and cured of each trouble

Capture k of a run has the seed SEED * 1000003 + k. Never tune a reader on a seed that is to be reported.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import time
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from pipelines.kinds import checks, kind
from tests.composed import Drawn, cured, draw, simulate, troubles_of
from tests.composed.judging import HEALTHY_ODD_PCT, Verdict, judge
from tests.composed.troubles import TROUBLES

PROCESSES = 2
STRIDE = 1_000_003


def read_drawn(drawn: Drawn) -> Verdict:
    """Simulate, read, judge."""
    reader = kind("relative_compression")
    if reader is None:
        raise SystemExit("the test kind relative_compression is missing")
    waveform, hookup, family, truth = simulate(drawn)
    reading, error = None, ""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        begin = time.perf_counter()
        try:
            reading = reader.read(waveform, hookup, family)
        except Exception as raised:  # an exception is an outcome
            error = f"{type(raised).__name__}: {raised}"
    return judge(drawn, truth, family.sync_kind, reading, error, 1e3 * (time.perf_counter() - begin))


def read_seed(seed: int) -> Verdict:
    """As `read_drawn`, for a worker process."""
    return read_drawn(draw(seed))


def interval(k: int, n: int) -> str:
    """k of n with Wilson's 95 % interval."""
    if n == 0:
        return "  -  of 0"
    z = 1.959964
    middle = (k + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * (k * (n - k) / n + z * z / 4) ** 0.5
    return f"{k / n:.3f} ({k} of {n}; {max(middle - half, 0):.3f} to {min(middle + half, 1):.3f})"


def every(_: Verdict) -> bool:
    """All of them."""
    return True


def flagged(v: Verdict) -> bool:
    """The lowest cylinder is out by more than 8 % and 3 of its own stated errors."""
    return v.odd_gap[0] > HEALTHY_ODD_PCT and v.odd_gap[1] > 3


def share(
    verdicts: Sequence[Verdict], asked: Callable[[Verdict], bool], holds: Callable[[Verdict], bool]
) -> tuple[int, int]:
    """How many of those asked hold, and how many were asked."""
    of = [v for v in verdicts if asked(v)]
    return sum(map(holds, of)), len(of)


def print_summary(verdicts: Sequence[Verdict]) -> None:
    """The main figures."""
    healthy = [
        v for v in verdicts if v.healthy and v.status == "read" and v.readable is True and not v.log_wrong
    ]
    rows = (
        (
            "read of what an expert could",
            share(verdicts, lambda v: v.readable is True, lambda v: v.status == "read"),
        ),
        (
            "read of the grey ones",
            share(verdicts, lambda v: v.readable is None, lambda v: v.status == "read"),
        ),
        (
            "read though no expert could",
            share(verdicts, lambda v: v.readable is False, lambda v: v.status == "read"),
        ),
        ("crashed", share(verdicts, every, lambda v: v.status == "crashed")),
        ("right cylinder", share(verdicts, lambda v: v.right is not None, lambda v: v.right is True)),
        (
            "right events",
            share(verdicts, lambda v: v.right_event is not None, lambda v: v.right_event is True),
        ),
        (
            "confidently wrong captures",
            share(verdicts, lambda v: v.status == "read", lambda v: bool(v.wrong)),
        ),
        (
            "  beyond its own 2.6 errors",
            share(verdicts, lambda v: v.status == "read", lambda v: v.wrong_sure > 0),
        ),
        ("healthy and called odd", share(healthy, every, flagged)),
        ("healthy, gap over 2.6 errors", share(healthy, every, lambda v: v.odd_gap[1] > 2.6)),
    )
    for name, (k, n) in rows:
        print(f"{name:<30} {interval(k, n)}")
    print(f"median reading time {np.median([v.read_ms for v in verdicts]):.1f} ms")


def print_checks(verdicts: Sequence[Verdict]) -> None:
    """Each setup check: found of those that hold, raised of those that do not."""
    print("\ncheck                 found                                     falsely raised")
    sums = np.zeros(4, dtype=int)
    for name in checks():
        k = np.array(
            [
                sum(name in group for group in groups)
                for groups in zip(*((v.found, v.missed, v.false, v.quiet) for v in verdicts), strict=True)
            ]
        )
        sums += k
        if k.sum():
            print(f"{name:<20}  {interval(k[0], k[0] + k[1]):<42}{interval(k[2], k[2] + k[3])}")
    print(f"{'all':<20}  {interval(sums[0], sums[0] + sums[1]):<42}{interval(sums[2], sums[2] + sums[3])}")


def print_errors(verdicts: Sequence[Verdict]) -> None:
    """Standard errors: root mean square of error over stated error (1 is honest) and the middle one."""
    print(
        "\nerror over stated error       n     rms   rms of inner 95 %   beyond 1.96 (honest .05)   median error %"
    )
    groups: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for v in verdicts:
        groups[f"{v.cylinders:>2} cylinders"] += v.errors
        groups[f"   {v.style}"] += v.errors
    for name, values in sorted(groups.items()):
        if len(values) < 10:
            continue
        error, stated = np.array(values).T
        z = np.abs(error / stated)
        inner = z[z <= np.quantile(z, 0.95)]
        print(
            f"{name:<24} {z.size:>6}  {np.sqrt(np.mean(z**2)):6.2f}  {np.sqrt(np.mean(inner**2)):8.2f}"
            f"{np.mean(z > 1.96):20.3f}{np.median(np.abs(error)):24.2f}"
        )


def _row(name: str, of: Sequence[Verdict]) -> str:
    read = share(of, lambda v: v.readable is True, lambda v: v.status == "read")
    right = share(of, lambda v: v.right is not None, lambda v: v.right is True)
    healthy = share(of, lambda v: v.healthy and v.status == "read" and v.readable is True, flagged)
    found = sum(len(v.found) for v in of), sum(len(v.found) + len(v.missed) for v in of)
    false = sum(len(v.false) for v in of), sum(len(v.false) + len(v.quiet) for v in of)
    cells = [
        f"{k:>4}/{n:<4}{k / n if n else float('nan'):5.2f}" for k, n in (read, right, found, false, healthy)
    ]
    return f"{name:<26}{len(of):>5}  {'  '.join(cells)}  {sum(bool(v.wrong) for v in of):>3}"


def print_by_trouble(verdicts: Sequence[Verdict], *, both: bool) -> None:
    """One row a trouble; with `both` also the captures that do not have it."""
    print(
        f"\n{'trouble':<26}{'n':>5}  {'read':>14}  {'right cyl':>14}  {'checks found':>14}  "
        f"{'false':>14}  {'healthy odd':>14}  wrong"
    )
    print(_row("all", verdicts))
    for name in TROUBLES:
        has = [v for v in verdicts if name in v.troubles]
        print(_row(name, has))
        if both:
            print(_row("  left out", [v for v in verdicts if name not in v.troubles]))


def print_worst(verdicts: Sequence[Verdict], count: int) -> None:
    """The captures to look at first."""
    print("\nworst captures")
    for v in sorted(verdicts, key=lambda v: -v.badness)[:count]:
        if v.badness == 0:
            break
        what = [*v.wrong]
        what += ["lowest named wrongly"] * (v.right is False)
        what += [f"not read: {v.reason[:90]}"] * (v.readable is True and v.status != "read")
        what += [f"healthy called odd by {v.odd_gap[0]:.0f} %"] * (
            v.healthy and v.readable is True and flagged(v)
        )
        what += [f"missed {','.join(v.missed)}"] * bool(v.missed) + [f"false {','.join(v.false)}"] * bool(
            v.false
        )
        print(f"{v.seed}: {v.line}\n    {'; '.join(what)}")


def explain(seed: int) -> None:
    """One capture in full and cured of each of its troubles in turn."""
    drawn = draw(seed)
    print(drawn)
    for name, variant in [
        ("as drawn", drawn),
        *((f"without {t}", cured(drawn, t)) for t in troubles_of(drawn)),
    ]:
        v = read_drawn(variant)
        print(f"\n{name}: {v.line}\n    {v.status} {v.reason[:160]}")
        print(
            f"    readable {v.readable} right {v.right} wrong {v.wrong} missed {v.missed} false {v.false} "
            f"gap {v.odd_gap}"
        )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worst", type=int, default=25)
    parser.add_argument("--leave-one-out", action="store_true")
    parser.add_argument("--only", choices=sorted(TROUBLES), help="captures that have this trouble")
    parser.add_argument("--without", choices=sorted(TROUBLES), help="captures that do not have this trouble")
    parser.add_argument("--explain", type=int, metavar="SEED")
    asked = parser.parse_args()
    if asked.explain is not None:
        explain(asked.explain)
        return
    seeds = [asked.seed * STRIDE + k for k in range(asked.n)]
    if asked.only or asked.without:
        kept = {s: troubles_of(draw(s)) for s in seeds}
        seeds = [s for s, t in kept.items() if (not asked.only or asked.only in t) and asked.without not in t]
    with ProcessPoolExecutor(PROCESSES) as pool:
        verdicts = list(pool.map(read_seed, seeds, chunksize=4))
    combinations = len({v.troubles for v in verdicts})
    spread = Counter(str(v.readable) for v in verdicts)
    print(
        f"{len(verdicts)} captures, {combinations} combinations of troubles, an expert could read: {dict(spread)}\n"
    )
    print_summary(verdicts)
    print_checks(verdicts)
    print_errors(verdicts)
    print_by_trouble(verdicts, both=asked.leave_one_out)
    print_worst(verdicts, asked.worst)


if __name__ == "__main__":
    main()
