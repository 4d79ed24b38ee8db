"""Normal spread per group: the usual pattern over its elements and how far healthy ones scatter.

Inside one capture of n elements none can lie more than (n - 1)/sqrt(n) sample standard deviations
from the mean (1.5 for four; Shiffler R.E. 1988, American Statistician 42:79-80): a sigma rule on a single
capture can never fire. What is normal has to come from the group, and for thin groups from the shop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.records.matrix import NAMED, NONE, PAIR, Layout, Readings, mirrored, readings_of
from models.records.measure import Measure
from models.records.shop import Shop
from models.spread.classes import ClassifiedGroup, classify_again, classify_first
from models.spread.drift import Drift, drift_of
from models.spread.level import classify_levels
from models.spread.null import Null, widest_gap
from models.spread.posterior import Posterior, fit_posteriors, predictive_readings
from models.spread.result import HEALTHY_SCHEMA, PATTERN_SCHEMA, STATS_SCHEMA, GroupFit, SpreadSettings
from models.spread.scoring import Scores, score_captures
from models.spread.swing import swing_of
from models.stats.arrays import Floats, Ints
from models.stats.robust import nanmedian

__all__ = ["GroupFit", "Scores", "SpreadSettings", "fit_groups", "score_captures"]


def fit_groups(shop: Shop, measure: Measure, *, settings: SpreadSettings | None = None) -> GroupFit:
    """Learn pattern and spread of every group of one test by one of its measures.

    Args:
        shop: of one test (`Shop.of_test`), elements of one measure; any frame may be empty.

    Returns:
        a fit with one row in `stats` for each group, also for groups without a single capture.
    """
    settings = settings or SpreadSettings()
    readings = readings_of(shop, measure)
    # Priors and grids below are made for healthy elements that scatter by about SpreadSettings' usual spread.
    scale = measure.usual_spread_pct / settings.usual_spread_pct
    readings = _rescaled(readings, 1.0 / scale)
    strata = sorted({layout.stratum for layout in readings.layouts})
    stratum = np.array([strata.index(layout.stratum) for layout in readings.layouts], dtype=np.int64)
    classified, posteriors = _learn(readings, stratum, _families(readings.layouts), measure, settings)
    described = [
        _describe(_Group(readings, layout, at, one, posterior, measure, scale, settings))
        for at, (layout, one, posterior) in enumerate(
            zip(readings.layouts, classified, posteriors, strict=True)
        )
    ]
    labels = [
        _labels(readings, layout, one) for layout, one in zip(readings.layouts, classified, strict=True)
    ]
    return GroupFit(
        measure=measure,
        stats=pl.DataFrame([one.stats for one in described], schema=STATS_SCHEMA),
        pattern=pl.DataFrame([row for one in described for row in one.pattern], schema=PATTERN_SCHEMA),
        healthy=pl.concat(labels) if labels else pl.DataFrame(schema=HEALTHY_SCHEMA),
        nulls={layout.group: one.null for layout, one in zip(readings.layouts, described, strict=True)},
        layouts=readings.layouts,
        settings=settings,
    )


def _families(layouts: Sequence[Layout]) -> Ints | None:
    """Codes of what is the same family in several shops; None where no two groups are."""
    names = [(layout.family, layout.stratum) if layout.family else layout.group for layout in layouts]
    codes = {name: code for code, name in enumerate(dict.fromkeys(names))}
    return None if len(codes) == len(names) else np.array([codes[name] for name in names], dtype=np.int64)


def _learn(
    readings: Readings, stratum: Ints, family: Ints | None, measure: Measure, settings: SpreadSettings
) -> tuple[list[ClassifiedGroup], list[Posterior]]:
    """Classify every group's captures and weigh its spread against the shop's, twice."""
    either = measure.direction == "either"
    if measure.whole:
        found = [
            classify_levels(readings, at, settings.usual_spread_pct, either) for at in range(stratum.size)
        ]
    else:
        found = classify_first(readings, stratum, usual_spread_pct=settings.usual_spread_pct, either=either)
    posteriors = fit_posteriors([one.sums for one in found], stratum, family=family, seed=settings.seed)
    # Once more, now that each group's spread has been weighed against the shop's.
    starts = [posterior.sigma_quantile(0.5) for posterior in posteriors]
    if measure.whole:
        found = [classify_levels(readings, at, start, either) for at, start in enumerate(starts)]
    else:
        found = classify_again(readings, stratum, found, starts, either=either)
    return found, fit_posteriors([one.sums for one in found], stratum, family=family, seed=settings.seed)


def _rescaled(readings: Readings, factor: float) -> Readings:
    """The readings with their distance to 100 % multiplied; the same object where the factor is 1."""
    if factor == 1.0:
        return readings
    return replace(
        readings,
        relative_pct=100.0 + (readings.relative_pct - 100.0) * factor,
        se_pct=readings.se_pct * factor,
    )


def _labels(readings: Readings, layout: Layout, one: ClassifiedGroup) -> pl.DataFrame:
    label = readings.healthy_label[one.shaping.rows]
    return pl.DataFrame(
        {
            "capture_file": readings.capture_file.gather(one.shaping.rows),
            "group": pl.repeat(layout.group, one.shaping.rows.size, eager=True),
            "healthy_probability": one.healthy,
            "label": pl.Series(["known odd", "not known", "known healthy"]).gather(label + 1),
        },
        schema=HEALTHY_SCHEMA,
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """Everything one group is described from; readings on the scale the fit works on."""

    readings: Readings
    layout: Layout
    at: int
    classified: ClassifiedGroup
    posterior: Posterior
    measure: Measure
    scale: float
    settings: SpreadSettings

    @property
    def kind(self) -> int:
        return self.classified.shaping.kind

    def level(self, value: Floats) -> Floats:
        """A level on the fit's scale, in % as the reader gave it."""
        if self.scale != 1.0:
            value = 100.0 + (value - 100.0) * self.scale
        return mirrored(value, self.measure)


