"""The comparison of scoped and other jobs, use and trends, put together slowly, row by row."""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.special import expit

from models.jobs import crossfit
from models.jobs.adoption import CASE_MIX, adjusted_adoption
from models.jobs.comparison import _prepared, adjusted, difference_in_group, has_begun
from models.jobs.returns import Covariates, covariates, watched_orders
from models.people.trends import pooled_trends
from models.records.logbook import eligible_orders
from models.records.people_settings import PeopleSettings, as_moment
from models.stats.casemix import usual_person
from models.stats.logistic import fit_logistic
from models.stats.mixed import posterior_draws
from models.stats.sequential import sequential_bound
from tests.drawn_log import MONDAY
from tests.simulated_shop import START, comeback_shop

Z = 1.959963984540054
WINDOW = 30


@cache
def orders_of(count: int = 420) -> tuple[pl.DataFrame, Any]:
    """Orders of a simulated shop as they are watched, and the days each could have been."""
    made = comeback_shop(17, orders=count, days=200)
    moment = START + timedelta(days=215)
    watched = watched_orders(made.shop, moment)
    potential = np.array([(moment - closed).total_seconds() / 86400 for closed in watched["closed_at"]])
    return watched, potential


def _slow_cross_fit(
    design: Covariates, scoped: Any, outcome: Any, weights: Any, seed: int, folds: int, divisions: int
) -> Any:
    """Both models on one row an order, for each fold fitted on the orders of the other vehicles."""
    x = design.x[design.cell]
    rng = np.random.default_rng(seed)
    total = np.zeros((3, scoped.size))
    for _ in range(divisions):
        fold = rng.permutation(np.arange(design.cluster.max() + 1) % folds)[design.cluster]
        for k in range(folds):
            out = np.flatnonzero(fold == k)
            seen = np.flatnonzero(fold != k)
            if out.size == 0:
                continue
            chance = fit_logistic(x[seen], scoped[seen].astype(float), penalty=design.penalty)
            total[0, out] += chance.chance(x[out])
            used = seen[weights[seen] > 0]
            returns = fit_logistic(
                np.column_stack([x[used], scoped[used]]), weights[used] * outcome[used], trials=weights[used],
                penalty=np.append(design.penalty, 0.0),
            )  # fmt: skip
            for arm in (1, 0):
                total[2 - arm, out] += returns.chance(
                    np.column_stack([x[out], np.full(out.size, float(arm))])
                )
    total /= divisions
    total[0] = np.clip(total[0], 0.01, 0.99)
    return total


@pytest.mark.parametrize(("many", "folds", "divisions"), [(160, 10, 3), (159, 5, 1)])
def test_cross_fitting_order_by_order(
    monkeypatch: pytest.MonkeyPatch, many: int, folds: int, divisions: int
) -> None:
    watched, potential = orders_of()
    ready = _prepared(watched.head(160), potential[:160], WINDOW)
    outcome = ready.inside.astype(float)
    assert crossfit._MANY == 5_000
    monkeypatch.setattr(crossfit, "_MANY", many)
    found = crossfit.cross_fitted(ready.design, ready.scoped, outcome, ready.weights, seed=4)
    slow = _slow_cross_fit(ready.design, ready.scoped, outcome, ready.weights, 4, folds, divisions)
    assert np.stack([found.chance, found.if_scoped, found.if_not]) == pytest.approx(slow, rel=1e-5)


