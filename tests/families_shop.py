"""Shops made of numbers alone: families with a known pattern and spread, captures drawn from them.

Used to judge what the models say against what is true. Nothing here is a waveform, and nothing is taken
from the demo: the families, their healthy unevenness and their faults are drawn from the ranges below
(invented, no source).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

ORDERS: dict[int, str] = {
    3: "1-3-2",
    4: "1-3-4-2",
    5: "1-2-4-5-3",
    6: "1-5-3-6-2-4",
    8: "1-8-4-3-6-5-7-2",
}
SIZES = (4, 4, 6, 3, 8, 5, 4, 6, 8, 6)

CAPTURES = pl.Schema(
    {
        "capture_file": pl.String,
        "engine_family": pl.String,
        "technician": pl.String,
        "repair_order": pl.String,
        "vehicle": pl.String,
        "captured_at": pl.Datetime("us"),
        "test": pl.String,
        "purpose": pl.String,
        "status": pl.String,
        "call": pl.String,
        "call_cylinders": pl.List(pl.Int64),
    }
)
CYLINDERS = pl.Schema(
    {
        "capture_file": pl.String,
        "cylinder": pl.Int64,
        "firing_position": pl.Int64,
        "relative_pct": pl.Float64,
        "se_pct": pl.Float64,
        "identified": pl.String,
        "companion": pl.Int64,
    }
)
FAMILIES = pl.Schema(
    {
        "engine_family": pl.String,
        "cylinders": pl.Int64,
        "firing_order": pl.String,
        "firing_intervals_deg": pl.String,
        "sync_kind": pl.String,
    }
)
OUTCOMES = pl.Schema(
    {
        "repair_order": pl.String,
        "confirmed_at": pl.Datetime("us"),
        "finding": pl.String,
        "confirmed_cylinders": pl.List(pl.Int64),
        "method": pl.String,
        "gauge_kpa": pl.List(pl.Float64),
    }
)
FEATURES = pl.Schema({"capture_file": pl.String, "feature": pl.String, "value": pl.Float64})


@dataclass(frozen=True)
class Truth:
    """What one family is really like.

    `pattern_pct` is the healthy value by cylinder, 100 = the median cylinder; `spread_pct` the standard
    deviation of one healthy cylinder; `vehicle_share` the part of that variance a vehicle keeps.
    """

    name: str
    cylinders: int
    pattern_pct: Floats
    spread_pct: float
    vehicle_share: float


@dataclass(frozen=True)
class Shop:
    """Frames as the models receive them, and the truth beside them."""

    captures: pl.DataFrame
    cylinders: pl.DataFrame
    families: pl.DataFrame
    outcomes: pl.DataFrame
    truth: dict[str, Truth]
    odd_cylinders: dict[str, tuple[int, ...]]

    def is_odd(self, names: pl.Series) -> npt.NDArray[np.bool_]:
        """Whether each of these captures has a weak cylinder."""
        return np.array([bool(self.odd_cylinders[name]) for name in names], dtype=bool)

    def family_of(self) -> dict[str, str]:
        """Family of each capture."""
        return dict(self.captures.select("capture_file", "engine_family").iter_rows())


def random_family(rng: np.random.Generator, at: int, *, cylinders: int | None = None) -> Truth:
    """One family: spread about 1.4 %, most patterns even within 1 %, some well uneven."""
    count = cylinders or SIZES[at % len(SIZES)]
    uneven = np.exp(rng.normal(np.log(0.9), 0.6))
    raw = 100.0 + rng.normal(0.0, uneven, count)
    spread = float(np.exp(rng.normal(np.log(1.4), 0.25)))
    return Truth(f"family-{at}", count, 100.0 * raw / np.median(raw), spread, float(rng.uniform(0.3, 0.7)))


def healthy_readings(rng: np.random.Generator, family: Truth, vehicles: int, repeats: int = 1) -> Floats:
    """Readings before scaling to the median cylinder, shape (vehicles * repeats, cylinders)."""
    keep = np.sqrt(family.vehicle_share) * family.spread_pct
    change = np.sqrt(1.0 - family.vehicle_share) * family.spread_pct
    vehicle = rng.normal(0.0, keep, (vehicles, family.cylinders)).repeat(repeats, axis=0)
    return np.asarray(
        family.pattern_pct + vehicle + rng.normal(0.0, change, (vehicles * repeats, family.cylinders))
    )


def to_median(readings: Floats) -> Floats:
    """100 = the capture's median cylinder."""
    return np.asarray(100.0 * readings / np.median(readings, axis=1, keepdims=True))


