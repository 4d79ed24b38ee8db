"""Nearest past captures: the twin is found, size does not matter, gaps do not hurt."""

from __future__ import annotations

import numpy as np
import pytest

from models.spread.nearest import nearest, turned

ANGLE = np.linspace(0.0, 2.0 * np.pi, 144, endpoint=False)


def cycle(weak: int, loss: float, noise: float, seed: int) -> np.ndarray:
    """Four equal valleys, one of them shallower."""
    rng = np.random.default_rng(seed)
    depth = np.ones(4)
    depth[weak] -= loss
    at = (np.arange(144) // 36) % 4
    return depth[at] * np.cos(4 * ANGLE) + rng.normal(0, noise, 144)


def past() -> np.ndarray:
    return np.stack([cycle(row % 4, 0.1 + 0.2 * (row // 4), 0.02, row) for row in range(16)])


def test_the_same_fault_in_the_same_element_is_nearest() -> None:
    found = nearest(past(), cycle(2, 0.5, 0.02, 99), 3)
    assert found.index[0] == 10
    assert (np.diff(found.distance) >= 0).all()
    assert found.index.size == 3


def test_neither_size_nor_level_of_the_ripple_matters() -> None:
    plain = nearest(past(), cycle(1, 0.3, 0.0, 0), 4)
    scaled = nearest(past() * 3.0 + 5.0, 0.2 * cycle(1, 0.3, 0.0, 0) - 1.0, 4)
    assert plain.index.tolist() == scaled.index.tolist()
    assert plain.distance == pytest.approx(scaled.distance)


def test_deviations_decide_where_shapes_do_not() -> None:
    shapes = np.tile(cycle(0, 0.0, 0.0, 0), (6, 1)) + np.random.default_rng(1).normal(0, 0.01, (6, 144))
    deviations = np.zeros((6, 4))
    deviations[4] = [0.0, -20.0, 0.0, 0.0]
    query = np.array([0.0, -19.0, 0.0, 0.0])
    found = nearest(shapes, shapes.mean(axis=0), 6, deviations_pct=deviations, query_deviation_pct=query)
    assert found.index[0] == 4
    assert found.deviation_distance[0] == pytest.approx(0.5)


def test_the_capture_itself_and_broken_ones_are_left_out() -> None:
    shapes = past()
    assert nearest(shapes, shapes[5], 1).index.tolist() == [5]
    shapes[9, 3] = np.nan
    found = nearest(shapes, shapes[5], 99, leave_out=5)
    assert found.index.size == 14
    assert not {5, 9} & set(found.index.tolist())
    assert nearest(np.zeros((0, 144)), shapes[5], 3).index.size == 0


def test_other_grids_are_refused() -> None:
    with pytest.raises(ValueError, match="not the same crank-angle grid"):
        nearest(past(), np.zeros(100))
    with pytest.raises(ValueError, match="holds a NaN"):
        nearest(past(), np.full(144, np.nan))
    with pytest.raises(ValueError, match="every capture and every element"):
        nearest(past(), past()[0], deviations_pct=np.zeros((3, 4)), query_deviation_pct=np.zeros(4))


def test_cycles_that_begin_at_other_elements_are_put_on_one_axis() -> None:
    angle_deg = np.arange(144) * 5.0
    shape = np.cos(np.radians(angle_deg)) + 0.4 * np.exp(-(((angle_deg - 360.0) / 40.0) ** 2))
    starts = np.array([0.0, 180.0, 540.0, 150.0])
    seen = np.array([np.roll(shape, -int(start / 5.0)) for start in starts])
    np.testing.assert_allclose(turned(seen, starts), np.tile(shape, (4, 1)), atol=1e-12)
    # half a step further the value lies half way between its neighbours
    np.testing.assert_allclose(turned(shape[None, :], np.array([2.5]))[0], (shape + np.roll(shape, 1)) / 2)
    with pytest.raises(ValueError, match="starts"):
        turned(seen, starts[:2])
