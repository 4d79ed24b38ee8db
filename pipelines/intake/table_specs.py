"""Which tables a drop folder may hold: their columns, and what a row as a whole has to mean."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import polars as pl

from models.records.shops import MARK, own_name, qualified, shop_of
from models.records.topics import SCOPE_USE, TOPICS
from pipelines.errors import BadFamily
from pipelines.intake.table_cells import (
    CellProblem,
    Parser,
    amount,
    below_drop_folder,
    choice,
    day,
    elements,
    instant,
    intervals_text,
    items,
    monday,
    open_choice,
    order_text,
    remark,
    scale,
    shop_name,
    text,
    truth,
    whole,
)
from pipelines.kinds import kind, kinds
from pipelines.kinds.engine import SYNC_KINDS, EngineFamily
from pipelines.waveform import MAX_CHANNELS

Row = dict[str, object]
# Looks at a whole row and may complete it in place; returns notes (without their full stop).
Finish = Callable[[Row], list[str]]

PURPOSES = ("drill", "diagnosis", "known_good")
CALLS = ("even", "odd", "unsure")
FINDINGS = ("even", "odd", "other")
METHODS = ("gauge", "leak_down", "borescope", "teardown", "repair_verified")
SIGNALS = tuple(dict.fromkeys(signal.name for known in kinds().values() for signal in known.signals))
TESTS = tuple(kinds())
# Scope use is talked over, not coached at the bench.
COACHED = tuple(topic for topic in TOPICS if topic != SCOPE_USE)
# A petrol engine worn past starting still shows more; less is bar or psi (1 bar = 100 kPa exactly,
# 1 psi = 6.894757 kPa: NIST SP 811, appendix B.8).
LOOKS_LIKE_BAR_KPA = 60.0
LOOKS_LIKE_PSI_KPA = 300.0
MAX_GAUGE_KPA = 10_000.0
# A trigger wheel of 360 teeth is the finest that turns on a shaft (common practice, no source).
MOST_ELEMENTS = 360
# Columns that name something of a shop's own: in another shop the same name is another thing.
OF_A_SHOP = (
    "capture_file", "repair_order", "comeback_of", "technician", "vehicle", "engine_family", "component", "drill",
    "session",
)  # fmt: skip

INT = pl.Int32()
WHEN = pl.Datetime("us")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: how a cell is parsed, its type, and whether every row needs it."""

    name: str
    parse: Parser
    dtype: pl.DataType
    required: bool = False


def _nothing(row: Row) -> list[str]:  # noqa: ARG001
    return []


@dataclass(frozen=True, slots=True)
class TableSpec:
    """One table of the drop folder.

    Attributes:
        name: how the program calls it.
        file: its file name at the top of the folder.
        key: the columns that name a row.
        columns: the columns of the file.
        finish: checks a whole row.
        added, dropped: columns that `finish` makes, and those of the file it makes them from.
    """

    name: str
    file: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    finish: Finish = _nothing
    added: tuple[tuple[str, pl.DataType], ...] = ()
    dropped: frozenset[str] = frozenset()

    def name_of(self, row: Mapping[str, object]) -> str:
        """A row's key in words, as the log names it: its columns, empty ones left out."""
        return " ".join(str(row[column]) for column in self.key if row.get(column) not in (None, ""))

    def identity(self, row: Mapping[str, object]) -> tuple[str, ...]:
        """A row's key, column by column. In words two keys can read the same: an order called `R1 x`, and the test
        `x` of the order `R1`."""
        return tuple(str(row.get(column) or "") for column in self.key)

    @property
    def schema(self) -> Mapping[str, pl.DataType]:
        """Columns and types of the rows as they come out."""
        kept = {column.name: column.dtype for column in self.columns if column.name not in self.dropped}
        return kept | dict(self.added)


def within_shop(row: Row, own: str) -> None:
    """Say in a row which shop it is of, and give its names that shop's: see `models.records.shops`.

    The shop is the one the row says, else the one its names are written with, else the folder's own.

    Raises:
        CellProblem: the row is of two shops, or a name holds the mark that stands between a shop and a name.
    """
    names = {column: str(row[column]) for column in OF_A_SHOP if row.get(column)}
    for column, name in names.items():
        if MARK in name and (not shop_of(name) or not own_name(name) or MARK in own_name(name)):
            raise CellProblem(f"{column} {name!r} holds {MARK}, which stands between a shop and a name")
    written = {shop_of(name) for name in names.values() if MARK in name} | {str(row.get("shop") or "")} - {""}
    if len(written) > 1:
        raise CellProblem(f"The row is of two shops ({', '.join(sorted(written))}); one row is of one")
    shop = next(iter(written), own)
    for column, name in names.items():
        row[column] = qualified(shop, own_name(name))
    row["shop"] = shop


