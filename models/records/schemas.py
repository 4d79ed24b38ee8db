"""One typed schema per frame: the columns every model may rely on, with unit and meaning, checked at the door.

A frame enters a model through `models.records.shop.Shop` and nowhere else, so a column that is missing,
unknown or of another type is an error where it enters and not a wrong figure three calls later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

S, F, B, I32, I64 = pl.String(), pl.Float64(), pl.Boolean(), pl.Int32(), pl.Int64()
WHEN, DAY = pl.Datetime("us"), pl.Date()
INTS = pl.List(pl.Int32())


class WrongFrame(ValueError):
    """A frame that is not what its schema says."""


@dataclass(frozen=True, slots=True)
class FrameSchema:
    """A frame's columns: name to (type, meaning with unit)."""

    name: str
    columns: Mapping[str, tuple[pl.DataType, str]]

    @property
    def types(self) -> pl.Schema:
        """Names and types alone."""
        return pl.Schema({name: dtype for name, (dtype, _) in self.columns.items()})

    def empty(self) -> pl.DataFrame:
        """A frame of these columns without a row."""
        return pl.DataFrame(schema=self.types)

    def check(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame itself, its columns in the schema's order.

        Raises:
            WrongFrame: a column is missing, unknown, or of another type; all of them are named.
        """
        have, want = frame.schema, self.types
        said = [f"column {name!r} is missing" for name in want if name not in have]
        said += [f"column {name!r} is unknown" for name in have if name not in want]
        said += [
            f"column {name!r} is {have[name]}, not {dtype}"
            for name, dtype in want.items()
            if name in have and have[name] != dtype
        ]
        if said:
            raise WrongFrame(f"frame {self.name!r}: {'; '.join(said)}")
        return frame.select(list(want))

    def of(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame with exactly these columns and types: absent ones null, others left out, numbers cast.

        For frames that are made by hand; what the warehouse gives is held to `check`.
        """
        return frame.select(
            (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
            for name, dtype in self.types.items()
        )


CAPTURES = FrameSchema(
    "captures",
    {
        "capture_file": (S, "path below the drop folder; the key"),
        "test": (S, "the test kind's name"),
        "group": (S, "what it is compared with its like in: the component, else the engine family"),
        "engine_family": (S, "key of the engine family, null where the log names none"),
        "component": (S, "key of the component, null where the log names none"),
        "technician": (S, "who made it"),
        "repair_order": (S, "the job, null for practice"),
        "vehicle": (S, "key of the vehicle"),
        "captured_at": (WHEN, "shop local time"),
        "purpose": (S, "drill, diagnosis or known_good"),
        "status": (S, "read, unusable, waiting or refused"),
        "reason": (S, "why it was not read and what to do"),
        "call": (S, "even, odd or unsure: what the technician said"),
        "call_elements": (INTS, "elements the call names"),
        "ch_signals": (S, "signals in channel order, `;` between them"),
        "ch_scales": (S, "scales in channel order, `;` between them"),
        "sync_cylinder": (I32, "the cylinder the sync lead was on"),
        "rate_hz": (F, "samples a second"),
        "duration_s": (F, "length of the record, s"),
    },
)
ELEMENTS = FrameSchema(
    "elements",
    {
        "capture_file": (S, "the capture"),
        "measure": (S, "which of the test's measures"),
        "position": (I32, "place in the sequence, from 1"),
        "element": (I32, "the element's number, null where only the position is known"),
        "relative_pct": (F, "% of the capture's median element"),
        "se_pct": (F, "standard error of relative_pct from the repeats in the capture, %"),
        "identified": (S, "sync, pair (this element or its companion) or none"),
        "companion": (I32, "the other candidate of a pair"),
    },
)
FEATURES = FrameSchema(
    "features",
    {
        "capture_file": (S, "the capture"),
        "feature": (S, "name with its unit"),
        "value": (F, "in that unit; null where unknown"),
    },
)
CHECKS = FrameSchema(
    "checks",
    {
        "capture_file": (S, "the capture"),
        "check": (S, "the setup check that failed"),
        "severity": (S, "note, warning or unusable"),
        "detail": (S, "a sentence that says what to do"),
        "habit": (B, "about how the scope was hooked up and set, so that it can be coached"),
    },
)
GROUPS = FrameSchema(
    "groups",
    {
        "test": (S, "the test kind's name"),
        "group": (S, "key of the group within the test"),
        "elements": (I32, "how many alike elements one of it has"),
        "sequence": (INTS, "element numbers in the order their positions come"),
        "uneven": (B, "whether the steps from position to position differ"),
        "family": (
            S,
            "what groups of the same name and definition in several shops share, null where none do",
        ),
        "apart": (
            S,
            "shops that have a group of the same name that is defined otherwise, null where none has",
        ),
    },
)
OUTCOMES = FrameSchema(
    "outcomes",
    {
        "repair_order": (S, "the job"),
        "test": (S, "the test this finding speaks of; with repair_order the key"),
        "confirmed_at": (WHEN, "when it was confirmed, else when the job closed or opened"),
        "finding": (S, "even, odd or other"),
        "confirmed_elements": (INTS, "elements found odd"),
        "method": (S, "how it was confirmed"),
        "gauge_kpa": (pl.List(pl.Float64()), "gauge pressure by element number, kPa"),
    },
)
ORDERS = FrameSchema(
    "orders",
    {
        "repair_order": (S, "the key"),
        "opened_at": (WHEN, "shop local time"),
        "closed_at": (WHEN, "shop local time, null while open"),
        "technician": (S, "who had the job"),
        "vehicle": (S, "key of the vehicle"),
        "engine_family": (S, "key of the engine family"),
        "complaint": (S, "free word"),
        "scope_eligible": (B, "whether the scope could have served"),
        "comeback_of": (S, "the order this one returns for"),
        "labour_h": (F, "hours"),
        "parts_cost": (F, "in the shop's currency"),
        "parts_returned": (F, "parts sent back"),
        "model_year": (I32, "year of the vehicle"),
    },
)
TECHNICIANS = FrameSchema(
    "technicians", {"technician": (S, "the key"), "started_on": (DAY, "first day in the shop")}
)
DRILLS = FrameSchema(
    "drills",
    {
        "drill": (S, "the key"),
        "technician": (S, "null = everybody"),
        "test": (S, "the test to practise"),
        "week_of": (DAY, "a Monday"),
        "target": (I32, "captures in that week"),
    },
)
COACHING = FrameSchema(
    "coaching",
    {
        "session": (S, "the key"),
        "technician": (S, "who was coached"),
        "held_on": (DAY, "the day"),
        "topic": (S, "one of the coaching topics"),
        "test": (S, "the test it was about, null = all"),
    },
)
ALL: tuple[FrameSchema, ...] = (
    CAPTURES, ELEMENTS, FEATURES, CHECKS, GROUPS, OUTCOMES, ORDERS, TECHNICIANS, DRILLS, COACHING,
)  # fmt: skip
