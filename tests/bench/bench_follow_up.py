"""What the proposed limit does when a shop follows up what looks odd, and when some tests are drawn by lot.

    python -m tests.bench.bench_follow_up [--shops 12] [--seed 100]

Shops of four groups and 120 captures each, one vehicle in eight with an odd element of 3 to 25 %; the limit
in force is 5.3 %. Prints the mean limit, the share of healthy captures it truly flags (mean and worst group),
what it costs beyond the limit that truly costs least, and how many proposals stay on normal spread or ask
for a look.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from models.thresholds.proposal import Costs, propose
from tests.follow_up_shop import FollowUp, follow_up_shop

MISS, FALSE_ALARM = 600.0, 90.0
GRID = np.arange(1.0, 15.0, 0.1)
WAYS = {
    "flagged only": FollowUp(),
    "flagged and near misses": FollowUp(near_miss=0.8),
    "5 % of the others by lot": FollowUp(at_random=0.05),
    "10 % of the others by lot": FollowUp(at_random=0.10),
    "30 % of the others by lot": FollowUp(at_random=0.30),
}


@dataclass(frozen=True)
class Row:
    """One proposal against the truth."""

    limit: float
    flagged: float
    excess: float
    spread: bool
    look: bool


def run(shops: int, seed: int, how: FollowUp) -> list[Row]:
    """Every proposal of the shops."""
    rows = []
    for at in range(shops):
        drawn = follow_up_shop(seed + at, how)
        for one in propose(drawn.fit, drawn.scores, drawn.shop, Costs(MISS, FALSE_ALARM), draws=60):
            cost = {x: drawn.cost(one.group, x, miss=MISS, false_alarm=FALSE_ALARM) for x in GRID}
            own = drawn.cost(one.group, one.threshold_pct, miss=MISS, false_alarm=FALSE_ALARM)
            rows.append(
                Row(
                    one.threshold_pct,
                    drawn.healthy_flagged(one.group, one.threshold_pct),
                    own - min(cost.values()),
                    one.basis == "normal spread",
                    one.needs_look is not None,
                )
            )
    return rows


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=12)
    parser.add_argument("--seed", type=int, default=100)
    chosen = parser.parse_args()
    for name, how in WAYS.items():
        rows = run(chosen.shops, chosen.seed, how)
        limit, flagged, excess = (
            float(np.mean([getattr(row, what) for row in rows])) for what in ("limit", "flagged", "excess")
        )
        worst = max(row.flagged for row in rows)
        unseen = max((row.flagged for row in rows if not row.look), default=0.0)
        spread, look = np.mean([row.spread for row in rows]), np.mean([row.look for row in rows])
        print(  # noqa: T201
            f"{name}: limit {limit:.1f} %, healthy flagged {flagged:.1%} (worst {worst:.0%}, worst without a look "
            f"{unseen:.0%}), {excess:.2f} a capture dearer than the best, on normal spread {spread:.0%}, asks for a "
            f"look {look:.0%}"
        )


if __name__ == "__main__":
    main()