def _finish_family(row: Row) -> list[str]:
    row["firing_intervals_deg"] = str(row.get("firing_intervals_deg") or "")
    try:
        EngineFamily.of_row(row)
    except BadFamily as error:
        raise CellProblem(str(error).rstrip(".")) from error
    return []


def _finish_order(row: Row) -> list[str]:
    opened, closed = row.get("opened_at"), row.get("closed_at")
    if isinstance(opened, dt.datetime) and isinstance(closed, dt.datetime) and closed < opened:
        if closed.time() == dt.time(0) and closed.date() == opened.date():
            return []  # a bare date: closed on the day it was opened
        raise CellProblem(f"closed_at {closed} lies before opened_at {opened}; correct one of them")
    if row.get("comeback_of") == row["repair_order"]:
        raise CellProblem(
            "comeback_of names the repair order itself; name the earlier one, or leave it empty"
        )
    return []


def _named(row: Row, column: str, older: str) -> tuple[str, list[object]]:
    """What a row names by element, and the column that says so: for tests on cylinders either column may be used."""
    new, old = row.get(column) or [], row.pop(older, None) or []
    if not isinstance(new, list) or not isinstance(old, list):
        raise TypeError(f"{column} and {older} are lists")
    if new and old and sorted(new) != sorted(old):
        raise CellProblem(f"{column} and {older} name different ones; keep one of the two columns")
    return (column if new else older), (new or old)


_SIGNAL_COLUMNS = tuple(f"ch{n}_signal" for n in range(1, MAX_CHANNELS + 1))
_SCALE_COLUMNS = tuple(f"ch{n}_scale" for n in range(1, MAX_CHANNELS + 1))


def _finish_capture(row: Row) -> list[str]:
    notes = []
    signals = [str(row.get(name) or "") for name in _SIGNAL_COLUMNS]
    while signals and not signals[-1]:
        signals.pop()
    scales = [row.get(name) for name in _SCALE_COLUMNS]
    row["ch_signals"] = signals
    row["ch_scales"] = [1.0 if factor is None else factor for factor in scales[: len(signals)]]
    for n, factor in enumerate(scales, start=1):
        if isinstance(factor, float) and factor < 0:
            notes.append(f"ch{n}_scale is negative: channel {n} is turned upside down")
    known = kind(str(row.get("test") or ""))
    of_each = {signal.name for signal in known.signals if signal.many} if known else set()
    repeated = sorted({signal for signal in signals if signals.count(signal) > 1} - of_each - {""})
    if repeated:
        notes.append(f"Several channels are logged as {', '.join(repeated)}; check the hookup in the row")
    if row.get("sync_cylinder") is None:
        row["sync_cylinder"] = 1
    if row.get("purpose") is None:
        # Practice has no repair order. A column that is not there at all is named once, as missing.
        given = "purpose" in row
        row["purpose"] = "diagnosis" if row.get("repair_order") else "drill"
        if given:
            notes.append(f"purpose is empty; it was taken as {row['purpose']}")
    column, named = _named(row, "call_elements", "call_cylinders")
    row["call_elements"] = named
    if named and row.get("call") == "even":
        raise CellProblem(f"The call is even, yet {column} names some; correct one of them")
    if named and row.get("call") is None:
        row["call"] = "odd"
        notes.append(f"call is empty, but {column} names some; it was taken as odd")
    return notes


def _finish_outcome(row: Row) -> list[str]:
    notes = []
    column, named = _named(row, "confirmed_elements", "confirmed_cylinders")
    row["confirmed_elements"] = named
    row["test"] = row.get("test") or ""
    if named and row["finding"] == "even":
        raise CellProblem(f"The finding is even, yet {column} names some; correct one of them")
    if not named and row["finding"] == "odd":
        wanted = "confirmed_elements" if row["test"] else "confirmed_cylinders"
        notes.append(f"The finding is odd, but none is named; fill in {wanted} if it is known")
    gauge = row["gauge_kpa"] = row.get("gauge_kpa") or []
    values = [value for value in gauge if isinstance(value, float)] if isinstance(gauge, list) else []
    if values:
        highest = max(values)
        if highest > MAX_GAUGE_KPA:
            raise CellProblem(f"gauge_kpa reaches {highest:g}; write kPa, not Pa")
        if highest < LOOKS_LIKE_BAR_KPA:
            raise CellProblem(
                f"gauge_kpa reaches only {highest:g}; that looks like bar: write kPa (1 bar = 100 kPa)"
            )
        if highest < LOOKS_LIKE_PSI_KPA:
            notes.append(f"gauge_kpa reaches only {highest:g}; if that was psi, multiply it by 6.895")
        if any(isinstance(one, int) and one > len(values) for one in named):
            raise CellProblem(
                f"gauge_kpa has {len(values)} values, but {column} names a higher number; "
                "give one value for each, by number"
            )
    return notes


