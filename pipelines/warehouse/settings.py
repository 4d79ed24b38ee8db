"""The shop's settings: rows of (name, default, help); an unknown name is refused with a hint."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from pipelines.errors import ShopspreadError
from pipelines.file_names import check_pattern

MOST_LETTERS = 8


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing a shop can decide. `kind` is `number`, `whole`, `text`, `pattern` (of file names), `hookups` or
    `form` (JSON)."""

    name: str
    default: Any
    kind: str
    help: str
    lowest: float | None = None
    highest: float | None = None

    def parse(self, text: str) -> Any:
        """The value a user typed, checked.

        Raises:
            ShopspreadError: when it is not of this setting's kind or out of its range.
        """
        try:
            value: Any = text if self.kind in ("text", "pattern") else json.loads(text)
        except json.JSONDecodeError as error:
            raise ShopspreadError(f"Setting {self.name}: {text!r} is not a {self.kind}.") from error
        return self.check(value)

    def check(self, value: Any) -> Any:
        """The value itself, when it may stand.

        Raises:
            ShopspreadError: when it may not.
        """
        if self.kind in ("number", "whole"):
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ShopspreadError(f"Setting {self.name}: {value!r} is not a number.")
            if not math.isfinite(value):
                raise ShopspreadError(f"Setting {self.name}: {value!r} is no finite number.")
            if self.kind == "whole" and value != int(value):
                raise ShopspreadError(f"Setting {self.name}: {value!r} is not a whole number.")
            if (self.lowest is not None and value < self.lowest) or (
                self.highest is not None and value > self.highest
            ):
                raise ShopspreadError(
                    f"Setting {self.name}: {value} is outside {self.lowest} to {self.highest}."
                )
        if self.kind == "text":
            _check_text(self.name, value)
        if self.kind == "hookups":
            _check_hookups(value)
        if self.kind == "pattern":
            if not isinstance(value, str):
                raise ShopspreadError(f"Setting {self.name}: {value!r} is no text.")
            check_pattern(value)
        if self.kind == "form":
            _check_form(value)
        return value


def standing(stored: Mapping[str, str]) -> dict[str, Any]:
    """Every setting by name: the stored JSON where it may stand, else the default.

    A value that an earlier version let in, or that another program wrote, passes the same check as one that
    is typed.
    """
    values: dict[str, Any] = {}
    for name, known in SETTINGS.items():
        values[name] = known.default
        if name in stored:
            with suppress(ShopspreadError, json.JSONDecodeError):
                values[name] = known.check(json.loads(stored[name]))
    return values


def _check_text(name: str, value: Any) -> None:
    if not isinstance(value, str) or value != value.strip() or not value.isprintable():
        raise ShopspreadError(f"Setting {name}: give a plain word, not {value!r}.")
    if len(value) > MOST_LETTERS:
        raise ShopspreadError(f"Setting {name}: {value!r} has more than {MOST_LETTERS} letters.")


def _check_hookups(value: Any) -> None:
    if not isinstance(value, dict):
        raise ShopspreadError('Setting house_setup: give {"test name": {"signals": [...], ...}}.')
    for test, wanted in value.items():
        if not isinstance(wanted, dict):
            raise ShopspreadError(f'Setting house_setup, test {test}: give {{"signals": [...], ...}}.')
        extra = set(wanted) - set(_HOOKUP)
        if extra:
            raise ShopspreadError(
                f"Setting house_setup, test {test}: it may hold {', '.join(sorted(_HOOKUP))}, "
                f"not {', '.join(sorted(extra))}."
            )
        for part, given in wanted.items():
            holds, words = _HOOKUP[part]
            if not holds(given):
                raise ShopspreadError(
                    f"Setting house_setup, test {test}: {part} must be {words}, not {given!r}."
                )
        scales = wanted.get("scales") or []
        if len(scales) > len(wanted.get("signals") or scales):
            raise ShopspreadError(f"Setting house_setup, test {test}: there are more scales than signals.")


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


_HOOKUP: dict[str, tuple[Callable[[Any], bool], str]] = {
    "signals": (
        lambda v: isinstance(v, list) and bool(v) and all(isinstance(s, str) and s.strip() for s in v),
        "a list of signal names in channel order",
    ),
    "scales": (
        lambda v: isinstance(v, list) and all(_number(s) and s != 0 for s in v),
        "a list of numbers other than 0",
    ),
    "sync_cylinder": (
        lambda v: _number(v) and v == int(v) and 1 <= v <= 99,
        "a cylinder number",
    ),
    "rate_hz": (lambda v: _number(v) and v > 0, "a number of samples a second above 0"),
    "duration_s": (lambda v: _number(v) and v > 0, "a number of seconds above 0"),
}


