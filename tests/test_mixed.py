"""The model of people's trends against a published fit, and on planted slopes."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import gammaln

from models.people.trends import pooled_trends
from models.stats.mixed import laplace_modes, posterior_draws

DATA = Path(__file__).parent / "data"


def _cbpp() -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    herd, period, cases, animals = np.loadtxt(
        DATA / "cbpp.csv", delimiter=",", skiprows=4, unpack=True
    ).astype(int)
    assert (herd.size, cases.sum(), animals.sum()) == (56, 99, 842)
    events, trials = np.zeros((15, 4)), np.zeros((15, 4))
    events[herd - 1, period - 1], trials[herd - 1, period - 1] = cases, animals
    x = np.zeros((15, 4, 4))
    x[:, :, 0] = 1
    for t in (1, 2, 3):
        x[:, t, t] = 1
    return events, trials, x


def test_laplace_likelihood_of_a_published_fit() -> None:
    # the reference manual of the lme4 package, example of its data set cbpp: coefficients -1.398 -0.992 -1.128
    # -1.580, SD 0.642, log likelihood -92.03
    events, trials, x = _cbpp()
    constant = (gammaln(trials + 1) - gammaln(events + 1) - gammaln(trials - events + 1)).sum()
    beta = np.array([-1.3985, -0.9923, -1.1287, -1.5803])
    modes = laplace_modes(
        events,
        trials,
        np.zeros((15, 4, 0)),
        np.ones((15, 4, 1)),
        np.array([[0.642], [0.5], [0.8]]),
        offset=x @ beta,
    )
    assert modes.log_marginal[0] + constant == pytest.approx(-92.03, abs=5e-3)
    assert modes.log_marginal[0] > modes.log_marginal[1:].max()


def test_posterior_lies_around_the_published_fit() -> None:
    events, trials, x = _cbpp()
    draws = posterior_draws(
        events,
        trials,
        x,
        np.ones((15, 4, 1)),
        sd_scale=(1.0,),
        beta_sd=(5.0,) * 4,
        draws=4000,
        seed=3,
        grid=21,
    )
    assert draws.beta.mean(axis=0) == pytest.approx([-1.398, -0.992, -1.128, -1.580], abs=0.08)
    assert np.median(draws.sds) == pytest.approx(0.642, abs=0.12)
    again = posterior_draws(
        events,
        trials,
        x,
        np.ones((15, 4, 1)),
        sd_scale=(1.0,),
        beta_sd=(5.0,) * 4,
        draws=4000,
        seed=3,
        grid=21,
    )
    assert (again.personal == draws.personal).all()


def _work(seed: int, slopes: dict[str, float], per_week: float = 3.0) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for name, slope in slopes.items():
        for week in range(52):
            for _ in range(rng.poisson(per_week)):
                chance = 1 / (1 + np.exp(-(1.5 + slope * (week - 26) / 4.35)))
                rows.append((name, datetime(2025, 1, 6) + timedelta(weeks=week), bool(rng.random() < chance)))
    return pl.DataFrame(
        rows, schema={"technician": pl.String, "at": pl.Datetime("us"), "good": pl.Boolean}, orient="row"
    )


def _trends(work: pl.DataFrame, people: tuple[str, ...]) -> dict[str, tuple[float, float, float]]:
    trends = pooled_trends(
        work,
        people,
        at="at",
        event="good",
        moment=datetime(2026, 1, 5),
        least_n=6,
        draws=1500,
        seed=1,
        what="captures",
    )
    return {n: (e.low or 0.0, e.estimate or 0.0, e.high or 0.0) for n, e in trends.per_month.items()}


def test_a_planted_trend_is_found_and_the_others_stay_flat() -> None:
    slopes = {"a": 0.35, "b": 0.0, "c": 0.0, "d": 0.0, "e": 0.0, "f": -0.35}
    got = _trends(_work(5, slopes), tuple(slopes))
    assert got["a"][0] > 0.02
    assert got["f"][2] < -0.02
    for name in "bcde":
        assert got[name][0] < 0 < got[name][2]


def test_trend_intervals_hold_the_truth() -> None:
    held = []
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        slopes = {name: float(rng.normal(0, 0.12)) for name in "abcdefgh"}
        got = _trends(_work(200 + seed, slopes, per_week=1.5), tuple(slopes))
        for name, slope in slopes.items():
            first, last = (1 / (1 + np.exp(-(1.5 + slope * (w - 26) / 4.35))) for w in (0, 51))
            truth = (last - first) / (51 * 7 / 30.4375)
            held.append(got[name][0] <= truth <= got[name][2])
    assert np.mean(held) >= 0.9


def test_too_little_work_gets_no_trend() -> None:
    work = _work(1, {"a": 0.0, "b": 0.0})
    few = pl.DataFrame(
        [("new", datetime(2025, 12, 20), True)] * 3 + [("burst", datetime(2025, 12, 20), True)] * 20,
        schema=work.schema,
        orient="row",
    )
    trends = pooled_trends(
        pl.concat([work, few]), ("a", "b", "burst", "idle", "new"), at="at", event="good",
        moment=datetime(2026, 1, 5), least_n=6, draws=500, seed=1, what="captures",
    )  # fmt: skip
    assert trends.per_month["new"].why == "Too little to say: 3 captures, at least 6 needed."
    assert "within" in (trends.per_month["burst"].why or "")
    assert trends.per_month["idle"].n == 0
    assert trends.per_month["a"].estimate is not None
    quiet = trends.curves.filter(pl.col("technician") == "new")
    assert quiet["fitted"].null_count() == quiet.height > 0
    assert trends.curves.filter(pl.col("technician") == "a")["week"].min() == date(2025, 1, 6)
