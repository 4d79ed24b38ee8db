"""Normal spread per engine family: the usual pattern over its cylinders and how far healthy ones scatter.

Inside one capture of n cylinders no cylinder can lie more than (n - 1)/sqrt(n) sample standard deviations
from the mean (1.5 for four; Shiffler R.E. 1988, American Statistician 42:79-80): a sigma rule on a single
capture can never fire. What is normal has to come from the family, and for thin families from the shop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.matrix import NONE, PAIR, SYNC, Layout, Readings, readings_of
from models.spread.classes import Shaping, SortedFamily, first_sorting, sort_again
from models.spread.drift import Drift, drift_of
from models.spread.null import Null, lowest_gap
from models.spread.posterior import (
    FamilySums,
    Posterior,
    fit_posteriors,
    predictive_readings,
)
from models.spread.result import HEALTHY_SCHEMA, PATTERN_SCHEMA, STATS_SCHEMA, FamilyFit, SpreadSettings
from models.spread.scoring import Scores, score_captures
from models.spread.swing import swing_of
from models.stats.robust import nanmedian

__all__ = ["FamilyFit", "Scores", "SpreadSettings", "fit_families", "score_captures"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def fit_families(
    captures: pl.DataFrame,
    cylinders: pl.DataFrame,
    families: pl.DataFrame,
    outcomes: pl.DataFrame,
    *,
    settings: SpreadSettings | None = None,
) -> FamilyFit:
    """Learn pattern and spread of every family in `families`.

    Args:
        captures, cylinders, families, outcomes: the frames of the warehouse; any of them may be empty.

    Returns:
        a fit with one row in `stats` for each family, also for families without a single capture.
    """
    settings = settings or SpreadSettings()
    readings = readings_of(captures, cylinders, families, outcomes)
    groups = sorted({layout.group for layout in readings.layouts})
    group = np.array([groups.index(layout.group) for layout in readings.layouts], dtype=np.int64)
    families_sorted = first_sorting(readings, group, usual_spread_pct=settings.usual_spread_pct)
    posteriors = fit_posteriors([one.sums for one in families_sorted], group, seed=settings.seed)
    # Once more, now that each family's spread has been weighed against the shop's.
    starts = [posterior.sigma_quantile(0.5) for posterior in posteriors]
    families_sorted = sort_again(readings, group, families_sorted, starts)
    posteriors = fit_posteriors([one.sums for one in families_sorted], group, seed=settings.seed)
    stats, patterns, labels = [], [], []
    nulls: dict[str, Null] = {}
    for at, layout in enumerate(readings.layouts):
        one = families_sorted[at]
        described = _describe(readings, layout, at, one, posteriors[at], settings)
        stats.append(described.stats)
        patterns += described.pattern
        nulls[layout.engine_family] = described.null
        label = readings.healthy_label[one.shaping.rows]
        labels.append(
            pl.DataFrame(
                {
                    "capture_file": readings.capture_file.gather(one.shaping.rows.tolist()),
                    "engine_family": pl.repeat(layout.engine_family, one.shaping.rows.size, eager=True),
                    "healthy_probability": one.healthy,
                    "label": np.array(["known odd", "not known", "known healthy"])[label + 1].tolist(),
                },
                schema=HEALTHY_SCHEMA,
            )
        )
    return FamilyFit(
        stats=pl.DataFrame(stats, schema=STATS_SCHEMA),
        pattern=pl.DataFrame(patterns, schema=PATTERN_SCHEMA),
        healthy=pl.concat(labels) if labels else pl.DataFrame(schema=HEALTHY_SCHEMA),
        nulls=nulls,
        layouts=readings.layouts,
        settings=settings,
    )


@dataclass(frozen=True, slots=True)
class _Described:
    stats: dict[str, object]
    pattern: list[dict[str, object]]
    null: Null


def _describe(
    readings: Readings,
    layout: Layout,
    at: int,
    one: SortedFamily,
    posterior: Posterior,
    settings: SpreadSettings,
) -> _Described:
    n = layout.cylinders
    shaping, healthy, sums = one.shaping, one.healthy, one.sums
    rng = np.random.default_rng([settings.seed, at, n])
    centre, pattern_draws = posterior.pattern_pct, posterior.draws_pattern
    fresh = predictive_readings(posterior, settings.draws, rng)
    fresh = fresh + one.swing_pct * rng.standard_normal((settings.draws, 1)) * one.sign
    if one.swing_pct > 0.0:
        # The mean swing of the captures at hand passes for pattern, so the pattern is less certain by it.
        vehicles = max(float(np.minimum(sums.vehicle_weight, 1.0).sum()), 1.0)
        wobble = one.swing_pct / np.sqrt(vehicles)
        pattern_draws = pattern_draws + wobble * rng.standard_normal((pattern_draws.shape[0], 1)) * one.sign
    if shaping.kind == PAIR:
        centre, pattern_draws = (_over_pairs(values, layout) for values in (centre, pattern_draws))
    elif shaping.kind == NONE:
        # Positions turn from capture to capture: an unevenness of the engine is part of the scatter here.
        centre = np.zeros(n)
    usual = 100.0 + centre - np.median(centre)
    known = 100.0 + pattern_draws - nanmedian(pattern_draws, axis=1, keepdims=True)
    fresh = 100.0 + fresh - nanmedian(fresh, axis=1, keepdims=True)
    low, high = np.quantile(known.T.copy(), [0.025, 0.975], axis=1)
    predict_low, predict_high = np.quantile(fresh.T.copy(), [0.025, 0.975], axis=1)
    residual = fresh - usual
    swing = swing_of(residual, one.sign, one.swing_pct, posterior.sigma_quantile(0.5))
    odd, _ = lowest_gap(residual - swing[:, None] * one.sign)
    null = Null.from_draws(odd)
    label = readings.healthy_label[shaping.rows]
    confirmed = readings.confirmed[shaping.rows]
    member = readings.family == at
    known_good = int(((readings.healthy_label > 0) & member).sum())
    effective = float(healthy.sum())
    basis = "all, robust"
    if effective < 0.5:
        basis = "borrowed"
    elif (confirmed > 0).sum() >= settings.anchor_captures:
        basis = "confirmed"
    elif (label > 0).sum() >= settings.anchor_captures:
        basis = "known_good"
    reading_se = np.sqrt(sums.reading_variance) if np.isfinite(sums.reading_variance) else None
    sigma, rho = posterior.draws_sigma, posterior.draws_rho
    noise = 0.0 if reading_se is None else float(reading_se) ** 2
    within = np.sqrt(np.maximum(sigma**2 * (1.0 - rho) - noise, 0.0))
    residual = shaping.level_pct - usual if shaping.rows.size else np.zeros((0, n))
    drift = drift_of(residual, readings.month[shaping.rows], healthy, readings.vehicle[shaping.rows])
    if shaping.kind != SYNC:
        drift = Drift.nothing(
            drift.slope.n, "the cylinders are not named, so none can be followed over time."
        )
    stats: dict[str, object] = {
        "engine_family": layout.engine_family,
        "captures": int(member.sum()),
        "known_good": known_good,
        "basis": basis,
        "cylinders": n,
        "spread_pct": posterior.sigma_quantile(0.5),
        "spread_low": posterior.sigma_quantile(0.025),
        "spread_high": posterior.sigma_quantile(0.975),
        "between_vehicle_pct": float(np.median(sigma * np.sqrt(rho))),
        "within_vehicle_pct": float(np.median(within)),
        "reading_se_pct": None if reading_se is None else float(reading_se),
        "own_weight": posterior.own_weight,
        "drift_pct_per_month": drift.slope.estimate,
        "drift_low": drift.slope.low,
        "drift_high": drift.slope.high,
        "drift_cylinder": drift.cylinder,
        "why": _why(basis, shaping, label, effective, sums, posterior, one.swing_pct, drift.slope.why),
        "healthy_captures": effective,
        "vehicles": int(np.unique(readings.vehicle[member]).size),
        "odd_usual_pct": null.quantile(0.5),
        "odd_share": one.odd_share,
        "swing_pct": one.swing_pct,
        "odd_limit_pct": null.quantile(1.0 - settings.false_alarm_share),
    }
    pattern: list[dict[str, object]] = [
        {
            "engine_family": layout.engine_family,
            "cylinder": c + 1,
            "pattern_pct": float(usual[c]),
            "low": float(low[c]) if shaping.kind != NONE else None,
            "high": float(high[c]) if shaping.kind != NONE else None,
            "n": round(effective),
            "predict_low": float(predict_low[c]),
            "predict_high": float(predict_high[c]),
        }
        for c in range(n)
    ]
    return _Described(stats, pattern, null)


def _over_pairs(values: Floats, layout: Layout) -> Floats:
    """Mean of each cylinder and the one 360 degrees away, over the last axis."""
    n = layout.cylinders
    if n % 2:
        return values
    order = np.array(layout.firing_order) - 1
    partner = np.empty(n, dtype=np.int64)
    partner[order] = np.roll(order, n // 2)
    return np.asarray(0.5 * (values + values[..., partner]))


def _why(
    basis: str,
    shaping: Shaping,
    label: Ints,
    effective: float,
    sums: FamilySums,
    posterior: Posterior,
    swing_pct: float,
    drift_why: str | None,
) -> str:
    count = int(shaping.rows.size)
    labelled = int((label > 0).sum())
    own = f"{100 * posterior.own_weight:.0f} % of what is known about the spread comes from this family"
    if basis == "borrowed":
        text = (
            "No healthy capture of this family yet: pattern and spread are borrowed from the other families."
        )
        if count:
            text = (
                f"None of the {count} captures looks healthy: pattern and spread are borrowed from the "
                "other families."
            )
    elif basis == "confirmed":
        confirmed = f"Anchored on {labelled} captures known to be healthy, confirmed ones among them"
        text = f"{confirmed}; {count - labelled} others count as far as they look healthy; {own}."
    elif basis == "known_good":
        text = (
            f"Anchored on {labelled} known-good captures; {count - labelled} others count as far as they "
            f"look healthy; {own}."
        )
    else:
        text = (
            f"Too few captures are known to be healthy ({labelled}), so all {count} were sorted; "
            f"{effective:.0f} look healthy; {own}."
        )
    if swing_pct > posterior.sigma_quantile(0.5):
        text += (
            f" From capture to capture every second cylinder in firing order swings by about {swing_pct:.1f} % "
            "against the others; that is taken off before a capture is judged."
        )
    if shaping.kind == PAIR:
        text += " The sync pulse names pairs only, so the pattern is the mean of each pair."
    elif shaping.kind == NONE:
        text += " No sync names the cylinders, so the pattern is even and its unevenness counts as spread."
    if sums.vehicle_weight.size and sums.within_dof < 2:
        text += (
            " Hardly any vehicle was captured twice, so the split between vehicles and repeats is borrowed."
        )
    if drift_why:
        text += f" No drift given: {drift_why}"
    return text