def _check_form(value: Any) -> None:
    if not isinstance(value, dict):
        raise ShopspreadError('Setting text_format: give {"delimiter": "semicolon", ...}.')
    extra = set(value) - set(_FORM)
    if extra:
        raise ShopspreadError(
            f"Setting text_format: it may hold {', '.join(sorted(_FORM))}, not {', '.join(sorted(extra))}."
        )
    for part, given in value.items():
        holds, words = _FORM[part]
        if not holds(given):
            raise ShopspreadError(f"Setting text_format: {part} must be {words}, not {given!r}.")
    if "interval_s" in value and (value.keys() & {"time_column", "time_unit"}):
        raise ShopspreadError("Setting text_format: give interval_s or a time column, not both.")


def _place(value: Any) -> bool:
    return _number(value) and value == int(value) and 1 <= value <= 100_000


_FORM: dict[str, tuple[Callable[[Any], bool], str]] = {
    "delimiter": (lambda v: v in ("comma", "semicolon", "tab"), "comma, semicolon or tab"),
    "decimal": (lambda v: v in ("point", "comma"), "point or comma"),
    "first_line": (_place, "the line of the first samples, counted from 1"),
    "time_column": (_place, "the column of the time, counted from 1"),
    "time_unit": (lambda v: v in ("s", "ms", "us", "ns"), "s, ms, us or ns"),
    "interval_s": (lambda v: _number(v) and v > 0, "seconds from sample to sample, above 0"),
    "channel_units": (
        lambda v: isinstance(v, list) and all(isinstance(unit, str) for unit in v),
        "a list of units by channel, such as mV",
    ),
}


# What a folder of the drop folder may say in a file of the setting's name.
FOLDER_SETTINGS: dict[str, Setting] = {
    "text_format": Setting(
        "text_format",
        {},
        "form",
        "How the delimited text in this folder and below is written: delimiter, decimal, first_line, time_column, "
        "time_unit, interval_s, channel_units. What is left out is guessed.",
    )
}


SETTINGS: dict[str, Setting] = {
    setting.name: setting
    for setting in (
        Setting(
            "comeback_window_days",
            30,
            "whole",
            "A return within this many days counts as a comeback.",
            1,
            730,
        ),
        Setting(
            "cost_miss",
            600.0,
            "number",
            "What a missed fault costs the shop, in its currency.",
            0,
            1e6,
        ),
        Setting(
            "cost_false_alarm", 90.0, "number", "What an unneeded gauge test costs, in its currency.", 0, 1e6
        ),
        Setting(
            "discovery_rate_pct",
            10.0,
            "number",
            "Of the captures listed as odd in a week, at most this share may be healthy ones on average.",
            0.1,
            50,
        ),
        Setting(
            "labour_rate_per_h",
            95.0,
            "number",
            "What an hour of labour costs, in the shop's currency.",
            0,
            1e5,
        ),
        Setting(
            "currency",
            "",
            "text",
            "What the shop's money is called, as it stands behind an amount, e.g. EUR; empty shows bare numbers.",
        ),
        Setting(
            "people_retention_months",
            0,
            "whole",
            "Whoever has not been heard of for so many months becomes a pseudonym at the next ingest; 0: never.",
            0,
            600,
        ),
        Setting(
            "house_setup",
            {},
            "hookups",
            "The shop's standing hookup per test: signals in channel order, scales, sync_cylinder, "
            "rate_hz, duration_s. What is left out is not checked.",
        ),
        Setting(
            "file_name_pattern",
            "",
            "pattern",
            "What the shop's capture files are called, so that a label fills itself in: fields in braces, such as "
            "{technician}_{repair_order}_{captured_at}.",
        ),
    )
}


def setting(name: str) -> Setting:
    """The setting of that name.

    Raises:
        ShopspreadError: when there is none; the message names the nearest.
    """
    if name in SETTINGS:
        return SETTINGS[name]
    near = difflib.get_close_matches(name, SETTINGS, n=1)
    hint = f" Did you mean {near[0]}?" if near else f" There are: {', '.join(SETTINGS)}."
    raise ShopspreadError(f"There is no setting {name!r}.{hint}")
