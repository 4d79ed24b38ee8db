"""Shops made of numbers alone: groups with a known pattern and spread, captures drawn from them.

Used to judge what the models say against what is true. Nothing here is a waveform, and nothing is taken
from the demo: the groups, their healthy unevenness and their faults are drawn from the ranges below
(invented, no source).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records import schemas
from models.records.measure import Measure
from models.records.shop import Shop

Floats = npt.NDArray[np.float64]

ORDERS: dict[int, str] = {
    3: "1-3-2",
    4: "1-3-4-2",
    5: "1-2-4-5-3",
    6: "1-5-3-6-2-4",
    8: "1-8-4-3-6-5-7-2",
}
SIZES = (4, 4, 6, 3, 8, 5, 4, 6, 8, 6)

TEST = "relative_compression"
MEASURE = Measure("relative_compression", "Relative compression", "the median element")


@dataclass(frozen=True)
class Truth:
    """What one group is really like.

    `pattern_pct` is the healthy value by element, 100 = the median element; `spread_pct` the standard
    deviation of one healthy element; `vehicle_share` the part of that variance a vehicle keeps.
    """

    name: str
    elements: int
    pattern_pct: Floats
    spread_pct: float
    vehicle_share: float


@dataclass(frozen=True)
class DrawnShop:
    """Records as the models receive them, and the truth beside them."""

    records: Shop
    truth: dict[str, Truth]
    odd_elements: dict[str, tuple[int, ...]]

    def is_odd(self, names: pl.Series) -> npt.NDArray[np.bool_]:
        """Whether each of these captures has a weak element."""
        return np.array([bool(self.odd_elements[name]) for name in names], dtype=bool)

    def group_of(self) -> dict[str, str]:
        """Group of each capture."""
        return dict(self.records.captures.select("capture_file", "group").iter_rows())


def found_odd(captures: pl.DataFrame, after: dt.timedelta, *, method: str = "gauge") -> pl.DataFrame:
    """Outcomes that confirm element 2 odd on the order of each capture, so long after it was made."""
    return schemas.OUTCOMES.of(
        captures.select(
            "repair_order",
            "test",
            confirmed_at=pl.col("captured_at") + after,
            finding=pl.lit("odd"),
            confirmed_elements=pl.lit([2], dtype=pl.List(pl.Int32)),
            method=pl.lit(method),
            gauge_kpa=pl.lit([], dtype=pl.List(pl.Float64)),
        )
    )


def random_group(rng: np.random.Generator, at: int, *, elements: int | None = None) -> Truth:
    """One group: spread about 1.4 %, most patterns even within 1 %, some well uneven."""
    count = elements or SIZES[at % len(SIZES)]
    uneven = np.exp(rng.normal(np.log(0.9), 0.6))
    raw = 100.0 + rng.normal(0.0, uneven, count)
    spread = float(np.exp(rng.normal(np.log(1.4), 0.25)))
    return Truth(f"group-{at}", count, 100.0 * raw / np.median(raw), spread, float(rng.uniform(0.3, 0.7)))


def healthy_readings(rng: np.random.Generator, group: Truth, vehicles: int, repeats: int = 1) -> Floats:
    """Readings before scaling to the median element, shape (vehicles * repeats, elements)."""
    keep = np.sqrt(group.vehicle_share) * group.spread_pct
    change = np.sqrt(1.0 - group.vehicle_share) * group.spread_pct
    vehicle = rng.normal(0.0, keep, (vehicles, group.elements)).repeat(repeats, axis=0)
    return np.asarray(
        group.pattern_pct + vehicle + rng.normal(0.0, change, (vehicles * repeats, group.elements))
    )


def to_median(readings: Floats) -> Floats:
    """100 = the capture's median element."""
    return np.asarray(100.0 * readings / np.median(readings, axis=1, keepdims=True))


