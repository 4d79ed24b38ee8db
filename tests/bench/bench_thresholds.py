"""Proposed X against the X that truly has the lowest cost, and naive against corrected curves.

    python -m tests.bench.bench_thresholds [--shops 20] [--thin 100] [--seed 6]

Run from the checkout root. Groups, faults and who gets followed up are drawn at random with a known truth; the true
cost is that of 200,000 fresh captures.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.spread.fit import fit_groups, score_captures
from models.spread.null import lowest_gap
from models.thresholds.evidence import evidence
from models.thresholds.proposal import Costs, curves, propose
from tests.groups_shop import MEASURE, DrawnShop, Truth, healthy_readings, make_shop, to_median

GRID = np.round(np.arange(0.5, 30.0, 0.1), 1)
LOSS_PCT = (3.0, 25.0)
ODD_SHARE = 0.25
CONFIRM = (0.7, 0.12)
COST_MISS, COST_FALSE_ALARM = 600.0, 90.0


@dataclass(frozen=True)
class TrueCost:
    """Cost by X of one group, with the group's own true pattern known."""

    cost: np.ndarray
    detection: np.ndarray
    false_alarm: np.ndarray

    @property
    def best_pct(self) -> float:
        """The X with the lowest cost."""
        return float(GRID[int(np.argmin(self.cost))])

    def at(self, x_pct: float) -> float:
        """Cost at this X, per capture."""
        return float(np.interp(x_pct, GRID, self.cost))


def true_cost(truth: Truth, pattern_pct: np.ndarray, *, odd_share: float, draws: int, seed: int) -> TrueCost:
    """Cost of every X on fresh captures, judged against the pattern in use."""
    rng = np.random.default_rng(seed)
    raw = healthy_readings(rng, truth, draws)
    healthy, _ = lowest_gap(to_median(raw) - pattern_pct)
    weak = raw.copy()
    weak[np.arange(draws), rng.integers(0, truth.elements, draws)] *= (
        1.0 - rng.uniform(*LOSS_PCT, draws) / 100.0
    )
    odd, _ = lowest_gap(to_median(weak) - pattern_pct)
    false_alarm = 1.0 - np.searchsorted(np.sort(healthy), GRID) / draws
    detection = 1.0 - np.searchsorted(np.sort(odd), GRID) / draws
    cost = odd_share * COST_MISS * (1 - detection) + (1 - odd_share) * COST_FALSE_ALARM * false_alarm
    return TrueCost(cost, detection, false_alarm)


def shop_with_outcomes(seed: int, per_group: int) -> DrawnShop:
    """Eight groups; three quarters of the odd-looking captures are followed up, an eighth of the rest."""
    return make_shop(
        seed, [per_group] * 8, odd_share=ODD_SHARE, loss_pct=LOSS_PCT, confirm=CONFIRM, known_good_share=0.0
    )


def recovery(shops: int, per_group: int, *, seed: int = 1, draws: int = 200_000) -> pl.DataFrame:
    """One row a group: proposed and true X, what the difference costs, and how far off the curves are."""
    rows = []
    for at in range(shops):
        shop = shop_with_outcomes(seed * 1000 + at, per_group)
        fit = fit_groups(shop.records, MEASURE)
        scores = score_captures(fit, shop.records)
        proposals = propose(fit, scores, shop.records, Costs(COST_MISS, COST_FALSE_ALARM), draws=100)
        seen = curves(evidence(scores, shop.records), draws=2, grid_pct=GRID).curves
        for proposal in proposals:
            name = proposal.group
            truth = true_cost(
                shop.truth[name], fit.pattern_of(name), odd_share=ODD_SHARE, draws=draws, seed=at
            )
            best = truth.cost.min()
            row = {
                "group": name,
                "proposed_pct": proposal.threshold_pct,
                "true_pct": truth.best_pct,
                "low": proposal.low,
                "high": proposal.high,
                "excess_cost": truth.at(proposal.threshold_pct) / best - 1.0,
                "excess_cost_normal_spread": truth.at(fit.nulls[name].quantile(0.99)) / best - 1.0,
                "prevalence": proposal.prevalence,
                "basis": proposal.basis,
            }
            for what, exact in (("detection", truth.detection), ("false_alarm", truth.false_alarm)):
                for how in ("naive", "corrected"):
                    part = seen.filter(
                        (pl.col("group") == name) & (pl.col("what") == what) & (pl.col("how") == how)
                    )
                    near = np.abs(GRID - truth.best_pct) <= 2.0
                    row[f"{what}_{how}"] = (
                        float(np.mean(part["share"].to_numpy()[near] - exact[near])) if part.height else None
                    )
            rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