def test_the_adjusted_comparison_from_its_parts() -> None:
    whole, whole_potential = orders_of()
    begun = has_begun(whole)
    watched, potential = whole.filter(pl.Series(begun)), whole_potential[begun]
    found = adjusted(whole, whole_potential, window_days=WINDOW, seed=5)
    n = watched.height
    scoped = watched["scoped"].to_numpy()
    back = watched["returned"].to_numpy() & (watched["days"].to_numpy() <= WINDOW)
    # watched to its comeback or to the window's end; of the others of its group so many could have been
    end = np.where(back, watched["days"].to_numpy(), 30.0)
    weight = np.zeros(n)
    for i in range(n):
        if back[i] or potential[i] >= WINDOW:
            weight[i] = 1 / np.mean([potential[j] >= end[i] for j in range(n) if scoped[j] == scoped[i]])
    design = covariates(watched)
    chance, one, none = _slow_cross_fit(design, scoped, back.astype(float), weight, 5, 10, 3)
    first = one + weight * scoped / chance * (back - one)
    second = none + weight * ~scoped / (1 - chance) * (back - none)
    value = first.mean() - second.mean()

    def by_vehicle(parts: Any) -> float:
        return float(
            np.sqrt(sum(parts[design.cluster == c].sum() ** 2 for c in set(design.cluster.tolist()))) / n
        )

    se = by_vehicle((first - first.mean()) - (second - second.mean()))
    difference = found.risk_difference
    assert difference.n == n
    assert (difference.estimate, difference.low, difference.high) == pytest.approx(
        (value, value - Z * se, value + Z * se), rel=1e-5
    )
    for figure, parts, size in (
        (found.scoped_risk, first, scoped.sum()),
        (found.not_scoped_risk, second, (~scoped).sum()),
    ):
        half = Z * parts.std() / np.sqrt(n)
        assert (figure.n, figure.estimate) == (size, pytest.approx(parts.mean(), rel=1e-5))
        assert (figure.low, figure.high) == pytest.approx(
            (parts.mean() - half, parts.mean() + half), rel=1e-5
        )
    looks = sequential_bound(value, se, n)
    assert (found.over_looks.low, found.over_looks.high) == pytest.approx((looks.low, looks.high), rel=1e-5)
    assert found.comparable == np.mean((chance > 0.05) & (chance < 0.95))
    # the ratio of both risks, its error by the delta method, and how strong something unrecorded would have to be
    ratio = first.mean() / second.mean()
    error = by_vehicle((first - first.mean()) / first.mean() - (second - second.mean()) / second.mean())

    def strong(rr: float) -> float:
        rr = max(rr, 1 / rr)
        return float(rr + np.sqrt(rr * (rr - 1)))

    low, high = ratio * np.exp(-1.96 * error), ratio * np.exp(1.96 * error)
    near = 1.0 if low <= 1 <= high else strong(high if high < 1 else low)
    assert found.e_value is not None
    assert (found.e_value.estimate, found.e_value.limit) == pytest.approx((strong(ratio), near), rel=1e-4)
    rows = {row["method"]: row for row in found.by_method.iter_rows(named=True)}
    assert rows["standardisation alone"]["risk_difference"] == pytest.approx((one - none).mean(), rel=1e-5)
    inverse = np.where(scoped, weight / chance, weight / (1 - chance))
    means = [np.average(back[arm], weights=inverse[arm]) for arm in (scoped, ~scoped)]
    assert rows["weighting alone"]["risk_difference"] == pytest.approx(means[0] - means[1], rel=1e-5)
    assert rows["doubly robust"]["low"] == difference.low
    _overlap_and_balance(found, design, scoped, chance)


def _overlap_and_balance(found: Any, design: Covariates, scoped: Any, chance: Any) -> None:
    for at, row in enumerate(found.overlap.iter_rows(named=True)):
        low, high = at / 20, (at + 1) / 20
        assert (row["chance_low"], row["chance_high"]) == pytest.approx((low, high))
        inside = (chance >= row["chance_low"]) & (chance < row["chance_high"])
        assert (row["scoped"], row["not_scoped"]) == ((inside & scoped).sum(), (inside & ~scoped).sum())
    x, inverse = design.x[design.cell], np.where(scoped, 1 / chance, 1 / (1 - chance))
    assert found.balance["covariate"].to_list() == list(design.names[1:])
    for at, row in enumerate(found.balance.iter_rows(named=True), 1):
        column = x[:, at]
        sd = np.sqrt((column[scoped].var() + column[~scoped].var()) / 2)
        before = column[scoped].mean() - column[~scoped].mean()
        after = np.average(column[scoped], weights=inverse[scoped]) - np.average(
            column[~scoped], weights=inverse[~scoped]
        )
        assert (row["gap_before"], row["gap_after"]) == pytest.approx((before / sd, after / sd), rel=1e-5)


def test_a_small_group_against_what_comparable_others_lead_one_to_expect_of_it() -> None:
    watched, potential = orders_of()
    watched, potential = watched.head(200), potential[:200]
    found = difference_in_group(watched, potential, window_days=WINDOW, seed=6)
    ready = _prepared(watched, potential, WINDOW)
    scoped, back = ready.scoped, ready.inside.astype(float)
    chance, _, none = _slow_cross_fit(ready.design, scoped, back, ready.weights, 6, 10, 3)
    rest = ready.weights * (back - none)
    part = np.where(scoped, rest, -chance / (1 - chance) * rest)
    value = part.sum() / scoped.sum()
    left = (part - scoped * value) / scoped.mean()
    sums = [left[ready.design.cluster == c].sum() for c in range(ready.design.cluster.max() + 1)]
    se = np.sqrt(np.sum(np.square(sums))) / 200
    assert found.n == scoped.sum()
    assert (found.estimate, found.low, found.high) == pytest.approx(
        (value, value - Z * se, value + Z * se), rel=1e-5
    )