@dataclass(frozen=True, slots=True)
class _Described:
    stats: dict[str, object]
    pattern: list[dict[str, object]]
    null: Null


@dataclass(frozen=True, slots=True)
class _Usual:
    """The usual value by element with its 95 % ranges, shape (N,), and the gap of fresh healthy captures."""

    usual: Floats
    low: Floats
    high: Floats
    predict_low: Floats
    predict_high: Floats
    odd_pct: Floats


def _describe(group: _Group) -> _Described:
    usual = _usual(group)
    null = Null.from_draws(usual.odd_pct * group.scale)
    drift = _drift(group, usual.usual)
    stats = _spread_figures(group) | _counts(group, drift, null)
    return _Described(stats, _pattern_rows(group, usual), null)


def _usual(group: _Group) -> _Usual:
    one, posterior, settings = group.classified, group.posterior, group.settings
    n = group.layout.elements
    rng = np.random.default_rng([settings.seed, group.at, n])
    centre, pattern_draws = posterior.pattern_pct, posterior.draws_pattern
    fresh = predictive_readings(posterior, settings.draws, rng)
    fresh = fresh + one.swing_pct * rng.standard_normal((settings.draws, 1)) * one.sign
    if one.swing_pct > 0.0:
        # The mean swing of the captures at hand passes for pattern, so the pattern is less certain by it.
        vehicles = max(float(np.minimum(one.sums.vehicle_weight, 1.0).sum()), 1.0)
        wobble = one.swing_pct / np.sqrt(vehicles)
        pattern_draws = pattern_draws + wobble * rng.standard_normal((pattern_draws.shape[0], 1)) * one.sign
    if group.kind == PAIR:
        centre, pattern_draws = (_over_pairs(values, group.layout) for values in (centre, pattern_draws))
    elif group.kind == NONE:
        # Positions turn from capture to capture: an unevenness of the group is part of the scatter here.
        centre = np.zeros(n)
    if group.measure.whole:
        # Nothing to stand beside: the level itself is what is usual.
        usual, known, fresh = (one.level_pct + value for value in (centre, pattern_draws, fresh))
    else:
        usual = 100.0 + centre - np.median(centre)
        known = 100.0 + pattern_draws - nanmedian(pattern_draws, axis=1, keepdims=True)
        fresh = 100.0 + fresh - nanmedian(fresh, axis=1, keepdims=True)
    low, high = np.quantile(known.T.copy(), [0.025, 0.975], axis=1)
    predict_low, predict_high = np.quantile(fresh.T.copy(), [0.025, 0.975], axis=1)
    residual = fresh - usual
    swing = swing_of(residual, one.sign, one.swing_pct, posterior.sigma_quantile(0.5))
    odd, _ = widest_gap(residual - swing[:, None] * one.sign, either=group.measure.direction == "either")
    return _Usual(usual, low, high, predict_low, predict_high, odd)


