"""Past captures most like a given one, by the shape of the mean cycle and by the elements' deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Neighbours:
    """The nearest captures, nearest first.

    Attributes:
        index: rows of the input, shape (k,).
        distance: shape (k,), without unit: 1 is the median distance of a capture to the query.
        shape_distance, deviation_distance: the two parts, before they are put together.
    """

    index: Ints
    distance: Floats
    shape_distance: Floats
    deviation_distance: Floats


def turned(shapes: Floats, start_deg: Floats) -> Floats:
    """Mean cycles that begin at different elements, put on one angle axis.

    Args:
        shapes: shape (captures, angles), each over 720 degrees from the top dead centre of its own first
            element.
        start_deg: shape (captures,), where that element fires in the engine's own sequence, in degrees.

    Returns:
        Same shape, each from the top dead centre of the sequence's first element; values between two
        grid points are interpolated linearly.

    Raises:
        ValueError: for another number of angles than captures.
    """
    if start_deg.shape != shapes.shape[:1]:
        raise ValueError(f"{start_deg.shape[0]} starts for {shapes.shape[0]} captures")
    size = shapes.shape[1]
    place = (np.arange(size)[None, :] - start_deg[:, None] / 720.0 * size) % size
    before = np.floor(place).astype(np.int64) % size
    share = place - np.floor(place)
    row = np.arange(shapes.shape[0])[:, None]
    return np.asarray(shapes[row, before] * (1 - share) + shapes[row, (before + 1) % size] * share)


def nearest(
    shapes: Floats,
    query: Floats,
    k: int = 5,
    *,
    deviations_pct: Floats | None = None,
    query_deviation_pct: Floats | None = None,
    leave_out: int | None = None,
) -> Neighbours:
    """Find the k captures whose mean cycle is nearest to the query's.

    Shapes are compared after their own mean is taken off and their own size is divided out, by the root
    mean square difference; deviations by their root mean square difference in %. Where both are there,
    each is put on the scale of its own median over all captures and the two count the same.

    Args:
        shapes: shape (captures, angles), all on the same angle grid from the same element; a row
            with a NaN is never found.
        query: shape (angles,).
        k: how many; fewer come back where there are fewer.
        deviations_pct: shape (captures, elements); query_deviation_pct: shape (elements,).
        leave_out: row of the query itself, when it is among `shapes`.

    Raises:
        ValueError: the query has another number of angles or elements than the captures, or a NaN.
    """
    shapes = np.asarray(shapes, dtype=np.float64)
    query = np.asarray(query, dtype=np.float64)
    if shapes.ndim != 2 or query.shape != shapes.shape[1:]:
        raise ValueError(f"query of {query.shape} against shapes of {shapes.shape}: not the same angle grid")
    if not np.isfinite(query).all():
        raise ValueError("the query holds a NaN, so nothing can be near it")
    shape_distance = _rms(_level(shapes) - _level(query[None, :]))
    deviation_distance = np.zeros(shapes.shape[0])
    distance = _on_median(shape_distance)
    if deviations_pct is not None and query_deviation_pct is not None:
        if deviations_pct.shape != (shapes.shape[0], query_deviation_pct.size):
            raise ValueError("deviations are given for every capture and every element of the query")
        deviation_distance = _rms(deviations_pct - query_deviation_pct[None, :])
        distance = np.sqrt((distance**2 + _on_median(deviation_distance) ** 2) / 2.0)
    if leave_out is not None:
        distance[leave_out] = np.nan
    usable = np.flatnonzero(np.isfinite(distance))
    order = usable[np.argsort(distance[usable], kind="stable")][:k]
    return Neighbours(order, distance[order], shape_distance[order], deviation_distance[order])


def _level(shapes: Floats) -> Floats:
    centred = shapes - shapes.mean(axis=1, keepdims=True)
    size = _rms(centred)[:, None]
    return np.asarray(centred / np.where(size > 0, size, 1.0))


def _rms(values: Floats) -> Floats:
    return np.asarray(np.sqrt(np.mean(values**2, axis=1)))


def _on_median(distance: Floats) -> Floats:
    finite = distance[np.isfinite(distance)]
    middle = float(np.median(finite)) if finite.size else 0.0
    return np.asarray(distance / middle if middle > 0 else distance.copy())
