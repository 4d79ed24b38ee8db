"""Capture and element frames of one test turned into padded arrays, one row a capture, one column a position."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.records.measure import Measure
from models.records.shop import Shop
from models.stats.arrays import Bools, Floats, Ints

NAMED, PAIR, NONE = 0, 1, 2
"""How the elements of a capture are identified, as codes."""

DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Layout:
    """What a group says about the order of its elements.

    Attributes:
        sequence: element numbers in the order their positions come.
        uneven: whether the steps from position to position differ.
        family: what it shares with the same engine family (or component) of other shops; None: no other has it.
        apart: shops whose group of the same name is defined otherwise, in words; None: there are none.
    """

    group: str
    elements: int
    sequence: tuple[int, ...]
    uneven: bool
    family: str | None = None
    apart: str | None = None

    @property
    def stratum(self) -> tuple[int, bool]:
        """Groups alike enough to borrow from first: same element count, same kind of steps."""
        return self.elements, self.uneven


@dataclass(frozen=True, slots=True)
class Readings:
    """Every readable capture of a known group, rows in the order of `captures`.

    Arrays have shape (captures,) or (captures, positions); positions are padded with NaN or 0 up to the
    largest element count.

    Attributes:
        group: index into `layouts`.
        relative_pct, se_pct: by position, in % (100 = the capture's median element).
        element, companion: by position; 0 where there is none.
        identified: NAMED, PAIR or NONE.
        vehicle: a code per vehicle; a capture without a vehicle is a vehicle of its own.
        month: time of the capture in months since 1970; NaN where unknown.
        confirmed: 1 = its order was confirmed even, -1 = confirmed odd, 0 = no such outcome.
        known_good: made on a vehicle known to be good, and not confirmed odd.
    """

    layouts: tuple[Layout, ...]
    capture_file: pl.Series
    group: Ints
    relative_pct: Floats
    se_pct: Floats
    element: Ints
    companion: Ints
    identified: Ints
    vehicle: Ints
    month: Floats
    confirmed: Ints
    known_good: Bools

    @property
    def healthy_label(self) -> Ints:
        """1 = known healthy, -1 = known odd, 0 = nobody knows."""
        return np.where(self.confirmed != 0, self.confirmed, self.known_good.astype(np.int64))


def layouts_of(groups: pl.DataFrame) -> tuple[Layout, ...]:
    """The groups of one test as layouts, in the frame's order.

    Raises:
        ValueError: a sequence does not name each element exactly once.
    """
    found: list[Layout] = []
    for row in groups.iter_rows(named=True):
        count, sequence = int(row["elements"]), tuple(int(number) for number in row["sequence"])
        if sorted(sequence) != list(range(1, count + 1)):
            raise ValueError(f"group {row['group']!r}: sequence {sequence} of {count} elements")
        shared = {name: row.get(name) for name in ("family", "apart")}
        found.append(Layout(row["group"], count, sequence, bool(row["uneven"]), **shared))
    return tuple(found)


def confirmed_labels(captures: pl.DataFrame, outcomes: pl.DataFrame) -> pl.DataFrame:
    """What the outcome of each capture's repair order says about the capture.

    A capture made after the day of an `odd` confirmation may show the repaired engine, and one made as
    known-good on such an order does show it, so that outcome says nothing about them; `other` says nothing
    about the elements either way.

    Returns:
        DataFrame(capture_file, confirmed (1 even, -1 odd, 0 nothing), confirmed_elements list[int]).
    """
    found = outcomes.select(
        "repair_order", "test", "confirmed_at", "finding", pl.col("confirmed_elements").alias("_elements")
    ).unique(["repair_order", "test"], keep="last", maintain_order=True)
    joined = captures.select("capture_file", "repair_order", "test", "captured_at", "purpose").join(
        found, on=["repair_order", "test"], how="left", maintain_order="left"
    )
    in_time = (pl.col("captured_at").dt.date() <= pl.col("confirmed_at").dt.date()).fill_null(True)
    before_repair = in_time & (pl.col("purpose").fill_null("") != "known_good")
    code = (
        pl.when(pl.col("finding") == "even")
        .then(1)
        .when((pl.col("finding") == "odd") & before_repair)
        .then(-1)
        .otherwise(0)
    )
    return joined.with_columns(code.alias("confirmed")).select(
        "capture_file",
        pl.col("confirmed").cast(pl.Int64),
        pl.when(pl.col("confirmed") == -1)
        .then(pl.col("_elements").cast(pl.List(pl.Int64)))
        .otherwise(pl.lit([], dtype=pl.List(pl.Int64)))
        .alias("confirmed_elements"),
    )


def readings_of(shop: Shop, measure: Measure) -> Readings:
    """Line the frames of one test and one measure up as arrays, a fault always on the low side.

    Where a fault stands on the high side, readings are mirrored about 100 %, so that everything behind this
    function may take the lowest element for the oddest. `mirrored` turns a level back.

    Only captures of status `read` whose group is known and whose element rows are complete (one row for
    each element, all finite) come along; the others carry no reading that could be compared.
    """
    layouts = layouts_of(shop.groups)
    if measure.whole:
        layouts = tuple(replace(layout, elements=1, sequence=(1,), uneven=False) for layout in layouts)
    rows = _complete(shop, layouts)
    width = max((layout.elements for layout in layouts), default=0)
    # Without the names: a million captures have five million elements, and a name is longer than all the figures.
    cells = shop.elements.join(rows.select("capture_file", "_row"), on="capture_file", how="inner").select(
        "_row", "position", "element", "relative_pct", "se_pct", "identified", "companion"
    )
    at = (cells["_row"].to_numpy().astype(np.int64), cells["position"].to_numpy().astype(np.int64) - 1)
    shape = (rows.height, width)

    def scatter(name: str, empty: float) -> Floats:
        table = np.full(shape, empty)
        table[at] = cells[name].cast(pl.Float64).fill_null(empty).to_numpy()
        return table

    code = {"sync": NAMED, "pair": PAIR, "none": NONE}
    kind = np.full(shape, NAMED, dtype=np.int64)
    kind[at] = cells["identified"].replace_strict(code, default=NONE, return_dtype=pl.Int64).to_numpy()
    element = scatter("element", 0.0).astype(np.int64)
    element, kind = _by_sequence(element, kind, rows["_group"].to_numpy().astype(np.int64), layouts)
    whole = _permutation(element, rows["_count"].to_numpy().astype(np.int64))
    confirmed = rows["confirmed"].to_numpy().astype(np.int64)
    return Readings(
        layouts=layouts,
        capture_file=rows["capture_file"],
        group=rows["_group"].to_numpy().astype(np.int64),
        relative_pct=mirrored(
            _unwound(scatter("relative_pct", float("nan")), rows["_group"].to_numpy(), measure.cycle_pct),
            measure,
        ),
        se_pct=scatter("se_pct", float("nan")),
        element=element,
        companion=scatter("companion", 0.0).astype(np.int64),
        identified=np.where(whole, kind.max(axis=1, initial=NAMED), NONE).astype(np.int64),
        vehicle=_vehicle_codes(rows),
        month=_months(rows),
        confirmed=confirmed,
        known_good=(rows["purpose"] == "known_good").fill_null(False).to_numpy() & (confirmed != -1),
    )


def _unwound(value_pct: Floats, group: Ints, cycle_pct: float) -> Floats:
    """An angle's values, shape (captures, 1), each on the branch nearest to its group's mean direction."""
    if not cycle_pct:
        return value_pct
    out = value_pct.copy()
    for one in np.unique(group):
        own = value_pct[group == one]
        mean = np.exp(2j * np.pi * own / cycle_pct).mean()
        # 100 is nominal, so the branch about the mean is counted from there
        centre = 100.0 + (float(np.angle(mean)) / (2 * np.pi) * cycle_pct - 100.0) % cycle_pct
        out[group == one] = centre + (own - centre + cycle_pct / 2) % cycle_pct - cycle_pct / 2
    return out


def _complete(shop: Shop, layouts: tuple[Layout, ...]) -> pl.DataFrame:
    """Readable captures of a known group whose elements are all there, with _row, _group, _count and confirmed."""
    names = pl.DataFrame(
        {
            "group": [layout.group for layout in layouts],
            "_group": np.arange(len(layouts), dtype=np.int64),
            "_count": [layout.elements for layout in layouts],
        },
        schema={"group": pl.String, "_group": pl.Int64, "_count": pl.Int64},
    )
    whole = (
        shop.elements.group_by("capture_file")
        .agg(
            _rows=pl.len(),
            _sound=pl.col("relative_pct").is_finite().all(),
            _last=pl.col("position").max(),
            _first=pl.col("position").min(),
        )
        .filter(pl.col("_sound"))
    )
    rows = (
        shop.captures.filter(pl.col("status") == "read")
        .unique("capture_file", keep="last", maintain_order=True)
        .join(names, on="group", how="inner", maintain_order="left")
        .join(whole, on="capture_file", how="inner", maintain_order="left")
        .filter(
            (pl.col("_rows") == pl.col("_count"))
            & (pl.col("_last") == pl.col("_count"))
            & (pl.col("_first") == 1)
        )
    )
    labels = confirmed_labels(rows, shop.outcomes).select("capture_file", "confirmed")
    return rows.join(labels, on="capture_file", how="left", maintain_order="left").with_row_index("_row")


def _by_sequence(element: Ints, kind: Ints, group: Ints, layouts: tuple[Layout, ...]) -> tuple[Ints, Ints]:
    """Element numbers and kinds where a reading left some elements unnamed beside named ones, as their figures may be
    wrong: which they are follows from the group's sequence all the same. What contradicts it is left as it is."""
    element, kind = element.copy(), kind.copy()
    for index, layout in enumerate(layouts):
        n = layout.elements
        here = kind[:, :n]
        some = (
            (group == index)
            & (here == NAMED).any(axis=1)
            & (here == NONE).any(axis=1)
            & (here != PAIR).all(axis=1)
        )
        sequence = np.array(layout.sequence)
        for row in np.flatnonzero(some):
            named = np.flatnonzero(here[row] == NAMED)
            turn = int(np.flatnonzero(sequence == element[row, named[0]])[0]) - int(named[0])
            told = np.roll(sequence, -turn)
            if (told[named] == element[row, named]).all():
                element[row, :n], kind[row, :n] = told, NAMED
    return element, kind


def _permutation(element: Ints, counts: Ints) -> Bools:
    """Which captures name each element once: another one names nothing that can be relied on."""
    width = element.shape[1]
    ascending = np.sort(np.where(element == 0, width + 1, element), axis=1)
    ladder = np.arange(1, width + 1)
    return np.asarray(((ascending == ladder) | (ladder > counts[:, None])).all(axis=1))


def _vehicle_codes(rows: pl.DataFrame) -> Ints:
    """A code per vehicle of a group; a capture without a vehicle is a vehicle of its own."""
    name = pl.coalesce(
        pl.lit("v:") + pl.col("group") + pl.lit(":") + pl.col("vehicle").cast(pl.String),
        pl.lit("c:") + pl.col("capture_file"),
    )
    return rows.select(name.rank("dense")).to_series().to_numpy().astype(np.int64)


def _months(rows: pl.DataFrame) -> Floats:
    """Time of each capture in months since 1970; NaN where unknown."""
    when = rows["captured_at"].cast(pl.Datetime("us"))
    days = when.dt.epoch("us").cast(pl.Float64).fill_null(float("nan")).to_numpy() / 86_400e6
    return np.asarray(days / DAYS_PER_MONTH)


def mirrored(relative_pct: Floats, measure: Measure) -> Floats:
    """Relative readings with a fault on the low side; its own inverse."""
    return 200.0 - relative_pct if measure.direction == "high" else relative_pct