def _drift(group: _Group, usual: Floats) -> Drift:
    shaping, readings = group.classified.shaping, group.readings
    residual = shaping.level_pct - usual if shaping.rows.size else np.zeros((0, group.layout.elements))
    found = drift_of(
        residual, readings.month[shaping.rows], group.classified.healthy, readings.vehicle[shaping.rows]
    )
    if group.kind != NAMED:
        return Drift.nothing(found.slope.n, "the elements are not named, so none can be followed over time.")
    return found


def _basis(group: _Group) -> str:
    readings, rows = group.readings, group.classified.shaping.rows
    if float(group.classified.healthy.sum()) < 0.5:
        return "borrowed"
    if (readings.confirmed[rows] > 0).sum() >= group.settings.anchor_captures:
        return "confirmed"
    if (readings.healthy_label[rows] > 0).sum() >= group.settings.anchor_captures:
        return "known_good"
    return "all, robust"


def _spread_figures(group: _Group) -> dict[str, object]:
    posterior, scale = group.posterior, group.scale
    variance = group.classified.sums.reading_variance
    reading_se = float(np.sqrt(variance)) if np.isfinite(variance) else None
    sigma, rho = posterior.draws_sigma, posterior.draws_rho
    noise = 0.0 if reading_se is None else reading_se**2
    within = np.sqrt(np.maximum(sigma**2 * (1.0 - rho) - noise, 0.0))
    return {
        "spread_pct": posterior.sigma_quantile(0.5) * scale,
        "spread_low": posterior.sigma_quantile(0.025) * scale,
        "spread_high": posterior.sigma_quantile(0.975) * scale,
        "between_vehicle_pct": float(np.median(sigma * np.sqrt(rho))) * scale,
        "within_vehicle_pct": float(np.median(within)) * scale,
        "reading_se_pct": None if reading_se is None else reading_se * scale,
        "own_weight": posterior.own_weight,
        "shop_weight": posterior.shop_weight if group.layout.family else None,
        "swing_pct": group.classified.swing_pct * scale,
    }


def _counts(group: _Group, drift: Drift, null: Null) -> dict[str, object]:
    readings = group.readings
    member = readings.group == group.at
    slope, side = drift.slope, -1.0 if group.measure.direction == "high" else 1.0
    ends = [None if value is None else value * group.scale * side for value in (slope.low, slope.high)]
    ends = ends if side > 0 else ends[::-1]
    return {
        "group": group.layout.group,
        "captures": int(member.sum()),
        "known_good": int(((readings.healthy_label > 0) & member).sum()),
        "basis": _basis(group),
        "elements": group.layout.elements,
        "drift_pct_per_month": None if slope.estimate is None else slope.estimate * group.scale * side,
        "drift_low": ends[0],
        "drift_high": ends[1],
        "drift_element": drift.element,
        "why": _why(group, slope.why),
        "healthy_captures": float(group.classified.healthy.sum()),
        "vehicles": int(np.unique(readings.vehicle[member]).size),
        "odd_usual_pct": null.quantile(0.5),
        "odd_share": group.classified.odd_share,
        "odd_limit_pct": null.quantile(1.0 - group.settings.false_alarm_share),
    }