def _key(name: str) -> Column:
    return Column(name, text, pl.String(), required=True)


def _text(name: str, *, required: bool = False) -> Column:
    return Column(name, text, pl.String(), required)


def _channel_columns() -> tuple[Column, ...]:
    return tuple(
        column
        for n in range(1, MAX_CHANNELS + 1)
        for column in (
            Column(f"ch{n}_signal", open_choice(*SIGNALS), pl.String()),
            Column(f"ch{n}_scale", scale, pl.Float64()),
        )
    )


_ALL = (
    TableSpec(
        "engine_families",
        "engine_families.csv",
        ("engine_family",),
        (
            _key("engine_family"),
            Column("cylinders", whole(1, 99), INT, required=True),
            Column("firing_order", order_text, pl.String(), required=True),
            Column("firing_intervals_deg", intervals_text, pl.String()),
            Column("sync_kind", choice(*SYNC_KINDS), pl.String(), required=True),
        ),
        _finish_family,
    ),
    TableSpec(
        "technicians",
        "technicians.csv",
        ("technician",),
        (_key("technician"), Column("started_on", day, pl.Date())),
    ),
    TableSpec(
        "repair_orders",
        "repair_orders.csv",
        ("repair_order",),
        (
            _key("repair_order"),
            Column("opened_at", instant, WHEN, required=True),
            Column("closed_at", instant, WHEN),
            _text("technician"),
            _text("vehicle"),
            _text("engine_family"),
            Column("complaint", remark, pl.String()),
            Column("scope_eligible", truth, pl.Boolean()),
            _text("comeback_of"),
            Column("labour_h", amount, pl.Float64()),
            Column("parts_cost", amount, pl.Float64()),
            Column("parts_returned", amount, pl.Float64()),
            Column("model_year", whole(1886, 2100), INT),
        ),
        _finish_order,
    ),
    TableSpec(
        "captures",
        "captures.csv",
        ("capture_file",),
        (
            Column("capture_file", below_drop_folder, pl.String(), required=True),
            Column("captured_at", instant, WHEN, required=True),
            _text("technician"),
            _text("repair_order"),
            _text("vehicle"),
            _text("engine_family"),
            Column("test", open_choice(*TESTS), pl.String()),
            Column("purpose", choice(*PURPOSES), pl.String()),
            *_channel_columns(),
            Column("sync_cylinder", whole(1, 12), INT),
            Column("call", choice(*CALLS), pl.String()),
            Column("call_cylinders", elements(12), pl.List(INT)),
            _text("component"),
            Column("call_elements", elements(MOST_ELEMENTS), pl.List(INT)),
        ),
        _finish_capture,
        (("ch_signals", pl.List(pl.String())), ("ch_scales", pl.List(pl.Float64()))),
        frozenset(column.name for column in _channel_columns()) | {"call_cylinders"},
    ),
    TableSpec(
        "outcomes",
        "outcomes.csv",
        ("repair_order", "test"),
        (
            _key("repair_order"),
            Column("confirmed_at", instant, WHEN),
            Column("finding", choice(*FINDINGS), pl.String(), required=True),
            Column("confirmed_cylinders", elements(12), pl.List(INT)),
            Column("method", choice(*METHODS), pl.String()),
            Column("gauge_kpa", items(amount), pl.List(pl.Float64())),
            Column("test", open_choice(*TESTS), pl.String()),
            Column("confirmed_elements", elements(MOST_ELEMENTS), pl.List(INT)),
        ),
        _finish_outcome,
        dropped=frozenset({"confirmed_cylinders"}),
    ),
    TableSpec(
        "drills",
        "drills.csv",
        ("drill",),
        (
            _key("drill"),
            _text("technician"),
            Column("test", open_choice(*TESTS), pl.String(), required=True),
            Column("week_of", monday, pl.Date(), required=True),
            Column("target", whole(1, 1000), INT, required=True),
        ),
    ),
    TableSpec(
        "coaching",
        "coaching.csv",
        ("session",),
        (
            _key("session"),
            _text("technician", required=True),
            Column("held_on", day, pl.Date(), required=True),
            Column("topic", choice(*COACHED), pl.String(), required=True),
            Column("test", open_choice(*TESTS), pl.String()),
            Column("note", remark, pl.String()),
        ),
    ),
)
_SHOP = Column("shop", shop_name, pl.String())
SPECS: dict[str, TableSpec] = {spec.name: replace(spec, columns=(*spec.columns, _SHOP)) for spec in _ALL}
