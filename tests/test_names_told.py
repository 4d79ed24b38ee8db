"""The digest and the report name people by the coaching list alone, and as seldom as it says."""

from __future__ import annotations

import pytest

from models.people.coaching import needs_coaching
from models.people.skill import technicians
from tests.bench.bench_names import a_year, named_in_digest, named_in_report
from tests.simulated_shop import Trouble, skill_shop


def test_digest_and_report_name_whom_the_list_names() -> None:
    planted = (Trouble("tech b", "hookup", 100, 0.6), Trouble("tech e", "usable captures", 100, 0.6))
    made = skill_shop(3, planted, newcomer=False)
    skills = technicians(made.shop, as_of=made.as_of)
    found = needs_coaching(skills, made.shop, as_of=made.as_of)
    listed = [item.technician for item in found.items]
    assert {"tech b", "tech e"} <= set(listed)
    assert set(listed) < {skill.technician for skill in skills}
    assert named_in_digest(found) == listed[:5]
    assert named_in_report(skills, found) == sorted(set(listed))


def test_where_nobody_differs_hardly_anybody_is_named() -> None:
    """24 technicians at 5 of 100 a year: 1.2 names, more than 4 in 1 of 100 such runs."""
    told: list[str] = []
    stated = 0.0
    for seed in (91, 92, 93):
        made = skill_shop(seed, newcomer=False, between_sd=0.1, retakes=(0.7, 0.6))
        digest, report, rate = a_year(made, every_weeks=13)
        assert digest == report
        told += sorted(digest)
        stated += rate
    assert stated == pytest.approx(24 * 0.05, abs=0.3)
    assert len(told) <= 4
    assert not any("without an alarm" in key for key in told)