def make_shop(
    seed: int,
    counts: list[int],
    *,
    odd_share: float = 0.3,
    loss_pct: tuple[float, float] = (15.0, 60.0),
    same_element: bool = False,
    known_good_share: float = 0.0,
    repeats: int = 1,
    identified: str | list[str] = "sync",
    sizes: list[int] | None = None,
    confirm: tuple[float, float] | None = None,
    groups: list[Truth] | None = None,
) -> DrawnShop:
    """Draw a shop.

    Args:
        counts: captures of each group (a multiple of `repeats`, else rounded up).
        odd_share: share of vehicles with one weak element; loss_pct: range of its loss.
        same_element: every fault sits in element 2.
        known_good_share: share of the healthy captures that were made as known-good ones.
        identified: how the elements are named, for all groups or one by one.
        confirm: chance of an outcome for captures that read odd (lowest element 5 % down) and others.
    """
    rng = np.random.default_rng(seed)
    truth: dict[str, Truth] = {}
    captures, cells, outcomes = [], [], []
    odd_elements: dict[str, tuple[int, ...]] = {}
    for at, wanted in enumerate(counts):
        group = groups[at] if groups else random_group(rng, at, elements=None if sizes is None else sizes[at])
        truth[group.name] = group
        kind = identified if isinstance(identified, str) else identified[at]
        order = [int(part) for part in ORDERS[group.elements].split("-")]
        vehicles = -(-wanted // repeats)
        raw = healthy_readings(rng, group, vehicles, repeats)
        for row in range(wanted):
            name = f"{group.name}/{row}.csv"
            if row % repeats == 0:
                weak = rng.random() < odd_share
                where = 1 if same_element else int(rng.integers(group.elements))
                loss = rng.uniform(*loss_pct) / 100.0
            if weak:
                raw[row, where] *= 1.0 - loss
            odd_elements[name] = (where + 1,) if weak else ()
            value = 100.0 * raw[row] / np.median(raw[row])
            good = not weak and rng.random() < known_good_share
            when = dt.datetime(2026, 1, 5) + dt.timedelta(days=float(rng.uniform(0, 300)))
            captures.append(
                (
                    *(name, group.name, "t", name, f"{group.name}-v{row // repeats}", when),
                    *(TEST, "known_good" if good else "diagnosis", "read", None, []),
                )
            )
            turn = int(rng.integers(group.elements)) if kind == "none" else 0
            half = group.elements // 2
            for position in range(group.elements):
                element = order[(position + turn) % group.elements]
                partner = order[(position + half) % group.elements]
                cells.append(
                    (
                        *(
                            name,
                            None if kind == "none" else element,
                            position + 1,
                            float(value[element - 1]),
                        ),
                        *(0.4, kind, partner if kind == "pair" else None),
                    )
                )
            looks = float(np.median(value) - value.min()) >= 5.0
            if confirm and not good and rng.random() < confirm[0 if looks else 1]:
                found = "odd" if weak else "even"
                outcomes.append(
                    (name, TEST, when + dt.timedelta(days=1), found, list(odd_elements[name]), "gauge", [])
                )
    return DrawnShop(
        Shop.made(
            captures=frame(captures, CAPTURE_CELLS),
            elements=frame(cells, ELEMENT_CELLS).with_columns(measure=pl.lit(MEASURE.name)),
            groups=frame(
                [
                    (TEST, t.name, t.elements, [int(part) for part in ORDERS[t.elements].split("-")], False)
                    for t in truth.values()
                ],
                "test group elements sequence uneven",
            ),
            outcomes=frame(
                outcomes, "repair_order test confirmed_at finding confirmed_elements method gauge_kpa"
            ),
        ),
        truth,
        odd_elements,
    )


CAPTURE_CELLS = (
    "capture_file group technician repair_order vehicle captured_at test purpose status call call_elements"
)
ELEMENT_CELLS = "capture_file element position relative_pct se_pct identified companion"
TYPES: dict[str, pl.DataType] = {
    name: dtype for schema in schemas.ALL for name, dtype in schema.types.items() if name != "elements"
}


def frame(rows: list[tuple[object, ...]], names: str) -> pl.DataFrame:
    """Rows under these column names, of the types the schemas give them."""
    schema = {name: TYPES.get(name, pl.Int32()) for name in names.split()}
    return pl.DataFrame(rows, schema=schema, orient="row")
