"""What somebody said about a folder's text files, in the place of what the sniffer would find out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


@dataclass(frozen=True, slots=True)
class TextForm:
    """The shape of delimited text as far as it was told; None is left to the sniffer.

    Attributes:
        delimiter: `,`, `;` or a tab.
        decimal_comma: whether numbers have a decimal comma.
        first_line: 0-based line at which the samples begin at the earliest.
        time_column: 0-based column of the time axis; -1 says that no column is time.
        time_unit: `s`, `ms`, `us` or `ns`.
        interval_s: sample interval in s; no column is time then.
        channel_units: by channel, empty where the file's own counts.
    """

    delimiter: str | None = None
    decimal_comma: bool | None = None
    first_line: int = 0
    time_column: int | None = None
    time_unit: str | None = None
    interval_s: float | None = None
    channel_units: tuple[str, ...] = ()

    @property
    def untold(self) -> bool:
        """Whether nothing was said at all."""
        return self == TextForm()


NOTHING_TOLD = TextForm()


def text_form(told: Mapping[str, Any]) -> TextForm:
    """The form of a setting `text_format` that has passed its check."""
    delimiter, decimal = told.get("delimiter"), told.get("decimal")
    column = told.get("time_column")
    interval_s = told.get("interval_s")
    return TextForm(
        delimiter=None if delimiter is None else DELIMITERS[delimiter],
        decimal_comma=None if decimal is None else decimal == "comma",
        first_line=int(told.get("first_line", 1)) - 1,
        time_column=-1 if interval_s is not None else None if column is None else int(column) - 1,
        time_unit=told.get("time_unit"),
        interval_s=interval_s,
        channel_units=tuple(told.get("channel_units", ())),
    )


def text_form_of(told: str | None) -> TextForm:
    """The same from its JSON; None is nothing told."""
    return text_form(json.loads(told)) if told else NOTHING_TOLD
