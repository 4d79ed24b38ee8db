"""Intake: what was refused or waits and what to do, the log, and the shop's settings."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from pipelines.errors import ShopspreadError
from pipelines.settings import SETTINGS, Setting

STATUS_WORDS = {
    "read": "read",
    "unusable": "could be opened, but no honest reading exists",
    "waiting": "waits for its other half",
    "refused": "refused",
}


LABELS = {
    "comeback_window_days": "A return within so many days is a comeback",
    "cost_miss": "Cost of a missed weak cylinder, currency",
    "cost_false_alarm": "Cost of an unneeded gauge test, currency",
    "discovery_rate_pct": "Healthy ones allowed among those called unlike their family, %",
    "labour_rate_per_h": "Labour, currency an hour",
    "house_setup": "House setup",
}


def counts(captures: pl.DataFrame) -> dict[str, int]:
    """Captures by status, in the order of the contract."""
    return {status: captures.filter(pl.col("status") == status).height for status in STATUS_WORDS}


def troubles(captures: pl.DataFrame) -> pl.DataFrame:
    """What was refused, waits or cannot be used: capture_file, status, what_to_do, technician, captured_at."""
    order = pl.col("status").replace_strict({"refused": 0, "waiting": 1, "unusable": 2}, default=3)
    return (
        captures.filter(pl.col("status") != "read")
        .sort(order, "capture_file")
        .select(
            "capture_file",
            "status",
            pl.col("reason").fill_null("No reason was noted.").alias("what_to_do"),
            "technician",
            "captured_at",
        )
    )


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
                "value": json.dumps(values[name], ensure_ascii=False),
                "what it means": known.help,
                "decided": "as delivered"
                if row is None
                else f"{row['set_by']}, {row['set_at']:%Y-%m-%d %H:%M}",
            }
        )
    return pl.DataFrame(rows)


def numeric() -> list[Setting]:
    """The settings that are a number."""
    return [known for known in SETTINGS.values() if known.kind in ("number", "whole")]


def label(name: str) -> str:
    """A setting's name in words."""
    return (
        LABELS.get(name)
        or name.replace("_pct", ", %").replace("_per_h", " an hour").replace("_", " ").capitalize()
    )


def as_number(known: Setting, value: float) -> float | int:
    """A number as the setting keeps it: whole where it must be."""
    return round(value) if known.kind == "whole" else float(value)


def bounds(known: Setting, values: dict[str, Any]) -> dict[str, Any]:
    """Value, least and greatest of a number field, all of one kind as the field wants them."""
    return {
        "value": as_number(known, values[known.name]),
        "min_value": None if known.lowest is None else as_number(known, known.lowest),
        "max_value": None if known.highest is None else as_number(known, known.highest),
    }


def hookups_text(values: dict[str, Any]) -> str:
    """The house setup as it is edited."""
    return json.dumps(values["house_setup"], indent=2, ensure_ascii=False)


def hookups_value(text: str) -> Any:
    """The house setup from what was typed.

    Raises:
        ShopspreadError: when it is no JSON or names what a hookup does not have.
    """
    try:
        value = json.loads(text or "{}")
    except json.JSONDecodeError as error:
        raise ShopspreadError(f"The house setup is not valid JSON: {error}. Nothing was changed.") from error
    return SETTINGS["house_setup"].check(value)


HOOKUP_EXAMPLE = (
    '{"relative_compression": {"signals": ["battery_voltage", "ignition_primary"], "scales": [1, 10], '
    '"sync_cylinder": 1}}'
)
