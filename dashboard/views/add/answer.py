"""What the forms for captures and records start with, and the cells they make of what was typed."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import polars as pl

from dashboard.shared import palette
from dashboard.sights import HIDDEN_NAME
from models.records.shops import own_name
from pipelines import file_names
from pipelines.kinds import engine_words, kind
from pipelines.kinds.base import Kind
from pipelines.kinds.engine import EngineFamily

FIELDS = file_names.FIELDS
Frames = Mapping[str, pl.DataFrame]
Row = dict[str, Any]

PURPOSES = {
    "diagnosis": "a job",
    "drill": "practice",
    "known_good": "known good",
}
TABLE_WORDS = {
    "engine_families": "engine family", "technicians": "technician", "repair_orders": "job", "captures": "label",
    "outcomes": "outcome", "drills": "drill", "coaching": "coaching session", "upload": "uploaded file",
}  # fmt: skip
NO_CALL = ""


@dataclass(frozen=True, slots=True)
class Names:
    """What is on record, for the fields that offer it."""

    technicians: list[str]
    orders: list[str]
    families: list[str]
    vehicles: list[str]
    components: list[str]


def names(frames: Frames, test: str) -> Names:
    """Names on record: jobs newest first, everything else by name."""
    captures, orders = frames["captures"], frames["orders"]
    own = captures.filter(pl.col("test") == test)
    return Names(
        technicians=_names(frames["technicians"]["technician"], captures["technician"], orders["technician"]),
        orders=orders.sort("opened_at", descending=True, nulls_last=True)["repair_order"].to_list(),
        families=_names(frames["families"]["engine_family"], orders["engine_family"]),
        vehicles=_names(captures["vehicle"], orders["vehicle"]),
        components=_names(own["component"]),
    )


def _names(*columns: pl.Series) -> list[str]:
    return sorted({str(value) for column in columns for value in column.drop_nulls()} - {HIDDEN_NAME})


def unlabelled(captures: pl.DataFrame) -> list[str]:
    """Captures whose file is here and whose label is not, newest upload last."""
    waits = (pl.col("status") == "waiting") & pl.col("captured_at").is_null()
    return captures.filter(waits)["capture_file"].sort().to_list()


def taken_lines(taken: Sequence[Any], troubles: Mapping[str, str]) -> list[tuple[str, bool]]:
    """What became of each uploaded file, and whether that is good news."""
    lines = []
    for one in taken:
        if one.capture_file in troubles:
            lines.append((f"{one.name} is kept, but cannot be read: {troubles[one.capture_file]}", False))
            continue
        if one.refused is not None:
            lines.append((f"{one.name} was not taken: {one.refused}", False))
        elif one.known:
            lines.append((f"{one.name} is on record already, as {one.capture_file}.", True))
        else:
            lines.append((f"{one.name} is in; it waits for its label below.", True))
    return lines


# -- the label --------------------------------------------------------------------------------------------------------


def last_label(frames: Frames, test: str) -> Row:
    """The newest label of a test, from which a new one starts; empty where there is none."""
    own = frames["captures"].filter((pl.col("test") == test) & pl.col("captured_at").is_not_null())
    return own.row(-1, named=True) if own.height else {}


def own_label(entered: pl.DataFrame, frames: Frames, by: str) -> Row:
    """The label this person entered last, of whatever test; empty where there is none that stands."""
    own = entered.filter(
        (pl.col("subject") == "captures.csv") & (pl.col("entered_by") == by) & ~pl.col("undone")
    )
    for name in own["key"]:
        found = frames["captures"].filter(
            (pl.col("capture_file") == name) & pl.col("captured_at").is_not_null()
        )
        if found.height:
            return found.row(0, named=True)
    return {}


def hookup_of(known: Kind, house: Mapping[str, Any], last: Row) -> tuple[list[str], list[float], int]:
    """Signals, scales and the index a label starts with: as the shop decided, as the last one, else the usual."""
    wanted = house.get(known.name) or {}
    signals = list(wanted.get("signals") or _split(last.get("ch_signals")) or known.hookup.signals)
    scales = [float(one) for one in wanted.get("scales") or _split(last.get("ch_scales")) or []]
    scales = (scales + [1.0] * len(signals))[: len(signals)]
    decided = wanted if wanted.get(engine_words.INDEX_COLUMN) else last
    return signals, scales, engine_words.index_of(decided)


def _split(text: str | None) -> list[str]:
    return [part for part in (text or "").split(";") if part]


def hookup_words(known: Kind, signals: Sequence[str], scales: Sequence[float], index: int) -> str:
    """The hookup as a sentence."""
    titles = {signal.name: signal.title for signal in known.signals}
    named = [
        f"channel {n} {titles.get(signal, signal)}" + ("" if scale == 1 else f" ×{scale:g}")
        for n, (signal, scale) in enumerate(zip(signals, scales, strict=False), 1)
        if signal
    ]
    return ", ".join(named) + (f"; {engine_words.index_words(index)}." if known.needs_engine else ".")


@dataclass(frozen=True, slots=True)
class Label:
    """What the label form holds; empty text is 'not known'."""

    test: str
    technician: str
    taken: dt.datetime
    purpose: str
    order: str
    vehicle: str
    family: str
    component: str
    call: str
    called: tuple[int, ...]
    signals: tuple[str, ...]
    scales: tuple[float, ...]
    index: int


def cells(label: Label, capture_file: str, named: Mapping[str, str]) -> dict[str, str]:
    """One row of captures.csv; what the file's own name says goes before what the form says.

    Args:
        named: see `pipelines.file_names.fields`.
    """
    row = {
        "capture_file": capture_file,
        "captured_at": label.taken.isoformat(timespec="minutes"),
        "technician": label.technician,
        "repair_order": label.order,
        "vehicle": label.vehicle,
        "engine_family": label.family,
        "component": label.component,
        "test": label.test,
        "purpose": label.purpose,
        engine_words.INDEX_COLUMN: str(label.index),
        "call": label.call,
        "call_elements": ";".join(str(number) for number in label.called),
    }
    for n, (signal, scale) in enumerate(zip(label.signals, label.scales, strict=False), 1):
        row[f"ch{n}_signal"], row[f"ch{n}_scale"] = signal, f"{scale:g}"
    return row | dict(named)


def by_name(pattern: str, files: Sequence[str]) -> dict[str, dict[str, str]]:
    """What each file's name says, by file."""
    return {name: file_names.fields(pattern, own_name(name)) for name in files}


