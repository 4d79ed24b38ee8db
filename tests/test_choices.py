"""Numbers nobody can work out: choices behind the figures of people, jobs and thresholds, written down a second time.

A changed one changes stored and printed figures, so it has to be changed here on purpose too, with its reason beside
the constant; of figures that are stored, raise `FIGURES_VERSION` in the same step.
"""

from __future__ import annotations

from importlib import import_module

import pytest

CHOICES: dict[str, object] = {
    "models.jobs.adoption._MIX_BINS": 40,
    "models.jobs.adoption.DIRECTION_WEEKS": 8,
    "models.jobs.comebacks.LEAST_TO_COMPARE": 30,
    "models.jobs.comparison._COMPARABLE": (0.05, 0.95),
    "models.jobs.comparison._LEAST_COMEBACKS": 5,
    "models.jobs.comparison._LEAST_ORDERS": 20,
    "models.jobs.crossfit._CLIP": 0.01,
    "models.jobs.crossfit._DIVISIONS": 3,
    "models.jobs.crossfit._FOLDS": 10,
    "models.jobs.crossfit._FOLDS_OF_MANY": 5,
    "models.jobs.crossfit._MANY": 5_000,
    "models.jobs.returns.MOST_UNKNOWN_AGES": 0.1,
    "models.jobs.stepped._LEAST_EACH_SIDE": 20,
    "models.jobs.weekly.WEEKS_BETWEEN_FALSE_ALARMS": 520.0,
    "models.jobs.weekly.WEIGHT": 0.2,
    "models.jobs.weekly._ALLOWANCE": 0.5,
    "models.jobs.weekly._LEAST_BASE": 20,
    "models.people.before_after.SPELL_DAYS": 28,
    "models.people.before_after.WEEKS": 26,
    "models.people.coaching._HEAD_START": 0.5,
    "models.people.coaching._LEAST_YEAR": 30,
    "models.people.coaching._SHOWN_CAPTURES": 3,
    "models.people.hookup.EVIDENT": 0.05,
    "models.people.power._MOST": 4096,
    "models.people.repeatability.LEAST_SETS": 5,
    "models.people.standing_hookup._LENGTH_SHARE": 0.7,
    "models.people.standing_hookup._RATE_SHARE": 2 / 3,
    "models.people.trends._LEAST_SPAN_DAYS": 42,
    "models.people.trends._LEAST_REACH": 1.7,
    "models.people.trends._LEVEL_SD_SCALE": 1.0,
    "models.people.trends._RARE": 30,
    "models.people.trends._SHUFFLES": 999,
    "models.people.trends._SLOPE_SD_SCALE": 0.15,
    "models.people.watch._LEAST_EXPECTED": 0.02,
    "models.people.watch._MOST_EXPECTED": 0.95,
    "models.thresholds.costs.HEALTHY_WORTH": 30.0,
    "models.thresholds.costs.MIN_SHOP": 12,
    "models.thresholds.costs.ODD_WORTH": 10.0,
    "models.thresholds.curves.MOST_CELLS": 5_000_000,
    "models.thresholds.evidence.MAX_WEIGHT": 20.0,
    "models.thresholds.evidence.RIDGE": 0.5,
    "models.thresholds.flags.RESIDUE": 0.3,
    "models.thresholds.follow_up.LEAST_FROM_LOWER_HALF": 5,
    "models.thresholds.follow_up.MIN_OWN_UNFLAGGED": 3,
    "models.thresholds.follow_up.MIN_UNFLAGGED": 20,
    "models.thresholds.gauge.MIN_ENGINES": 5,
    "models.thresholds.proposal.MOST_HEALTHY_FLAGGED": 0.05,
    "models.thresholds.proposal.RECENT_WEEKS": 12,
    "models.thresholds.proposal._OF_THE_LARGEST": 0.65,
    "models.thresholds.shares.MIN_OWN": 5,
    "models.thresholds.verification.DAYS": 14,
    "models.thresholds.verification.SHARE": 0.1,
}


@pytest.mark.parametrize("name", CHOICES)
def test_a_choice_is_changed_on_purpose(name: str) -> None:
    module, _, constant = name.rpartition(".")
    assert getattr(import_module(module), constant) == CHOICES[name]
