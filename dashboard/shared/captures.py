"""What several pages say of a capture: what was confirmed on its job, what was called, why it is unusual."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from dashboard.shared import words
from models.outliers.reasons import in_words
from pipelines.kinds import kind
from pipelines.kinds.base import Kind


def reasons(text: str | None) -> tuple[str, ...]:
    """The sentences of the outlier model's reasons, which the warehouse keeps as JSON."""
    if not text:
        return ()
    listed = json.loads(text) or []
    return tuple(str(reason["sentence"]) for reason in listed if reason and reason.get("sentence"))


def reason_rows(text: str | None, known: Kind) -> pl.DataFrame:
    """The outlier model's reasons for drawing, on one scale: 0 to 100 % is the group's usual range.

    Returns:
        name (feature in words with its value), place_pct (0 = low end of the usual range, 100 = high end).
    """
    rows = []
    for reason in json.loads(text) if text else []:
        low, high, value = reason.get("usual_low"), reason.get("usual_high"), reason.get("value")
        if low is None or high is None or value is None or not high > low:
            continue
        name, unit = in_words(reason["feature"], known.feature_words)
        rows.append((f"{name}, {value:.3g}{unit}", 100 * (value - low) / (high - low)))
    return pl.DataFrame(rows, schema={"name": pl.String, "place_pct": pl.Float64}, orient="row")


def job_outcome(known: Kind, capture: dict[str, Any], outcome: dict[str, Any]) -> str:
    """What was confirmed on a capture's job, and whether it speaks of the vehicle as captured.

    A capture made known good, or after the day of the confirmation, shows it after the repair.
    """
    text = outcome_words(known, outcome)
    taken, confirmed = capture["captured_at"], outcome["confirmed_at"]
    later = taken is not None and confirmed is not None and taken.date() > confirmed.date()
    if outcome["finding"] == "odd" and (capture["purpose"] == "known_good" or later):
        return (
            f"Of this job, before the repair: {text[0].lower()}{text[1:]} This capture was made afterwards."
        )
    return text


def outcome_words(known: Kind, outcome: dict[str, Any]) -> str:
    """A confirmed outcome in one sentence, as the test's kind words it."""
    method = str(outcome["method"] or "unknown method").replace("_", " ")
    finding = str(outcome["finding"])
    numbers = outcome["confirmed_elements"]
    where = f" ({words.elements(known, numbers)})" if len(numbers) and finding == "odd" else ""
    what = known.wording.findings.get(finding, f"confirmed {finding}")
    return f"{what[0].upper()}{what[1:]}{where}, by {method} on {words.day(outcome['confirmed_at'])}."


def outcomes_of(outcomes: pl.DataFrame, test: str) -> dict[str, dict[str, Any]]:
    """The outcomes that speak of a test, by repair order."""
    return {row["repair_order"]: row for row in outcomes.filter(pl.col("test") == test).iter_rows(named=True)}


def called(row: dict[str, Any]) -> str:
    """What the technician said, as the capture's own kind words it."""
    if not row["call"]:
        return "No call was noted."
    known = kind(row["test"] or "")
    said = known.wording.calls.get(row["call"], row["call"]) if known else row["call"]
    numbers = row["call_elements"]
    named = f" ({words.elements(known, numbers)})" if known and numbers is not None and len(numbers) else ""
    return f"{row['technician'] or 'Somebody'} called it: {said}{named}."


def verdict_word(flagged: str = "flagged") -> pl.Expr:
    """`odd`, `usual` or `too little to say` from a column that says whether a capture is flagged."""
    return (
        pl.when(pl.col(flagged).is_null())
        .then(pl.lit("too little to say"))
        .when(pl.col(flagged))
        .then(pl.lit("odd"))
        .otherwise(pl.lit("usual"))
    )
