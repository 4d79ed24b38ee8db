"""Capture and cylinder frames turned into padded arrays, one row a capture, one column a firing position."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SYNC, PAIR, NONE = 0, 1, 2
"""How the cylinders of a capture are identified, as codes."""

DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Layout:
    """What a family says about the order of its cylinders.

    Attributes:
        firing_order: cylinder numbers in the order they fire.
        odd_fire: whether the firing intervals differ.
    """

    engine_family: str
    cylinders: int
    firing_order: tuple[int, ...]
    odd_fire: bool

    @property
    def group(self) -> tuple[int, bool]:
        """Families alike enough to borrow from first: same cylinder count, same kind of intervals."""
        return self.cylinders, self.odd_fire


@dataclass(frozen=True, slots=True)
class Readings:
    """Every readable capture of a known family, rows in the order of `captures`.

    Arrays have shape (captures,) or (captures, positions); positions are padded with NaN or 0 up to the
    largest cylinder count.

    Attributes:
        family: index into `layouts`.
        relative_pct, se_pct: by firing position, in % (100 = the capture's median cylinder).
        cylinder, companion: by firing position; 0 where there is none.
        identified: SYNC, PAIR or NONE.
        vehicle: a code per vehicle; a capture without a vehicle is a vehicle of its own.
        month: time of the capture in months since 1970; NaN where unknown.
        confirmed: 1 = its order was confirmed even, -1 = confirmed odd, 0 = no such outcome.
        known_good: made on a vehicle known to be good, and not confirmed odd.
    """

    layouts: tuple[Layout, ...]
    capture_file: pl.Series
    family: Ints
    relative_pct: Floats
    se_pct: Floats
    cylinder: Ints
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


def layouts_of(families: pl.DataFrame) -> tuple[Layout, ...]:
    """The family table as layouts, in its own order. Families with a broken row are left out."""
    found: list[Layout] = []
    for row in families.iter_rows(named=True):
        count = row["cylinders"]
        try:
            order = tuple(int(part) for part in str(row["firing_order"]).split("-"))
        except ValueError:
            continue
        if count is None or sorted(order) != list(range(1, int(count) + 1)):
            continue
        text = row.get("firing_intervals_deg") or ""
        intervals = [float(part) for part in text.split("-")] if text else []
        odd_fire = bool(intervals) and max(intervals) - min(intervals) > 0.5
        found.append(Layout(row["engine_family"], int(count), order, odd_fire))
    return tuple(found)


def confirmed_labels(captures: pl.DataFrame, outcomes: pl.DataFrame) -> pl.DataFrame:
    """What the outcome of each capture's repair order says about the capture.

    A capture made after the day of an `odd` confirmation may show the repaired engine, and one made as
    known-good on such an order does show it, so that outcome says nothing about them; `other` says nothing
    about the cylinders either way.

    Returns:
        DataFrame(capture_file, confirmed (1 even, -1 odd, 0 nothing), confirmed_cylinders list[int]).
    """
    found = outcomes.select(
        "repair_order", "confirmed_at", "finding", pl.col("confirmed_cylinders").alias("_cylinders")
    ).unique("repair_order", keep="last", maintain_order=True)
    joined = captures.select("capture_file", "repair_order", "captured_at", "purpose").join(
        found, on="repair_order", how="left", maintain_order="left"
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
        .then(pl.col("_cylinders").cast(pl.List(pl.Int64)))
        .otherwise(pl.lit([], dtype=pl.List(pl.Int64)))
        .alias("confirmed_cylinders"),
    )


def readings_of(
    captures: pl.DataFrame, cylinders: pl.DataFrame, families: pl.DataFrame, outcomes: pl.DataFrame | None
) -> Readings:
    """Line the frames up as arrays.

    Only captures of status `read` whose family is known and whose cylinder rows are complete (one row for
    each cylinder, all finite) come along; the others carry no reading that could be compared.
    """
    layouts = layouts_of(families)
    names = pl.DataFrame(
        {
            "engine_family": [layout.engine_family for layout in layouts],
            "_family": np.arange(len(layouts), dtype=np.int64),
            "_count": [layout.cylinders for layout in layouts],
        },
        schema={"engine_family": pl.String, "_family": pl.Int64, "_count": pl.Int64},
    )
    complete = (
        cylinders.group_by("capture_file")
        .agg(
            _rows=pl.len(),
            _sound=pl.col("relative_pct").is_finite().all(),
            _last=pl.col("firing_position").max(),
            _first=pl.col("firing_position").min(),
        )
        .filter(pl.col("_sound"))
    )
    rows = (
        captures.filter(pl.col("status") == "read")
        .unique("capture_file", keep="last", maintain_order=True)
        .join(names, on="engine_family", how="inner", maintain_order="left")
        .join(complete, on="capture_file", how="inner", maintain_order="left")
        .filter(
            (pl.col("_rows") == pl.col("_count"))
            & (pl.col("_last") == pl.col("_count"))
            & (pl.col("_first") == 1)
        )
    )
    if outcomes is None:
        labels = rows.select("capture_file", pl.lit(0, dtype=pl.Int64).alias("confirmed"))
    else:
        labels = confirmed_labels(rows, outcomes).select("capture_file", "confirmed")
    rows = rows.join(labels, on="capture_file", how="left", maintain_order="left").with_row_index("_row")
    width = max((layout.cylinders for layout in layouts), default=0)
    cells = cylinders.join(rows.select("capture_file", "_row"), on="capture_file", how="inner")
    at = (cells["_row"].to_numpy().astype(np.int64), cells["firing_position"].to_numpy().astype(np.int64) - 1)
    shape = (rows.height, width)

    def scatter(name: str, empty: float) -> Floats:
        table = np.full(shape, empty)
        table[at] = cells[name].cast(pl.Float64).fill_null(empty).to_numpy()
        return table

    code = {"sync": SYNC, "pair": PAIR, "none": NONE}
    kind = np.full(shape, SYNC, dtype=np.int64)
    kind[at] = cells["identified"].replace_strict(code, default=NONE, return_dtype=pl.Int64).to_numpy()
    cylinder = scatter("cylinder", 0.0).astype(np.int64)
    # A capture whose cylinder numbers are no permutation names nothing that can be relied on.
    counts = rows["_count"].to_numpy().astype(np.int64)
    ascending = np.sort(np.where(cylinder == 0, width + 1, cylinder), axis=1)
    ladder = np.arange(1, width + 1)
    whole = ((ascending == ladder) | (ladder > counts[:, None])).all(axis=1)
    identified = np.where(whole, kind.max(axis=1, initial=SYNC), NONE)
    vehicle = rows.select(
        pl.coalesce(
            pl.lit("v:") + pl.col("engine_family") + pl.lit(":") + pl.col("vehicle").cast(pl.String),
            pl.lit("c:") + pl.col("capture_file"),
        ).rank("dense")
    ).to_series()
    when = rows["captured_at"].cast(pl.Datetime("us"))
    days = when.dt.epoch("us").cast(pl.Float64).fill_null(float("nan")).to_numpy() / 86_400e6
    confirmed = rows["confirmed"].to_numpy().astype(np.int64)
    return Readings(
        layouts=layouts,
        capture_file=rows["capture_file"],
        family=rows["_family"].to_numpy().astype(np.int64),
        relative_pct=scatter("relative_pct", float("nan")),
        se_pct=scatter("se_pct", float("nan")),
        cylinder=cylinder,
        companion=scatter("companion", 0.0).astype(np.int64),
        identified=identified.astype(np.int64),
        vehicle=vehicle.to_numpy().astype(np.int64),
        month=days / DAYS_PER_MONTH,
        confirmed=confirmed,
        known_good=(rows["purpose"] == "known_good").fill_null(False).to_numpy() & (confirmed != -1),
    )
