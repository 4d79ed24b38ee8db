"""The limit of one group: of the lowest expected cost, or of the normal spread where no cost can be weighed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from models.spread.null import Null
from models.spread.result import GroupFit
from models.stats.arrays import Bools, Floats, Ints
from models.thresholds.costs import (
    COST_GRID_PCT,
    MIN_SHOP,
    Draw,
    ShopCurves,
    detection_kernel,
    group_curves,
    smoothed_detection,
)
from models.thresholds.curves import Times, drawn_weights, healthy_weight, odd_weight
from models.thresholds.evidence import Weights
from models.thresholds.follow_up import (
    MIN_UNFLAGGED,
    calibrated,
    enough_unflagged,
    prevalence_of,
    shares_by_sort,
)
from models.thresholds.shares import MIN_OWN

COST_SCHEMA: dict[str, pl.DataType] = dict.fromkeys(
    ("threshold_pct", "expected_cost", "detection", "false_alarm"), pl.Float64()
)


@dataclass(frozen=True, slots=True)
class Costs:
    """What a miss and an unneeded test cost, in one currency.

    Raises:
        ValueError: a cost is not a positive finite number.
    """

    miss: float
    false_alarm: float

    def __post_init__(self) -> None:
        for name, value in (("cost_miss", self.miss), ("cost_false_alarm", self.false_alarm)):
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{name} is a positive number, not {value!r}")

    def expected(self, prevalence: float, false_alarm: Floats, detection: Floats) -> Floats:
        """Expected cost of one capture in question, by X."""
        return np.asarray(
            prevalence * self.miss * (1 - detection) + (1 - prevalence) * self.false_alarm * false_alarm
        )


def shop_curves(
    rows: pl.DataFrame, weighting: Weights, times: Times, looks: Bools, names: list[str], *, seed: int
) -> ShopCurves:
    """What the whole shop says, with the weights calibrated to how often captures look odd and healthy."""
    asked = rows["in_question"].to_numpy().astype(np.float64)
    code = rows["group"].replace_strict(names, list(range(len(names))), default=-1, return_dtype=pl.Int64)
    group = code.fill_null(-1).to_numpy()
    good = (rows["purpose"] == "known_good").fill_null(False).to_numpy()
    enough, unflagged = enough_unflagged(rows, looks)

    def read(draw: Draw, noise: Floats | None = None) -> tuple[Draw, Floats]:
        counts, shares = shares_by_sort(draw, group, len(names), looks, noise)
        if not enough:
            return draw, prevalence_of(counts, shares)
        return calibrated(draw, group, looks, counts, shares, known_good=good), prevalence_of(counts, shares)

    whole, prevalence = read(Draw(healthy_weight(rows, weighting), odd_weight(rows, weighting), asked))
    # a thin group's own share of odd captures is hardly known: each draw takes one that may be
    noise = np.random.default_rng(seed).standard_normal((times.shape[0], 2, len(names)))
    # Of each draw only the captures that can speak are kept: the others weigh nothing.
    spoken = np.flatnonzero((whole.healthy > 0) | (whole.odd > 0))
    again: list[tuple[Draw, Floats]] = []
    for one, row, own in zip(drawn_weights(rows, times, weighting), times, noise, strict=True):
        drawn, share = read(
            Draw(healthy_weight(rows, one) * row, odd_weight(rows, one) * row, asked * row), own
        )
        again.append((Draw(drawn.healthy[spoken], drawn.odd[spoken], drawn.asked[spoken]), share))
    odd = np.flatnonzero(whole.odd > 0)
    detection, drawn_detection = np.zeros(0), np.zeros((len(again), 0))
    if odd.size >= MIN_SHOP:
        kernel = detection_kernel(rows["odd_pct"].to_numpy()[odd], COST_GRID_PCT)
        detection = smoothed_detection(kernel, whole.odd[odd])
        drawn_detection = smoothed_detection(
            kernel, np.stack([one.odd[np.searchsorted(spoken, odd)] for one, _ in again])
        )
    return ShopCurves(
        odd_n=int(odd.size),
        unflagged_n=unflagged,
        enough=enough and odd.size >= MIN_SHOP,
        detection=detection,
        drawn_detection=drawn_detection,
        prevalence=prevalence,
        drawn_prevalence=np.stack([share for _, share in again]) if again else np.zeros((0, len(names))),
        draw=whole,
        spoken=spoken,
        drawn=[one for one, _ in again],
    )


@dataclass(frozen=True, slots=True)
class Case:
    """One group's evidence: rows known healthy and confirmed odd, the weights, and their bootstrap draws."""

    fit: GroupFit
    number: int
    stat: dict[str, Any]
    stretch: Floats
    rows: pl.DataFrame
    member: Bools
    odd_pct: Floats
    healthy_rows: Ints
    odd_rows: Ints
    together: ShopCurves

    @classmethod
    def of(
        cls,
        fit: GroupFit,
        number: int,
        stat: dict[str, Any],
        stretch: Floats,
        rows: pl.DataFrame,
        together: ShopCurves,
    ) -> Case:
        member = (rows["group"] == stat["group"]).fill_null(False).to_numpy()
        whole = together.draw
        return cls(
            fit, number, stat, stretch, rows, member, rows["odd_pct"].to_numpy(),
            np.flatnonzero(member & (whole.healthy > 0)), np.flatnonzero(member & (whole.odd > 0)), together,
        )  # fmt: skip

    @property
    def whole(self) -> Draw:
        return self.together.draw

    @property
    def again(self) -> list[Draw]:
        """The draws, over `spoken` captures only."""
        return self.together.drawn

    @property
    def spoken(self) -> Ints:
        """Captures that weigh anything, by row."""
        return self.together.spoken

    def at(self, rows: Ints) -> Ints:
        """Places of some rows among the spoken ones."""
        return np.searchsorted(self.spoken, rows)

    @property
    def null(self) -> Null:
        return self.fit.nulls[str(self.stat["group"])]


