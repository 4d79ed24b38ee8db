"""Intake: what was refused or waits and what to do, the log, and the shop's settings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.shared import kinds_told
from models.people.standing_hookup import standing_hookups
from pipelines.errors import ShopspreadError
from pipelines.kinds import engine_words, kind
from pipelines.warehouse.settings import SETTINGS, Setting

MOST_LISTED = 2000
FIRST_LINE = r"samples from line (\d+)"
MOST_LINES = 20
STATUS_WORDS = {
    "read": "read",
    "unusable": "could be opened, but no honest reading exists",
    "waiting": "waits for its other half",
    "refused": "refused",
}


LABELS = {
    "comeback_window_days": "A return within so many days is a comeback",
    "cost_miss": "Cost of a missed fault",
    "cost_false_alarm": "Cost of a test for nothing",
    "discovery_rate_pct": "Healthy ones allowed among those called odd, %",
    "labour_rate_per_h": "Labour, an hour",
    "currency": "What the shop's money is called",
    "house_setup": "Standing hookup",
    "people_retention_months": "Months unheard of after which a name becomes a pseudonym",
    "file_name_pattern": "What capture files are called",
}


def counts(captures: pl.DataFrame) -> dict[str, int]:
    """Captures by status, in the order of the contract."""
    return {status: captures.filter(pl.col("status") == status).height for status in STATUS_WORDS}


def troubles(captures: pl.DataFrame, standing: pl.DataFrame) -> pl.DataFrame:
    """What was refused, waits or cannot be used: capture_file, status, what_to_do, test, technician, captured_at.

    `standing`: captures whose newest file was refused while the reading made before stands (capture_file, reason).
    """
    newest = standing.select("capture_file", pl.col("reason").alias("refused_why"))
    captures = captures.join(newest, on="capture_file", how="left").with_columns(
        pl.when(pl.col("refused_why").is_not_null())
        .then(pl.lit("refused"))
        .otherwise(pl.col("status"))
        .alias("status"),
        pl.coalesce("refused_why", "reason").alias("reason"),
    )
    order = pl.col("status").replace_strict({"refused": 0, "waiting": 1, "unusable": 2}, default=3)
    return (
        captures.filter(pl.col("status") != "read")
        .sort(order, "capture_file")
        .head(MOST_LISTED)
        .select(
            "capture_file",
            "status",
            pl.col("reason").fill_null("No reason was noted.").alias("what_to_do"),
            pl.col("test").map_elements(kinds_told.title, return_dtype=pl.String),
            "technician",
            "captured_at",
        )
    )


def trouble_lines(rows: pl.DataFrame) -> list[str]:
    """What waits or was refused, with its whole reason, for as many as one can read."""
    shown = rows.filter(pl.col("status").is_in(["refused", "waiting"])).head(MOST_LINES)
    return [
        f"`{row['capture_file']}` ({row['status']}): {row['what_to_do']}"
        for row in shown.iter_rows(named=True)
    ]


def layout_rows(layouts: pl.DataFrame) -> pl.DataFrame:
    """How text files were read, ready to show: read as, by whom that was decided, captures, one of them.

    What differs only in the line the samples begin on stands in one row.
    """
    by = pl.when("told").then(pl.lit("text_format.json")).otherwise(pl.lit("guessed"))
    line = pl.col("read_as").str.extract(FIRST_LINE, 1).cast(pl.Int64)
    folded = (
        layouts.with_columns(line=line, same=pl.col("read_as").str.replace(FIRST_LINE, "samples from line #"))
        .group_by("same", "told", maintain_order=True)
        .agg(
            pl.col("captures").sum(),
            pl.col("example").first(),
            first=pl.col("line").min(),
            last=pl.col("line").max(),
        )
        .sort("captures", descending=True)
    )
    lines = pl.when(pl.col("first") == pl.col("last")).then(pl.format("{}", "first")).otherwise(
        pl.format("{} to {}", "first", "last")
    )  # fmt: skip
    read_as = pl.col("same").str.replace("#", lines.fill_null(""), literal=True)
    return folded.select(read_as.alias("read_as"), by.alias("decided_by"), "captures", "example")


def log_rows(log: pl.DataFrame) -> pl.DataFrame:
    """The intake log, newest first, ready to show."""
    return log.select("logged_at", "subject", "key", "action", "reason", "before", "after")


def setting_rows(stored: pl.DataFrame, values: dict[str, Any]) -> pl.DataFrame:
    """Every setting with its value, what it means, and who set it when."""
    who = {row["name"]: row for row in stored.iter_rows(named=True)}
    rows = []
    for name, known in SETTINGS.items():
        row = who.get(name)
        rows.append(
            {
                "setting": label(name),
                "value": _value_words(values[name]),
                "what it means": known.help,
                "decided": "as delivered"
                if row is None
                else f"{row['set_by']}, {row['set_at']:%Y-%m-%d %H:%M}",
            }
        )
    return pl.DataFrame(rows)


def _value_words(value: Any) -> str:
    """A setting's value as a person says it."""
    if isinstance(value, dict):
        return f"for {', '.join(kinds_told.title(test) for test in value)}" if value else "none"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value) or "none"


def numeric() -> list[Setting]:
    """The settings that are a number."""
    return [known for known in SETTINGS.values() if known.kind in ("number", "whole")]


