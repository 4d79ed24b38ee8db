"""Case mix, trends and the coaching charts' limits against published data, tables and theorems."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import optimize

from models.people.trends import change_a_month
from models.stats.casemix import usual_person
from models.stats.control import false_alarm_chance

# Five items of a law school admission test, 1000 people: how many had each pattern of right answers, 00000 to 11111
# (Bock R.D. & Lieberman M. (1970) Psychometrika 35:179-197; counts from memory, held to the published margins below)
LSAT6 = (
    3, 6, 2, 11, 1, 1, 3, 4, 1, 8, 0, 16, 0, 3, 2, 15, 10, 29, 14, 81, 3, 28, 15, 80, 16, 56, 21, 173, 11, 61, 28, 298,
)  # fmt: skip


def test_what_is_expected_of_the_usual_person_follows_the_published_difficulties() -> None:
    """One-parameter logistic model: discrimination 0.755, difficulties -3.615 -1.322 -0.318 -1.730 -2.780 (Rizopoulos
    D. (2006) J. Stat. Software 17(5), marginal likelihood). Ours are drawn in a little."""
    patterns = [[int(c) for c in f"{i:05b}"] for i in range(32)]
    answers = np.repeat(np.array(patterns), LSAT6, axis=0)
    assert answers.shape == (1000, 5)
    assert answers.sum(axis=0).tolist() == [924, 709, 553, 763, 870]
    # a fifth of the people, every fifth of the sorted patterns: the fit is on each person's own term
    some = answers[::5]
    frame = pl.DataFrame(
        [(f"p{i}", f"item {j}", bool(right)) for i, row in enumerate(some) for j, right in enumerate(row)],
        schema=["who", "item", "right"], orient="row",
    )  # fmt: skip
    logit = usual_person(frame, event="right", columns=("item",), who="who").logit[:5]
    published = -0.755 * np.array([-3.615, -1.322, -0.318, -1.730, -2.780])
    apart = published - published.mean()
    ours = logit - logit.mean()
    assert ours == pytest.approx(apart, abs=0.15)
    assert np.corrcoef(ours, apart)[0, 1] > 0.99
    # the usual person's own level: half of the people lie above it
    assert logit == pytest.approx(published, abs=0.25)


def test_the_slope_of_a_share_gives_the_published_trend_test() -> None:
    """Alcohol and malformation, 32,574 births: with scores 0, 0.5, 1.5, 4, 7 the linear trend has M2 = 6.57 (Agresti,
    An Introduction to Categorical Data Analysis, section 2.5; data Graubard & Korn 1987, counts from memory, held to
    the published total): M2 = (n - 1) r2, and r is the slope of least squares in standard deviations."""
    malformed = np.array([48.0, 38.0, 5.0, 1.0, 1.0])
    births = np.array([17_114.0, 14_502.0, 793.0, 127.0, 38.0])
    score = np.array([0.0, 0.5, 1.5, 4.0, 7.0])
    n = births.sum()
    assert n == 32_574
    slope, low, high = change_a_month(malformed, births, score)
    spread = np.average((score - np.average(score, weights=births)) ** 2, weights=births)
    share = malformed.sum() / n
    assert (n - 1) * slope**2 * spread / (share * (1 - share)) == pytest.approx(6.57, abs=0.01)
    # few births at high scores carry it: an interval that allows for unequal variance holds no change
    assert low < 0 < slope < high


def _lattice(chance: float, ratio: int) -> tuple[float, float]:
    """Odds at which an event weighs `ratio` times as much as none, with the other sign; and the weight of none."""

    def off(odds: float) -> float:
        base = np.log(1 - chance + odds * chance)
        return float((np.log(odds) - base) / base - ratio)

    odds = float(optimize.brentq(off, 1.01, 60.0))
    return odds, float(np.log(1 - chance + odds * chance))


@pytest.mark.parametrize(("chance", "ratio", "states"), [(0.1, 5, 21), (0.2, 2, 11), (0.1, 6, 30)])
@pytest.mark.parametrize("pieces", [30, 100, 300])
def test_the_chance_of_an_alarm_is_that_of_the_exact_chain(
    chance: float, ratio: int, states: int, pieces: int
) -> None:
    """Where the weights are whole multiples of one step the statistic is a walk on whole numbers, and Brook & Evans
    (1972) Biometrika 59:539-549 is exact: `ratio` up, one down, never below 0, an alarm at `states`."""
    odds, step = _lattice(chance, ratio)
    at, alarmed = np.zeros(states), 0.0
    at[0] = 1.0
    for _ in range(pieces):
        after = np.zeros(states)
        for s in range(states):
            after[max(s - 1, 0)] += (1 - chance) * at[s]
            if s + ratio >= states:
                alarmed += chance * at[s]
            else:
                after[s + ratio] += chance * at[s]
        at = after
    ours = false_alarm_chance([chance], limit=(states - 0.5) * step, observations=pieces, odds_to_find=odds)
    assert ours == pytest.approx(alarmed, rel=0.08)


@pytest.mark.parametrize("limit", [1.0, 2.0])
@pytest.mark.parametrize("expected", [[0.1], [0.05, 0.2, 0.4], [0.5]])
def test_ordinary_work_alarms_no_sooner_than_lordens_bound(limit: float, expected: list[float]) -> None:
    """Lorden G. (1971) Ann. Math. Statist. 42:1897-1908: a CUSUM of log likelihood ratios runs exp(limit) pieces or
    more on average (from memory). The mean run is the sum of the chances of not having alarmed yet."""
    quiet, n, chance = 0.0, 0, 0.0
    while chance < 0.999 and n < 2_000:
        chance = false_alarm_chance(expected, limit=limit, observations=n, odds_to_find=4.0) if n else 0.0
        quiet += 1 - chance
        n += 1
    assert quiet >= np.exp(limit)
