"""What is said of comebacks, coaching and limits against published studies, end to end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import causaldata
import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.jobs.comparison import adjusted, crude
from models.people.before_after import BeforeAfter, coaching_effect
from models.stats.results import Estimate
from models.thresholds.limits import Costs

WINDOW = 120


@pytest.fixture(scope="module")
def smokers() -> pl.DataFrame:
    """NHEFS as a log of orders: quitting = scoped, death within 120 months = comeback.

    Hernan & Robins (2020) Causal Inference: What If, chapters 12 and 17; their covariates in classes, since
    the log of a shop knows classes only. 1566 people, 403 quit.
    """
    data = causaldata.nhefs_complete.load_pandas().data
    died = data["death"].astype(int).to_numpy() == 1
    months = np.where(
        died, (data["yrdth"].astype(float) - 83) * 12 + data["modth"].astype(float), float(WINDOW)
    )

    def classes(name: str, count: int) -> list[str]:
        edges = np.quantile(data[name].astype(float), np.linspace(0, 1, count + 1)[1:-1])
        return [str(code) for code in np.searchsorted(edges, data[name].astype(float))]

    def together(*names: str) -> list[str]:
        return ["-".join(values) for values in zip(*(data[n].astype(str) for n in names), strict=True)]

    begin = datetime(2000, 1, 1)
    rng = np.random.default_rng(0)
    return pl.DataFrame(
        {
            "scoped": data["qsmk"].astype(int).to_numpy() == 1,
            "days": np.asarray(months, dtype=float),
            "returned": died,
            "complaint": together("exercise", "active"),
            "engine_family": [
                a + b for a, b in zip(classes("smokeintensity", 4), classes("smokeyrs", 5), strict=True)
            ],
            "history": classes("age", 8),
            "season": together("education"),
            "technician": together("sex", "race"),
            "is_return": False,
            "age": pl.Series([None] * len(data), dtype=pl.String),
            "vehicle": [str(i) for i in range(len(data))],
            "repair_order": [str(i) for i in range(len(data))],
            "opened_at": [begin + timedelta(hours=int(i)) for i in rng.permutation(len(data))],
        }
    )


def test_nhefs_as_it_is(smokers: pl.DataFrame) -> None:
    # survival at 120 months not quitting .8279829, quitting .774282 (Program 17.1, pooled logistic hazard; 200 and
    # 91 deaths of 1163 and 403); log-rank chi2 6.4826, p .0109 (worked out with a reference library)
    found = crude(smokers, window_days=WINDOW)
    assert (found.not_scoped.comebacks, found.scoped.comebacks) == (200, 91)
    assert found.not_scoped.risk.estimate == pytest.approx(1 - 0.8279829, abs=3e-4)
    assert found.scoped.risk.estimate == pytest.approx(1 - 0.774282, abs=3e-4)
    assert found.log_rank_p == pytest.approx(0.0109, abs=2e-4)
    assert found.risk_difference.low is not None
    assert found.risk_difference.low > 0.005  # quitting looks harmful


def test_nhefs_between_comparable_people(smokers: pl.DataFrame) -> None:
    # weighted .8161003 and .8116784, difference in survival -.0044219; g-formula .8160697 and .811763
    found = adjusted(smokers, np.full(smokers.height, 1000.0), window_days=WINDOW)
    difference = found.risk_difference
    assert difference.estimate == pytest.approx(0.0044, abs=0.015)
    assert difference.low is not None
    assert difference.high is not None
    assert difference.low < 0 < difference.high
    assert found.scoped_risk.estimate == pytest.approx(1 - 0.8117, abs=0.012)
    assert found.not_scoped_risk.estimate == pytest.approx(1 - 0.8161, abs=0.012)
    assert found.scoped_risk.estimate - found.not_scoped_risk.estimate == pytest.approx(difference.estimate)


def test_nhefs_with_follow_up_cut_short(smokers: pl.DataFrame) -> None:
    """Half of the people watched for less than the window: without weights the risk would nearly halve."""
    rng = np.random.default_rng(4)
    potential = rng.uniform(0.0, 2.0 * WINDOW, smokers.height)
    cut = smokers.with_columns(
        returned=pl.col("returned") & (pl.col("days") <= pl.Series(potential)),
        days=pl.min_horizontal("days", pl.Series(potential)),
    )
    found = adjusted(cut, potential, window_days=WINDOW)
    assert found.scoped_risk.estimate == pytest.approx(1 - 0.8117, abs=0.045)
    assert found.not_scoped_risk.estimate == pytest.approx(1 - 0.8161, abs=0.03)
    # less is known, and said to be
    whole = adjusted(smokers, np.full(smokers.height, 1000.0), window_days=WINDOW).risk_difference
    width = [(e.high or 0.0) - (e.low or 0.0) for e in (found.risk_difference, whole)]
    assert width[0] > 1.2 * width[1]


# tuberculosis and BCG, 13 trials: vaccinated with and without the disease, then the same for the others
# (Colditz et al. (1994) JAMA 271:698-702; counts from memory, held to the published Q and odds ratio below)
BCG = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
    (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip


def _session(number: int, cells: tuple[int, int, int, int]) -> BeforeAfter:
    a, b, c, d = cells

    def share(k: int, n: int) -> Estimate:
        return Estimate(n=n, estimate=k / n, low=0.0, high=1.0)

    before, after = share(c, c + d), share(a, a + b)
    change = Estimate(n=a + b + c + d, estimate=a / (a + b) - c / (c + d), low=-1.0, high=1.0)
    return BeforeAfter(
        session=str(number), technician=str(number), topic="calls", test=None, held_on=date(2025, 1, 1), weeks=26,
        before=before, calm=before, after=after, change=change, change_allowing=change,
        checks=pl.DataFrame(), sentence="",
    )  # fmt: skip


def test_pooled_odds_of_the_bcg_trials() -> None:
    # Everitt & Hothorn (2006) A Handbook of Statistical Analyses Using R, ch. 12: odds ratio 0.474, 95 % interval
    # 0.325 to 0.69, Q 163.16 (DerSimonian-Laird)
    y = np.array([np.log(a * d / (b * c)) for a, b, c, d in BCG])
    weight = 1 / np.array([1 / a + 1 / b + 1 / c + 1 / d for a, b, c, d in BCG])
    q = float((weight * (y - np.average(y, weights=weight)) ** 2).sum())
    assert q == pytest.approx(163.165, abs=5e-3)  # the counts are the published ones
    found = coaching_effect(tuple(_session(i, cells) for i, cells in enumerate(BCG))).odds_ratio
    assert found.estimate == pytest.approx(0.474, abs=0.02)
    assert found.low == pytest.approx(0.325, abs=0.04)
    assert found.high == pytest.approx(0.69, abs=0.04)


@dataclass(frozen=True)
class _Ratio:
    """False alarm to miss, and the chance of being odd at which testing begins to pay."""

    false_alarm: float
    miss: float
    chance: float


@pytest.mark.parametrize("ratio", [_Ratio(1.0, 9.0, 0.10), _Ratio(1.0, 5.0, 1 / 6)])
@pytest.mark.parametrize("prevalence", [0.08, 0.3])
def test_the_cheapest_limit_is_where_the_chance_of_odd_is_elkans(ratio: _Ratio, prevalence: float) -> None:
    """Elkan C. (2001) The foundations of cost-sensitive learning, IJCAI, section 2: test from the chance
    (false alarm)/(false alarm + miss) on. Healthy readings N(0, 1), odd ones N(2, 1)."""
    x = np.linspace(-6.0, 8.0, 28_001)
    cost = Costs(ratio.miss, ratio.false_alarm).expected(prevalence, stats.norm.sf(x), stats.norm.sf(x - 2.0))
    best = x[int(np.argmin(cost))]
    odd, healthy = prevalence * stats.norm.pdf(best - 2.0), (1 - prevalence) * stats.norm.pdf(best)
    assert odd / (odd + healthy) == pytest.approx(ratio.chance, abs=1e-3)
    # a calibrated chance judged by itself costs the same at that point either way
    assert ratio.chance * ratio.miss == pytest.approx((1 - ratio.chance) * ratio.false_alarm)