def _pattern_rows(group: _Group, usual: _Usual) -> list[dict[str, object]]:
    low, high = np.sort([group.level(usual.low), group.level(usual.high)], axis=0)
    predicted = np.sort([group.level(usual.predict_low), group.level(usual.predict_high)], axis=0)
    centre = group.level(usual.usual)
    named = group.kind != NONE
    return [
        {
            "group": group.layout.group,
            "element": c + 1,
            "pattern_pct": float(centre[c]),
            "low": float(low[c]) if named else None,
            "high": float(high[c]) if named else None,
            "n": round(float(group.classified.healthy.sum())),
            "predict_low": float(predicted[0, c]),
            "predict_high": float(predicted[1, c]),
        }
        for c in range(group.layout.elements)
    ]


def _over_pairs(values: Floats, layout: Layout) -> Floats:
    """Mean of each element and the one half a sequence away, over the last axis."""
    n = layout.elements
    if n % 2:
        return values
    order = np.array(layout.sequence) - 1
    partner = np.empty(n, dtype=np.int64)
    partner[order] = np.roll(order, n // 2)
    return np.asarray(0.5 * (values + values[..., partner]))


def _why(group: _Group, drift_why: str | None) -> str:
    shaping, sums, posterior = group.classified.shaping, group.classified.sums, group.posterior
    label = group.readings.healthy_label[shaping.rows]
    text = _basis_sentence(group, int(shaping.rows.size), int((label > 0).sum()))
    if group.classified.swing_pct > posterior.sigma_quantile(0.5):
        text += (
            " From capture to capture every second element in sequence swings by about "
            f"{group.classified.swing_pct * group.scale:.1f} % against the others; that is taken off before a "
            "capture is judged."
        )
    if shaping.kind == PAIR:
        text += " The index names pairs only, so the pattern is the mean of each pair."
    elif shaping.kind == NONE:
        text += " Nothing names the elements, so the pattern is even and its unevenness counts as spread."
    if sums.vehicle_weight.size and sums.within_dof < 2:
        text += (
            " Hardly any vehicle was captured twice, so the split between vehicles and repeats is borrowed."
        )
    if group.layout.apart:
        text += (
            f" Nothing is borrowed from what bears this name {group.layout.apart}: it is another thing there."
        )
    if drift_why:
        text += f" No drift given: {drift_why}"
    return text


def _basis_sentence(group: _Group, count: int, labelled: int) -> str:
    own = f"{100 * group.posterior.own_weight:.0f} % of what is known about the spread comes from this group"
    basis, lent = _basis(group), ""
    if group.layout.family:
        share = f"{100 * group.posterior.shop_weight:.0f} %"
        own += f", {share} from the same in other shops"
        lent = f", {share} of what is known about the spread from the same in other shops"
    if basis == "borrowed" and count:
        none = f"None of the {count} captures looks healthy"
        return f"{none}: pattern and spread are borrowed from the other groups{lent}."
    if basis == "borrowed":
        return f"No healthy capture of this group yet: pattern and spread are borrowed from the other groups{lent}."
    if basis == "confirmed":
        return (
            f"Anchored on {labelled} captures known to be healthy, confirmed ones among them; "
            f"{count - labelled} others count as far as they look healthy; {own}."
        )
    if basis == "known_good":
        return (
            f"Anchored on {labelled} known-good captures; {count - labelled} others count as far as they "
            f"look healthy; {own}."
        )
    return (
        f"Too few captures are known to be healthy ({labelled}), so all {count} were classified; "
        f"{group.classified.healthy.sum():.0f} look healthy; {own}."
    )
