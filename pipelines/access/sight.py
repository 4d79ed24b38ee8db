"""What a person is shown of the warehouse's rows: one place, below every page, download and document."""

from __future__ import annotations

import polars as pl

from models.records.shops import narrowed
from pipelines.access.hiding import OTHERS, Hiding
from pipelines.access.roles import Right, Viewer

MONEY = ("labour_h", "parts_cost", "parts_returned")
CALLS = ("call", "call_elements", "call_cylinders")
ABOUT_PEOPLE = ("technician", "technicians", "coaching", "drill", "drills", "person")
"""Subjects of log rows that are about a person, without the ending of a table's file."""
TYPED = ("before", "after", "table_says", "form_says")
"""Contents of rows as they were typed, all cells of them."""
LOGGED = ("before", "after", "set_by", "by", "who")


def seen(viewer: Viewer, name: str, frame: pl.DataFrame, hiding: Hiding) -> pl.DataFrame:
    """The rows of a frame as this person may see them; the same columns and types.

    Args:
        viewer: who looks.
        name: the frame's name, as its query is called.
        frame: the rows; not changed.
        hiding: what stands in the place of names for this person, also in the names of files and in texts.
    """
    if viewer.shops is not None:
        # before names are hidden: a name of ours for a capture does not say whose it is
        frame = narrowed(frame, viewer.shops)
    return hiding.frame(_theirs(viewer, name, frame))


def _theirs(viewer: Viewer, name: str, frame: pl.DataFrame) -> pl.DataFrame:
    if name == "intake_log":
        return _log(viewer, frame)
    if name == "refused_rows":
        return frame if viewer.may(Right.SEE_PEOPLE) else frame.filter(~_about_people("file"))
    if name in ("entered", "disagreements"):
        return _typed(viewer, frame)
    if name in ("technicians", "coaching", "drills") and not viewer.may(Right.SEE_PEOPLE):
        own = pl.col("technician") == viewer.technician
        for_everybody = pl.col("technician").is_null() | (pl.col("technician") == "")
        return frame.filter(own | for_everybody if name == "drills" else own)
    if not viewer.may(Right.SEE_JOBS):
        hidden = [column for column in MONEY if column in frame.columns]
        frame = frame.with_columns(
            pl.lit(None, dtype=frame.schema[column]).alias(column) for column in hidden
        )
    if viewer.may(Right.SEE_NAMES) or "technician" not in frame.columns:
        return frame
    own = (pl.col("technician") == viewer.technician) & pl.lit(bool(viewer.technician))
    known = pl.col("technician").is_not_null() & (pl.col("technician") != "")
    name_shown = (
        pl.when(known & ~own).then(pl.lit(OTHERS)).otherwise(pl.col("technician")).alias("technician")
    )
    calls = [_own(own, column, frame.schema[column]) for column in CALLS if column in frame.columns]
    return frame.with_columns(name_shown, *calls)


def _own(own: pl.Expr, column: str, dtype: pl.DataType) -> pl.Expr:
    nothing = pl.lit([] if isinstance(dtype, pl.List) else None, dtype=dtype)
    return pl.when(own).then(pl.col(column)).otherwise(nothing).alias(column)


def _log(viewer: Viewer, frame: pl.DataFrame) -> pl.DataFrame:
    if not viewer.may(Right.SEE_LOG):
        return frame.clear()
    if viewer.may(Right.SEE_PEOPLE):
        return frame
    kept = frame.filter(~_about_people("subject"))
    hidden = [column for column in LOGGED if column in kept.columns]
    # a setting is about the shop and not about a person
    shop = pl.col("subject") == "setting"
    return kept.with_columns(pl.when(shop).then(pl.col(column)).alias(column) for column in hidden)


def _about_people(column: str) -> pl.Expr:
    return _table(pl.col(column)).is_in(ABOUT_PEOPLE)


def _table(subject: pl.Expr) -> pl.Expr:
    """A log row's subject without the ending of the table's file: forms and files log under the same name."""
    return subject.str.replace(r"\.(csv|xlsx)$", "")


def _typed(viewer: Viewer, frame: pl.DataFrame) -> pl.DataFrame:
    """What people typed: everybody's own; of others, for who may take it back or read the log, what is about nobody.

    Without names and contents where these are not theirs to see.
    """
    if viewer.may(Right.SEE_PEOPLE) and viewer.may(Right.SEE_NAMES) and viewer.may(Right.SEE_JOBS):
        return frame
    named = "subject" if "subject" in frame.columns else "name"
    subject, about_people = _table(pl.col(named)), _about_people(named)
    own = (pl.col("entered_by") == viewer.name) & pl.lit(bool(viewer.name))
    if not (viewer.may(Right.UNDO) or viewer.may(Right.SEE_LOG)):
        frame = frame.filter(own)
    kept = frame if viewer.may(Right.SEE_PEOPLE) else frame.filter(own | ~about_people)
    if viewer.may(Right.SEE_NAMES):
        told = [column for column in TYPED if column in kept.columns]
        money = pl.lit(viewer.may(Right.SEE_JOBS)) | (subject != "repair_orders")
        return kept.with_columns(pl.when(own | money).then(pl.col(column)).alias(column) for column in told)
    hidden = [column for column in TYPED if column in kept.columns]
    return kept.with_columns(
        pl.when(own).then(pl.col("entered_by")).otherwise(pl.lit(OTHERS)).alias("entered_by"),
        *(pl.when(own).then(pl.col(column)).alias(column) for column in hidden),
    )
