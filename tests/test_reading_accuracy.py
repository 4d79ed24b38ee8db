"""The reader against captures from physics it never saw, held to its goals with room for sampling noise only.

A goal that is met exactly in the long run would be missed by chance in half of all small sets. So each bound is
loosened to the point a reader exactly at its goal would miss once in a hundred sets: by the binomial quantile
for shares, by the standard error of Hanley J. A. & McNeil B. J. (1982), Radiology 143:29-36, for the area under
the ROC curve.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.stats import binom

from pipelines.kinds import kind
from tests.accuracy import Judged, auc, calibration, judge, read_all, usual_pattern
from tests.bench.baselines import dips_by_sync
from tests.independent_sets import TestCapture, make_repeats, make_set

MIXED = ("waste_spark", "other_sync", "ac_coupled", "starter_current", "swapped", "gaps")


def most_misses(n: int, share: float) -> int:
    """Misses that a method with this true miss share exceeds in one set of a hundred."""
    return int(binom.ppf(0.99, n, share))


def auc_error(area: float, healthy: int, faulty: int) -> float:
    """Standard error of an area under the ROC curve (Hanley & McNeil 1982)."""
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    spread = area * (1 - area) + (faulty - 1) * (q1 - area**2) + (healthy - 1) * (q2 - area**2)
    return float(np.sqrt(spread / (healthy * faulty)))


@cache
def judged() -> dict[str, list[Judged]]:
    """60 clean captures and 10 of each mixed kind, read and judged; the family pattern from all of them."""
    reader = kind("relative_compression")
    assert reader is not None
    sets: dict[str, list[TestCapture]] = {"clean": make_set("clean", 60, 3)}
    sets |= {name: make_set(name, 10, 3) for name in MIXED}
    readings = {name: read_all(reader.read, captures) for name, captures in sets.items()}
    pattern = usual_pattern([row for rows in readings.values() for row in rows])
    return {name: [judge(*row, pattern) for row in rows] for name, rows in readings.items()}


def groups() -> dict[str, list[Judged]]:
    """The two groups the goals are set for."""
    everything = judged()
    return {"clean": everything["clean"], "all": [j for rows in everything.values() for j in rows]}


def test_the_bounds_follow_their_formulas() -> None:
    # Binomial (30, 0.02): P(X <= 2) = 0.978 and P(X <= 3) = 0.997, so three misses are the bound.
    assert most_misses(30, 0.02) == 3
    # Hanley & McNeil's formula at an area of one half with equal groups of n: sqrt((2n + 1) / (12 n^2)), the
    # standard deviation of the Mann-Whitney statistic when nothing is told apart.
    assert auc_error(0.5, 30, 30) == pytest.approx(np.sqrt(61 / (12 * 900)), rel=1e-9)
    assert auc(np.array([1.0, 2.0]), np.array([2.0, 3.0])) == pytest.approx(0.875)  # one tie of four pairs


def test_every_capture_is_read_without_a_crash() -> None:
    for rows in judged().values():
        for j in rows:
            assert j.error == "", f"{j.capture.description}: {j.error}"
            assert np.isfinite(j.score), f"{j.capture.description}: {j.reading.reason if j.reading else ''}"


@pytest.mark.parametrize(("group", "goal"), [("clean", 0.995), ("all", 0.98)])
def test_faulty_engines_score_above_healthy_ones(group: str, goal: float) -> None:
    rows = groups()[group]
    healthy = np.array([j.score for j in rows if not j.capture.truth.faulty])
    faulty = np.array([j.score for j in rows if j.capture.truth.faulty])
    assert min(healthy.size, faulty.size) >= 30
    assert auc(healthy, faulty) >= goal - 2.33 * auc_error(goal, healthy.size, faulty.size)


@pytest.mark.parametrize(("group", "miss_share"), [("clean", 0.02), ("all", 0.05)])
def test_the_right_cylinder_is_named(group: str, miss_share: float) -> None:
    faulty = [j for j in groups()[group] if j.capture.truth.faulty]
    wrong = [j.capture.description for j in faulty if not j.right]
    assert len(wrong) <= most_misses(len(faulty), miss_share), wrong


def test_the_clean_set_is_no_easy_one() -> None:
    # A yardstick that anything passes measures nothing: the notebook way stays far below the reader's goal on it.
    readings = read_all(dips_by_sync, [j.capture for j in judged()["clean"]])
    pattern = usual_pattern(readings)
    rows = [judge(*row, pattern) for row in readings]
    scored = [j for j in rows if np.isfinite(j.score)]
    assert len(scored) >= 50
    healthy = np.array([j.score for j in scored if not j.capture.truth.faulty])
    faulty = [j for j in scored if j.capture.truth.faulty]
    assert auc(healthy, np.array([j.score for j in faulty])) < 0.95
    assert np.mean([j.right for j in faulty]) < 0.85


def test_setup_checks_are_found_and_not_invented() -> None:
    rows = groups()["all"]
    expected = sum(len(j.capture.truth.expected) for j in rows)
    missed = [(sorted(j.missed), j.capture.description) for j in rows if j.missed]
    invented = [(sorted(j.false), j.capture.description) for j in rows if j.false]
    assert expected >= 20
    assert sum(len(names) for names, _ in missed) <= most_misses(expected, 0.05), missed
    assert len(invented) <= most_misses(len(rows), 0.02), invented


def test_relative_compression_follows_the_loss_of_peak_pressure() -> None:
    # The figure that is shown must mean something: among single faults it falls as the loss grows.
    loss, shown = [], []
    for j in judged()["clean"]:
        truth = j.capture.truth
        if len(truth.faulty) == 1 and j.reading is not None:
            value = [c.relative_pct for c in j.reading.elements if c.element == truth.faulty[0]]
            loss.append(truth.loss[truth.faulty[0] - 1])
            shown += value
    assert len(loss) == len(shown) >= 15
    assert np.corrcoef(loss, shown)[0, 1] < -0.85


def test_the_standard_error_matches_the_spread_over_repeated_captures() -> None:
    reader = kind("relative_compression")
    assert reader is not None
    ratio, count = calibration(read_all(reader.read, make_repeats(10, 5, 3)))
    assert count >= 30
    # Within 20 %, and two standard deviations of a ratio that rests on 4 degrees of freedom a group.
    room = 2 / np.sqrt(2 * 4 * count)
    assert 0.8 / (1 + room) <= ratio <= 1.2 * (1 + room)
