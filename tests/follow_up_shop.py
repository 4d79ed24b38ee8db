"""A shop that decides whom to follow up: by what was flagged, by what was called odd, and by lot.

Numbers alone, drawn from a seed; the truth is known for every capture. Groups, spread and faults are drawn
from ranges (invented, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records import schemas
from models.records.measure import Measure
from models.records.shop import Shop
from models.spread.fit import GroupFit, fit_groups, score_captures

Floats = npt.NDArray[np.float64]

LEVEL = Measure("level", "level of each element", "the capture's median element")
START = datetime(2025, 1, 6, 8)


@dataclass(frozen=True)
class FollowUp:
    """How a shop follows captures up: chance for a flagged one, and for one that looked healthy.

    `limit_pct` is the limit in force; `at_random` is the share of all unflagged captures that is drawn by lot
    and tested; `near_miss` the chance of a test for unflagged ones within 1.5 % of the limit.
    """

    limit_pct: float = 5.3
    flagged: float = 0.9
    at_random: float = 0.0
    near_miss: float = 0.0


@dataclass(frozen=True)
class Drawn:
    """The bundle, the fit, scores with `flagged`, and whether each capture truly has an odd element."""

    shop: Shop
    fit: GroupFit
    scores: pl.DataFrame
    odd: dict[str, bool]

    def healthy_flagged(self, group: str, limit: float) -> float:
        """True share of the healthy captures in question of a group that reach the limit."""
        rows = self.scores.filter((pl.col("group") == group) & pl.col("odd_pct").is_finite())
        values = [x for name, x in rows.select("capture_file", "odd_pct").iter_rows() if not self.odd[name]]
        return float(np.mean(np.array(values) >= limit))

    def cost(self, group: str, limit: float, *, miss: float, false_alarm: float) -> float:
        """True cost of a capture at a limit, over the captures drawn."""
        rows = self.scores.filter((pl.col("group") == group) & pl.col("odd_pct").is_finite())
        odd = np.array([self.odd[name] for name in rows["capture_file"]])
        flagged = (rows["odd_pct"] >= limit).to_numpy()
        return float(np.mean(np.where(odd, miss * ~flagged, false_alarm * flagged)))


def follow_up_shop(
    seed: int,
    how: FollowUp,
    *,
    groups: int = 4,
    captures: int = 120,
    odd_share: float = 0.12,
    loss_pct: tuple[float, float] = (3.0, 25.0),
) -> Drawn:
    """Draw the shop, fit it, flag by the limit in force, and follow up as it does."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    cells: list[dict[str, object]] = []
    odd: dict[str, bool] = {}
    where: dict[str, list[int]] = {}
    layouts = []
    for g in range(groups):
        count = int(rng.choice([4, 6, 8]))
        pattern = 100.0 + rng.normal(0.0, 0.9, count)
        spread = float(np.exp(rng.normal(np.log(1.4), 0.2)))
        layouts.append(("t", f"group {g}", count, list(range(1, count + 1)), False))
        for i in range(captures):
            name = f"{g}-{i}.csv"
            level = pattern + rng.normal(0.0, spread, count)
            odd[name] = bool(rng.random() < odd_share)
            element = int(rng.integers(count))
            if odd[name]:
                level[element] *= 1.0 - rng.uniform(*loss_pct) / 100.0
            where[name] = [element + 1] if odd[name] else []
            at = START + timedelta(days=float(rng.uniform(0, 330)))
            rows.append({
                "capture_file": name, "test": "t", "group": f"group {g}", "engine_family": f"group {g}",
                "technician": "a", "repair_order": name, "vehicle": name, "captured_at": at, "purpose": "diagnosis",
                "status": "read",
            })  # fmt: skip
            relative = 100.0 * level / np.median(level)
            cells += [
                {
                    "capture_file": name, "measure": "level", "position": c + 1, "element": c + 1,
                    "relative_pct": float(relative[c]), "se_pct": 0.4, "identified": "sync",
                }
                for c in range(count)
            ]  # fmt: skip
    shop = Shop.made(
        captures=pl.DataFrame(rows),
        elements=pl.DataFrame(cells),
        groups=schemas.GROUPS.of(pl.DataFrame(layouts, schema=list(schemas.GROUPS.types)[:5], orient="row")),
    )
    first = score_captures(fit_groups(shop, LEVEL), shop).captures
    level_of = dict(first.select("capture_file", "odd_pct").iter_rows())
    found = []
    for row in rows:
        name = str(row["capture_file"])
        reach = level_of[name] - how.limit_pct
        lot, near, flagged = rng.random(3)
        chosen = (
            flagged < how.flagged
            if reach >= 0
            else lot < how.at_random or (reach > -1.5 and near < how.near_miss)
        )
        if chosen:
            at = row["captured_at"]
            assert isinstance(at, datetime)
            found.append({
                "repair_order": name, "test": "t", "confirmed_at": at + timedelta(days=1),
                "finding": "odd" if odd[name] else "even", "confirmed_elements": where[name], "method": "gauge",
            })  # fmt: skip
    shop = shop.with_frames(outcomes=schemas.OUTCOMES.of(pl.DataFrame(found, infer_schema_length=None)))
    fit = fit_groups(shop, LEVEL)
    scores = score_captures(fit, shop).captures
    scores = scores.with_columns(flagged=pl.col("odd_pct") >= how.limit_pct)
    if "group" not in scores.columns:
        scores = scores.join(shop.captures.select("capture_file", "group"), on="capture_file")
    return Drawn(shop, fit, scores, odd)
