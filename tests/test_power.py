"""How slow the coaching list says it is, against charts run on drawn work."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from models.people.coaching import needs_coaching
from models.people.power import delays, pieces_until_found
from models.people.skill import technicians
from models.records.people_settings import PeopleSettings
from models.records.topics import CALLS, TOPICS
from models.stats.control import limit_for_false_alarms, risk_adjusted_cusum
from tests.simulated_shop import skill_shop

ODDS = {"odds_to_find": 4.0, "odds_in_control": 1.25}


@pytest.mark.parametrize(("a_week", "weeks"), [(1.0, 22.0), (2.0, 12.0)])
def test_falling_from_95_to_75_per_cent_takes_months(a_week: float, weeks: float) -> None:
    """Drawn independently: one or two judged calls a week, 12 to 22 weeks in the median (audit of this shop)."""
    expected = np.full(200, 0.05)
    allowed = PeopleSettings().false_alarms_per_technician_year * TOPICS[CALLS].alarm_share
    limit = limit_for_false_alarms(expected, chance=allowed, observations=round(52 * a_week), **ODDS)
    odds_true = (0.25 / 0.75) / (0.05 / 0.95)
    pieces = pieces_until_found(expected, limit=limit, odds_true=odds_true, share=0.5, **ODDS)
    assert pieces is not None
    assert pieces / a_week == pytest.approx(weeks, rel=0.45)
    rng = np.random.default_rng(1)
    ran = []
    for _ in range(1000):
        run = risk_adjusted_cusum(rng.random(200) < 0.25, expected, limit=limit, **ODDS)
        ran.append(run.signal[0] + 1 if run.signal else 200)
    assert pieces == pytest.approx(np.median(ran), abs=1.5)
    late = pieces_until_found(expected, limit=limit, odds_true=odds_true, share=0.9, **ODDS)
    assert late == pytest.approx(np.quantile(ran, 0.9), rel=0.12)


def test_what_is_hardly_worse_is_not_found() -> None:
    expected = np.full(50, 0.3)
    found = pieces_until_found(expected, limit=14.0, odds_true=1.26, share=0.9, **ODDS)
    assert found is None


def test_the_page_is_told_how_slow_and_what_helps() -> None:
    made = skill_shop(5, newcomer=False, people=4, confirmed=(0.3, 0.5))
    skills = technicians(made.shop, as_of=made.as_of)
    found = needs_coaching(skills, made.shop, as_of=made.as_of)
    answers = {delay.topic: delay for delay in delays(found, skills)}
    assert list(answers) == list(TOPICS)
    calls = answers[CALLS]
    assert calls.weeks is not None
    assert calls.weeks_nine_in_ten is not None
    assert calls.weeks_with_outcomes is not None
    assert calls.weeks_with_outcomes < calls.weeks < calls.weeks_nine_in_ten
    assert f"{calls.weeks:.0f} weeks" in calls.sentence
    assert "with an outcome entered for each" in calls.sentence
    odds = [p / (1 - p) for p in (calls.usual, calls.worse)]
    assert odds[1] / odds[0] == pytest.approx(PeopleSettings().odds_to_find)
    points = found.chart_points.filter(found.chart_points["topic"] == CALLS)
    span = (points["at"].max() - points["at"].min()) / timedelta(weeks=1)  # type: ignore[operator]
    assert calls.a_week == pytest.approx(points.height / calls.people / span, rel=0.4)
    hookup = answers["hookup"]
    assert hookup.weeks_with_outcomes is None
    assert hookup.a_week > calls.a_week
    sharper = {delay.topic: delay for delay in delays(found, skills, worse=0.9)}
    assert (sharper["hookup"].weeks or 99.0) < (hookup.weeks or 0.0)
    with pytest.raises(ValueError, match="no more than the usual"):
        delays(found, skills, worse=0.001)
    with pytest.raises(ValueError, match="chance"):
        delays(found, skills, worse=1.5)