def make_shop(
    seed: int,
    counts: list[int],
    *,
    odd_share: float = 0.3,
    loss_pct: tuple[float, float] = (15.0, 60.0),
    same_cylinder: bool = False,
    known_good_share: float = 0.0,
    repeats: int = 1,
    identified: str | list[str] = "sync",
    sizes: list[int] | None = None,
    confirm: tuple[float, float] | None = None,
    families: list[Truth] | None = None,
) -> Shop:
    """Draw a shop.

    Args:
        counts: captures of each family (a multiple of `repeats`, else rounded up).
        odd_share: share of vehicles with one weak cylinder; loss_pct: range of its loss.
        same_cylinder: every fault sits in cylinder 2.
        known_good_share: share of the healthy captures that were made as known-good ones.
        identified: how the cylinders are named, for all families or one by one.
        confirm: chance of an outcome for captures that read odd (lowest cylinder 5 % down) and others.
    """
    rng = np.random.default_rng(seed)
    truth: dict[str, Truth] = {}
    captures, cells, outcomes = [], [], []
    odd_cylinders: dict[str, tuple[int, ...]] = {}
    for at, wanted in enumerate(counts):
        family = (
            families[at]
            if families
            else random_family(rng, at, cylinders=None if sizes is None else sizes[at])
        )
        truth[family.name] = family
        kind = identified if isinstance(identified, str) else identified[at]
        order = [int(part) for part in ORDERS[family.cylinders].split("-")]
        vehicles = -(-wanted // repeats)
        raw = healthy_readings(rng, family, vehicles, repeats)
        for row in range(wanted):
            name = f"{family.name}/{row}.csv"
            if row % repeats == 0:
                weak = rng.random() < odd_share
                where = 1 if same_cylinder else int(rng.integers(family.cylinders))
                loss = rng.uniform(*loss_pct) / 100.0
            if weak:
                raw[row, where] *= 1.0 - loss
            odd_cylinders[name] = (where + 1,) if weak else ()
            value = 100.0 * raw[row] / np.median(raw[row])
            good = not weak and rng.random() < known_good_share
            when = dt.datetime(2026, 1, 5) + dt.timedelta(days=float(rng.uniform(0, 300)))
            captures.append(
                (
                    *(name, family.name, "t", name, f"{family.name}-v{row // repeats}", when),
                    *("relative_compression", "known_good" if good else "diagnosis", "read", None, []),
                )
            )
            turn = int(rng.integers(family.cylinders)) if kind == "none" else 0
            half = family.cylinders // 2
            for position in range(family.cylinders):
                cylinder = order[(position + turn) % family.cylinders]
                partner = order[(position + half) % family.cylinders]
                cells.append(
                    (
                        *(
                            name,
                            None if kind == "none" else cylinder,
                            position + 1,
                            float(value[cylinder - 1]),
                        ),
                        *(0.4, kind, partner if kind == "pair" else None),
                    )
                )
            looks = float(np.median(value) - value.min()) >= 5.0
            if confirm and not good and rng.random() < confirm[0 if looks else 1]:
                found = "odd" if weak else "even"
                outcomes.append(
                    (name, when + dt.timedelta(days=1), found, list(odd_cylinders[name]), "gauge", [])
                )
    return Shop(
        pl.DataFrame(captures, schema=CAPTURES, orient="row"),
        pl.DataFrame(cells, schema=CYLINDERS, orient="row"),
        pl.DataFrame(
            [(t.name, t.cylinders, ORDERS[t.cylinders], "", "coil_on_plug") for t in truth.values()],
            schema=FAMILIES,
            orient="row",
        ),
        pl.DataFrame(outcomes, schema=OUTCOMES, orient="row"),
        truth,
        odd_cylinders,
    )