def thin_groups(shops: int, *, seed: int = 6, draws: int = 30_000) -> pl.DataFrame:
    """Four thin groups in a shop with four of 75 captures: one row a group, whether its interval holds the truth."""
    counts, rows = (6, 10, 15, 25, 75, 75, 75, 75), []
    for at in range(shops):
        shop = make_shop(
            seed * 1000 + at, list(counts), odd_share=ODD_SHARE, loss_pct=LOSS_PCT, confirm=(0.75, 0.15)
        )
        fit = fit_groups(shop.records, MEASURE)
        found = propose(
            fit,
            score_captures(fit, shop.records),
            shop.records,
            Costs(COST_MISS, COST_FALSE_ALARM),
            draws=100,
        )
        for one, captures in zip(found, counts, strict=True):
            pattern = fit.pattern_of(one.group)
            truth = true_cost(shop.truth[one.group], pattern, odd_share=ODD_SHARE, draws=draws, seed=at)
            held = one.low <= truth.best_pct <= one.high
            rows.append((captures, one.basis, held, one.high - one.low))
    return pl.DataFrame(rows, schema=["captures", "basis", "held", "width"], orient="row")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--shops", type=int, default=20, help="shops of eight groups; 0 for the thin ones alone"
    )
    parser.add_argument("--thin", type=int, default=100, help="shops with four thin groups")
    parser.add_argument("--seed", type=int, default=6, help="of the thin ones")
    chosen = parser.parse_args()
    pl.Config.set_tbl_cols(-1)
    pl.Config.set_tbl_width_chars(200)
    for per_group in (25, 75, 250) if chosen.shops else ():
        started = time.perf_counter()
        table = recovery(chosen.shops, per_group)
        off = table["proposed_pct"] - table["true_pct"]
        covered = ((table["low"] <= table["true_pct"]) & (table["true_pct"] <= table["high"])).mean()
        print(  # noqa: T201
            f"{per_group} captures a group, {table.height} groups: proposed - true X "
            f"{off.mean():+.2f} % (sd {off.std():.2f}), interval covers {covered:.0%}; cost above the lowest: "
            f"median {table['excess_cost'].median():.1%}, mean {table['excess_cost'].mean():.1%} "
            f"(1 % normal-spread limit {table['excess_cost_normal_spread'].mean():.1%}); "
            f"prevalence {table['prevalence'].mean():.3f} (true {ODD_SHARE}); curve error near the best X: "
            f"detection naive {table['detection_naive'].mean():+.3f}, corrected "
            f"{table['detection_corrected'].mean():+.3f}, false alarms naive "
            f"{table['false_alarm_naive'].mean():+.3f}, corrected {table['false_alarm_corrected'].mean():+.3f} "
            f"({time.perf_counter() - started:.0f} s)"
        )

    thin = thin_groups(chosen.thin, seed=chosen.seed).filter(pl.col("basis") != "normal spread")
    few = thin.filter(pl.col("captures") < 75)["held"]
    print(  # noqa: T201
        f"thin groups: interval covers {few.mean():.1%} of {few.len()} "
        f"(standard error {few.cast(pl.Float64).std() / few.len() ** 0.5:.1%})"
    )
    for (captures,), part in thin.group_by("captures", maintain_order=True):
        print(  # noqa: T201
            f"{captures} captures among groups of 75: interval covers {part['held'].mean():.0%} of {part.height}, "
            f"mean width {part['width'].mean():.1f} %"
        )


if __name__ == "__main__":
    main()