def shown_rows(rows: Sequence[Mapping[str, str]]) -> pl.DataFrame:
    """What is about to be written, for a look before it is."""
    kept = ("capture_file", "technician", "captured_at", "repair_order", "engine_family", "component", "call")
    frame = pl.DataFrame([{name: row.get(name, "") for name in kept} for row in rows])
    return frame.rename({"capture_file": "file", "captured_at": "taken", "repair_order": "job"})


def order_row(frames: Frames, order: str) -> Row:
    """A job's own row, to fill in vehicle and engine family; empty where it is not on record."""
    found = frames["orders"].filter(pl.col("repair_order") == order)
    return found.row(0, named=True) if found.height else {}


def read_sentence(captures: pl.DataFrame, files: Sequence[str]) -> list[tuple[str, str, str]]:
    """What became of labelled captures: file, status, sentence."""
    rows = captures.filter(pl.col("capture_file").is_in(list(files))).sort("capture_file")
    said = []
    for row in rows.iter_rows(named=True):
        known = kind(row["test"] or "")
        title = known.title if known else (row["test"] or "no test")
        why = row["reason"] or ""
        sentence = f"read as {title}" if row["status"] == "read" else f"{row['status']}: {why}"
        said.append((row["capture_file"], row["status"], sentence))
    return said


# -- an engine family -------------------------------------------------------------------------------------------------


def dial(family: EngineFamily) -> str:
    """The two turns as a strip with every firing in its place, as HTML."""
    marks = "".join(
        f'<div style="position:absolute;left:{angle / 7.2 * 0.97:.2f}%;top:0;text-align:center;width:2.6rem">'
        f'<div style="border:2px solid {palette.BAND};border-radius:50%;width:2rem;height:2rem;line-height:1.8rem;'
        f'font-weight:700;margin:auto">{number}</div>'
        f'<div style="font-size:0.85rem">{angle:g}°</div></div>'
        for number, angle in engine_words.places(family)
    )
    return (
        f'<div role="img" aria-label="{escape(engine_words.angles_sentence(family))}" '
        'style="position:relative;height:3.6rem;margin-top:0.4rem">'
        '<div style="position:absolute;left:0;right:0;top:1rem;border-top:2px dotted #888"></div>'
        f"{marks}</div>"
    )


# -- what was entered, and where files and forms disagree -------------------------------------------------------------