@dataclass(frozen=True, slots=True)
class Limit:
    limit: float
    low: float
    high: float
    basis: str
    why: str
    prevalence: float | None
    cost: pl.DataFrame


def ends(draws: Floats) -> tuple[float, float]:
    """Ends of a 95 % interval from few draws, shape (n,).

    Between the k-th of n lies k/(n + 1) of what is drawn from (Hyndman R.J. & Fan Y. 1996, Am. Statistician
    50:361-365, definition 6): the usual definition leaves 7 % of it outside with 100 draws.
    """
    low, high = np.quantile(draws, [0.025, 0.975], method="weibull")
    return float(low), float(high)


def from_spread(case: Case) -> Limit:
    """The limit of the normal spread, where the shop has too few outcomes to weigh costs."""
    together = case.together
    share = case.fit.settings.false_alarm_share
    limit = case.null.quantile(1.0 - share)
    low, high = ends(limit * case.stretch)
    spread = f"{limit:.1f} % is what about {share:.0%} of healthy captures of this group reach ({case.stat['basis']})."
    why = f"The shop has {together.odd_n} captures confirmed odd, too few to weigh costs: {spread}"
    if together.odd_n >= MIN_SHOP:
        why = (
            f"Of the captures that looked healthy {together.unflagged_n} were confirmed, at least {MIN_UNFLAGGED} from "
            "their whole range are needed: what is followed up because it looks odd says nothing of the others, so no "
            f"cost is weighed. {spread} Test some unflagged ones, drawn at random, to get on."
        )
    return Limit(limit, low, high, "normal spread", why, None, pl.DataFrame(schema=COST_SCHEMA))


def from_costs(case: Case, costs: Costs) -> Limit:
    """The limit of the lowest expected cost."""
    grid, together = COST_GRID_PCT, case.together
    alarm, detection = group_curves(
        case.odd_pct, case.healthy_rows, case.odd_rows, case.whole.healthy, case.whole.odd,
        case.null.survival(grid), together.detection, detection_kernel(case.odd_pct[case.odd_rows], grid),
    )  # fmt: skip
    prevalence = float(together.prevalence[case.number])
    expected = costs.expected(prevalence, alarm, detection)
    limit = float(grid[int(np.argmin(expected))])
    low, high = ends(np.array(_redrawn_limits(case, costs)))
    enough = case.odd_rows.size >= MIN_OWN and case.healthy_rows.size >= MIN_OWN
    why = (
        f"{limit:.1f} % has the lowest expected cost when a miss costs {costs.miss:g} and an unneeded test "
        f"{costs.false_alarm:g}, with a fault in {prevalence:.0%} of captures; {case.odd_rows.size} captures "
        f"confirmed odd and {case.healthy_rows.size} known healthy are this group's own, {together.odd_n} odd ones "
        f"the whole shop's; {together.unflagged_n} captures that looked healthy were confirmed too, so that the "
        "figures are corrected for odd-looking ones being followed up more often."
    )
    return Limit(
        limit,
        min(low, limit),
        max(high, limit),
        "outcomes" if enough else "outcomes of all groups",
        why,
        prevalence,
        pl.DataFrame(
            {
                "threshold_pct": grid,
                "expected_cost": expected,
                "detection": detection,
                "false_alarm": alarm,
            },
            schema=COST_SCHEMA,
        ),
    )


def _redrawn_limits(case: Case, costs: Costs) -> list[float]:
    """The limit of each bootstrap draw of the shop's evidence."""
    grid, together = COST_GRID_PCT, case.together
    limits = []
    odd_pct, healthy_at, odd_at = (
        case.odd_pct[case.spoken],
        case.at(case.healthy_rows),
        case.at(case.odd_rows),
    )
    kernel = detection_kernel(odd_pct[odd_at], grid)
    for at, one in enumerate(case.again):
        prevalence = float(together.drawn_prevalence[at, case.number])
        if not np.isfinite(prevalence):
            continue
        alarm, detection = group_curves(
            odd_pct, healthy_at, odd_at, one.healthy, one.odd,
            case.null.survival(grid / case.stretch[at]), together.drawn_detection[at], kernel,
        )  # fmt: skip
        limits.append(float(grid[int(np.argmin(costs.expected(prevalence, alarm, detection)))]))
    return limits