def texts() -> list[Setting]:
    """The settings that are a word."""
    return [known for known in SETTINGS.values() if known.kind == "text"]


def label(name: str) -> str:
    """A setting's name in words."""
    return (
        LABELS.get(name)
        or name.replace("_pct", ", %").replace("_per_h", " an hour").replace("_", " ").capitalize()
    )


def as_number(known: Setting, value: float) -> float | int:
    """A number as the setting keeps it: whole where it must be."""
    return round(value) if known.kind == "whole" else float(value)


def bounds(known: Setting) -> dict[str, Any]:
    """Least and greatest of a number field, of one kind as the field wants them."""
    return {
        "min_value": None if known.lowest is None else as_number(known, known.lowest),
        "max_value": None if known.highest is None else as_number(known, known.highest),
    }


def follow(state: Any, values: Mapping[str, Any]) -> dict[str, Any]:
    """What the settings form shows; a field this person has not touched follows what others decide.

    Args:
        state: the session. values: the settings in force.

    Returns:
        the values shown, by setting.
    """
    shown: dict[str, Any] = state.setdefault("settings_shown", {})
    for known in (*numeric(), *texts()):
        key, stands = f"set_{known.name}", values[known.name]
        value = stands if known.kind == "text" else as_number(known, stands)
        if key not in state or (known.name in shown and state[key] == shown[known.name]):
            state[key] = shown[known.name] = value
        shown.setdefault(known.name, value)
    return shown


def changed(typed: Mapping[str, Any], shown: Mapping[str, Any]) -> dict[str, Any]:
    """Only what this person changed."""
    return {name: value for name, value in typed.items() if value != shown[name]}


@dataclass(frozen=True, slots=True)
class HookupFields:
    """The standing hookup of a test as it stands in the form; `where` says where it comes from."""

    signals: tuple[str, ...]
    scales: str
    index: str
    rate_hz: str
    duration_s: str
    where: str


def hookup_fields(wanted: dict[str, Any] | None, captures: pl.DataFrame, test: str) -> HookupFields:
    """The standing hookup as decided, else as most of the shop's captures of that test have it."""
    if wanted is not None:
        return HookupFields(
            signals=tuple(wanted.get("signals", [])),
            scales=", ".join(f"{scale:g}" for scale in wanted.get("scales", [])),
            index=_text(wanted.get(engine_words.INDEX_COLUMN)),
            rate_hz=_text(wanted.get("rate_hz")),
            duration_s=_text(wanted.get("duration_s")),
            where="As decided; who and when stand in the table above.",
        )
    own = captures.filter(pl.col("test") == test)
    found = standing_hookups(own, ())
    if found.is_empty():
        return HookupFields(
            (), "", "", "", "", "Nothing is decided, and no capture of this test shows what is usual."
        )
    row = found.row(0, named=True)
    return HookupFields(
        signals=tuple(part for part in (row["standing_signals"] or "").split(";") if part),
        scales=", ".join(f"{float(scale):g}" for scale in (row["standing_scales"] or "").split(";") if scale),
        index=_text(row["standing_index"]),
        rate_hz="",
        duration_s="",
        where=f"Nothing is decided yet; filled in with what most of {own.height} captures have.",
    )


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def index_label(test: str) -> str:
    """What the place of the index pulse is called in this test; empty where it has none to choose."""
    known = kind(test)
    if known is None or not known.needs_engine:
        return ""
    return f"{known.figure.index.capitalize()} from {known.element.noun}"


def signals_of(test: str) -> dict[str, str]:
    """The signals a test can use, by name, in words."""
    known = kind(test)
    return {} if known is None else {signal.name: signal.title for signal in known.signals}


def hookup_value(
    test: str, signals: Sequence[str], scales: str, index: str, rate: str, length: str
) -> dict[str, Any]:
    """What the form says, as the setting keeps it; empty fields are left out.

    Raises:
        ShopspreadError: when the test has no such signal, a field that must be a number is none, or scales and
            signals differ in number.
    """
    value: dict[str, Any] = {}
    unknown = [name for name in signals if name not in signals_of(test)]
    if unknown:
        raise ShopspreadError(
            f"This test knows no signal {', '.join(unknown)}; there are: {', '.join(signals_of(test))}."
        )
    if signals:
        value["signals"] = list(signals)
    given = [_number("scale", part) for part in scales.replace(";", ",").split(",") if part.strip()]
    if given:
        value["scales"] = given
    if signals and given and len(signals) != len(given):
        raise ShopspreadError(
            f"{len(signals)} signals and {len(given)} scales: give one scale for each signal."
        )
    if index.strip():
        value[engine_words.INDEX_COLUMN] = round(_number("place of the index pulse", index))
    if rate.strip():
        value["rate_hz"] = _number("sample rate", rate)
    if length.strip():
        value["duration_s"] = _number("length", length)
    return value


def differ_sentence(differ: int, of: int) -> str:
    """How many past captures would be told that their hookup differs."""
    if not of:
        return "No capture of this test has been read yet."
    if not differ:
        return f"All {of} captures of this test were hooked up like this, as far as the log says."
    return f"{differ} of {of} captures of this test would differ, and be told so."


def _number(what: str, text: str) -> float:
    try:
        value = float(text.strip())
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise ShopspreadError(
            f"The {what} must be a number above zero, not {text.strip()!r}. Nothing was changed."
        )
    return value