def entered_rows(entered: pl.DataFrame) -> list[Row]:
    """One row a piece of work somebody entered, newest first: batch, who, when, what, whether it was taken back."""
    found: dict[str, Row] = {}
    for row in entered.iter_rows(named=True):
        name = str(row["subject"]).removesuffix(".csv")
        what = f"{TABLE_WORDS.get(name, name)} {row['key']}"
        one = found.setdefault(
            row["batch"],
            {
                "batch": row["batch"],
                "by": row["entered_by"],
                "at": row["logged_at"],
                "what": [],
                "undone": True,
            },
        )
        one["what"].append(what + (" (changed)" if row["action"] == "changed" else ""))
        one["undone"] = one["undone"] and row["undone"]
    return list(found.values())


def entered_sentence(row: Row) -> str:
    """One piece of work in words."""
    what = row["what"]
    more = f" and {len(what) - 3} more" if len(what) > 3 else ""
    taken = " Taken back since." if row["undone"] else ""
    return f"{row['by']}, {row['at']:%Y-%m-%d %H:%M}: {', '.join(what[:3])}{more}.{taken}"


def disagreements(rows: pl.DataFrame) -> list[str]:
    """Where a table of the drop folder and a form say different things, in sentences; the later one stands."""
    said = []
    for row in rows.iter_rows(named=True):
        what = f"{TABLE_WORDS.get(row['name'], row['name'])} {row['key']}"
        if row["form_says"] is None and row["table_says"] is None:  # not for the person who looks
            said.append(
                f"{what}: a form and {row['name']}.csv say different things; the {row['stands']} stands."
            )
            continue
        ours, theirs = _differing(row["form_says"], row["table_says"])
        if row["stands"] == "form":
            later = f"what {row['entered_by']} entered on {row['form_at']:%Y-%m-%d} stands ({ours})"
            said.append(f"{what}: {later}; {row['name']}.csv still says {theirs}.")
        else:
            later = f"{row['name']}.csv of {row['table_at']:%Y-%m-%d} is the later one and stands ({theirs})"
            said.append(f"{what}: {later}; {row['entered_by']} had entered {ours}.")
    return said


def _differing(form: str | None, table: str | None) -> tuple[str, str]:
    """Only the columns in which two rows differ, in words."""
    ours: Row = json.loads(form) if form else {}
    theirs: Row = json.loads(table) if table else {}
    if not ours:
        return "the row taken back", "a row"
    apart = [name for name in {**theirs, **ours} if (ours.get(name) or "") != (theirs.get(name) or "")]
    return (
        ", ".join(f"{name} {_shown(ours.get(name))}" for name in apart) or "the same",
        ", ".join(f"{name} {_shown(theirs.get(name))}" for name in apart) or "the same",
    )


def _shown(value: object) -> str:
    if value in (None, "", []):
        return "empty"
    return ", ".join(str(one) for one in value) if isinstance(value, list) else str(value)


def day_of(row: Row, name: str, *, today: bool = False) -> dt.date | None:
    """The day a form starts with."""
    moment = row.get(name)
    return moment.date() if moment is not None else dt.date.today() if today and not row else None


def job_cells(before: Row, typed: Mapping[str, Any]) -> dict[str, str]:
    """One row of repair_orders.csv; a day that was not touched keeps its time of day."""
    row = {name: "" if value is None else str(value) for name, value in typed.items()}
    for name in ("opened_at", "closed_at"):
        day, moment = typed.get(name), before.get(name)
        kept = moment if moment is not None and moment.date() == day else day
        row[name] = kept.isoformat() if isinstance(kept, dt.date) else ""
    eligible = typed.get("scope_eligible")
    row["scope_eligible"] = "" if eligible is None else str(bool(eligible)).lower()
    return row


def undefined_families(frames: Frames) -> list[str]:
    """Engine families that waiting captures name and nobody has defined."""
    waits = frames["captures"].filter((pl.col("status") == "waiting") & pl.col("engine_family").is_not_null())
    named = set(waits["engine_family"]) - set(frames["families"]["engine_family"])
    return sorted(named)


def this_monday(day: dt.date) -> dt.date:
    """The Monday of a day's week."""
    return day - dt.timedelta(days=day.weekday())


def most_elements(known: Kind, frames: Frames, family: str) -> int:
    """How many alike elements there can be to name: the engine's, else the most any capture has shown."""
    if known.needs_engine:
        found = frames["families"].filter(pl.col("engine_family") == family)
        return int(found["cylinders"][0]) if found.height else 12
    counted = frames["element_counts"].filter(pl.col("test") == known.name)["elements"]
    return max([12, *(int(count) for count in counted)])


def scales_of(text: str) -> list[float]:
    """Scales as typed, `1, 10`; what is no number becomes 0, which the table's own check refuses with a reason."""
    found = []
    for part in text.replace(";", ",").split(","):
        if part.strip():
            try:
                found.append(float(part))
            except ValueError:
                found.append(0.0)
    return found