@pytest.mark.parametrize(
    ("scoped", "back", "told"),
    [(20, 5, True), (19, 5, False), (20, 4, False), (180, 5, True), (181, 5, False)],
)
def test_a_comparison_needs_twenty_of_each_and_five_comebacks(scoped: int, back: int, told: bool) -> None:
    n = 200
    rows = pl.DataFrame(
        {
            **{c: ["x"] * n for c in ("complaint", "engine_family", "season", "history")},
            "technician": ["a"] * n,
            "age": pl.Series([None] * n, dtype=pl.String),
            "scoped": [i >= n - scoped for i in range(n)],
            "returned": [i in (199, 0, 197, 2, 195)[:back] for i in range(n)],
            "days": [9.0] * n, "is_return": False,
            "vehicle": [str(i) for i in range(n)], "repair_order": [str(i) for i in range(n)],
            "opened_at": [MONDAY + timedelta(minutes=i) for i in range(n)],
        }
    )  # fmt: skip
    # the technician begins with an order before all of these
    first = rows.head(1).with_columns(
        scoped=pl.lit(True), returned=pl.lit(False), opened_at=pl.lit(MONDAY - timedelta(days=1)),
        vehicle=pl.lit("first"),
    )  # fmt: skip
    found = adjusted(pl.concat([first, rows]), np.full(n + 1, 99.0), window_days=WINDOW)
    # whether so few then settle is another matter
    assert (found.risk_difference.why or "").startswith("Too little to compare") is not told
    assert found.risk_difference.n == n
    if not told:
        assert found.risk_difference.why == (
            f"Too little to compare: {scoped} scoped and {n - scoped} other orders with {back} comebacks; at least 20 "
            "of each and 5 comebacks needed."
        )
        assert found.caution == f"No comparison is shown. {found.risk_difference.why}"


# -- use and trends -----------------------------------------------------------------------------------------------


def test_what_each_would_scope_of_the_shops_jobs_from_its_parts() -> None:
    made, settings = comeback_shop(3, orders=260, days=150), PeopleSettings(draws=200)
    eligible = eligible_orders(made.shop, as_moment(START + timedelta(days=160)))
    found = adjusted_adoption(eligible, settings)
    logit = usual_person(eligible, event="scoped", columns=CASE_MIX, who="technician").logit
    edges = sorted(set(np.quantile(logit, [i / 40 for i in range(41)])))
    places = []
    for value in logit:
        place = max(i for i, edge in enumerate(edges) if edge <= value)
        places.append(min(place, len(edges) - 2))
    bins, names = max(places) + 1, sorted(set(eligible["technician"]))
    mass = np.array([places.count(b) for b in range(bins)], dtype=float)
    offset = np.array(
        [np.mean([v for v, p in zip(logit, places, strict=True) if p == b] or [0.0]) for b in range(bins)]
    )
    trials, events = np.zeros((len(names), bins)), np.zeros((len(names), bins))
    for name, scoped, place in zip(eligible["technician"], eligible["scoped"], places, strict=True):
        trials[names.index(name), place] += 1
        events[names.index(name), place] += scoped
    ones = np.ones((len(names), bins, 1))
    posterior = posterior_draws(
        events, trials, ones, ones, sd_scale=(1.0,), beta_sd=(1.0,), offset=offset[None, :], draws=200,
        seed=settings.seed, grid=15,
    )  # fmt: skip
    for i, name in enumerate(names):
        drawn = [
            float((expit(level + offset) * mass).sum() / mass.sum())
            for level in posterior.beta[:, 0] + posterior.personal[:, i, 0]
        ]
        low, high = np.quantile(drawn, [0.025, 0.975])
        figure = found[name]
        assert figure.n == trials[i].sum()
        assert (figure.estimate, figure.low, figure.high) == pytest.approx((np.mean(drawn), low, high))


def test_the_line_of_a_trend_from_its_parts() -> None:
    rng = np.random.default_rng(5)
    moment = MONDAY + timedelta(days=100, hours=5)
    rows = [
        (name, MONDAY + timedelta(days=int(day)), bool(rng.random() < 0.6 + 0.003 * day))
        for name in "ab"
        for day in rng.integers(0, 99, 40)
    ]
    frame = pl.DataFrame(rows, schema=["technician", "at", "good"], orient="row")
    found = pooled_trends(
        frame, ("a", "b"), at="at", event="good", moment=moment, least_n=6, draws=150, seed=3, what="captures"
    ).curves
    weeks = sorted({at.date() - timedelta(days=at.weekday()) for _, at, _ in rows})
    months = np.array([(week - moment.date()).days / (365.25 / 12) for week in weeks])
    trials, events = np.zeros((2, len(weeks))), np.zeros((2, len(weeks)))
    for name, at, good in rows:
        place = weeks.index(at.date() - timedelta(days=at.weekday()))
        trials["ab".index(name), place] += 1
        events["ab".index(name), place] += good
    z = np.stack(
        [np.stack([np.ones(len(weeks)), months - np.average(months, weights=own)], axis=1) for own in trials]
    )
    posterior = posterior_draws(
        events, trials, z, z, sd_scale=(1.0, 0.15), beta_sd=(3.0, 0.3), draws=150, seed=3
    )
    for i, name in enumerate("ab"):
        seen = [s for s in range(len(weeks)) if trials[i, s]]
        own = found.filter(pl.col("technician") == name)
        assert own["week"].to_list() == [weeks[s] for s in seen]
        for row, s in zip(own.iter_rows(named=True), seen, strict=True):
            level = posterior.beta + posterior.personal[:, i, :]
            drawn = expit(level[:, 0] + level[:, 1] * z[i, s, 1])
            low, high = np.quantile(drawn, [0.025, 0.975])
            assert (row["fitted"], row["low"], row["high"]) == pytest.approx((drawn.mean(), low, high))
