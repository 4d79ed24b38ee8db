"""The only place where the dashboard opens the warehouse, to read and to write.

Whatever is read is kept by the warehouse's stamp, which changes with every transaction that lands: a page
can never show rows of one version beside figures of another. Frames are results of cached functions here
and never their arguments (a frame's hash sees only part of it). They are kept as they are rather than
copied for each reader, because polars frames and our results are not changed in place.
"""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard.launch import WAREHOUSE_VARIABLE
from dashboard.shared import inert
from pipelines.errors import ShopspreadError
from pipelines.kinds import kind, kinds
from pipelines.reports.report import last_day
from pipelines.warehouse import decisions
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse, places
from pipelines.warehouse.waveforms import load
from pipelines.waveform import Waveform

KEPT = 48


def path() -> Path:
    """Where the warehouse stands."""
    return Path(os.environ.get(WAREHOUSE_VARIABLE) or DEFAULT_WAREHOUSE)


def warehouse() -> Warehouse:
    """The warehouse.

    Raises:
        WarehouseError: when there is none, or it is of a newer program, or in use for too long.
    """
    place = path()
    file = _database(place)
    return _opened(str(place), file.stat().st_ino if file.exists() else 0)


@st.cache_resource(max_entries=4, show_spinner=False)
def _opened(place: str, inode: int) -> Warehouse:  # noqa: ARG001  (a replaced file is looked at anew)
    # It holds no connection, only paths; kept, because looking at the schema opens the file once more.
    return Warehouse(Path(place))


def _database(place: Path) -> Path:
    return places(place)[0]


def exists() -> bool:
    """Whether there is a warehouse to read."""
    return _database(path()).exists()


def is_demo() -> bool:
    """Whether this is the invented demo shop: its builder leaves a marker in the warehouse folder."""
    return (_database(path()).parent / "demo.json").exists()


def stamp() -> str:
    """Changes whenever a transaction has landed or the file was replaced; empty without a warehouse."""
    if not exists():
        return ""
    house = warehouse()
    return f"{house.path.resolve()}|{house.database.stat().st_ino}|{house.version()}"


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _frame(stamp: str, name: str, parameters: tuple[tuple[str, Any], ...]) -> pl.DataFrame:  # noqa: ARG001
    return warehouse().frame(name, dict(parameters))


@st.cache_resource(max_entries=4, show_spinner=False)
def _all_frames(stamp: str, names: tuple[str, ...]) -> dict[str, pl.DataFrame]:  # noqa: ARG001
    return warehouse().frames(names)


def fit_stamp(stamp: str) -> str:
    """Changes with every fit, and not with decisions or coaching sessions in between."""
    found = _frame(stamp, "last_fit", ())
    return f"{stamp.rpartition('|')[0]}|fit {found['fit_id'][0] if found.height else 0}"


def work_stamp(stamp: str) -> str:
    """Changes when captures, orders, outcomes, coaching or settings do, and not when a threshold is set.

    The figures about people take seconds; a decision on a threshold must not make anybody wait for them.
    """
    return f"{stamp.rpartition('|')[0]}|log {_frame(stamp, 'last_log', ())['log_id'][0]}"


# One connection reads all of them, so that they are of one version.
SHARED = (
    "captures",
    "cylinders",
    "cylinder_scores",
    "checks",
    "families",
    "orders",
    "outcomes",
    "technicians",
    "drills",
    "coaching",
    "scores",
    "features",
    "family_stats",
    "family_patterns",
    "thresholds",
    "thresholds_in_force",
    "settings",
)


def frames(stamp: str) -> dict[str, pl.DataFrame]:
    """Every shared frame by name, all of the warehouse version the stamp stands for."""
    return _all_frames(stamp, SHARED)


@st.cache_resource(max_entries=4, show_spinner=False)
def _active_names(stamp: str) -> tuple[str, ...]:
    return inert.active_names(frames(stamp).values())


def active_names(stamp: str) -> tuple[str, ...]:
    """Names in the warehouse that Markdown would act on, so that the pages show them as written."""
    return _active_names(stamp) if stamp else ()


def frame(stamp: str, name: str, **parameters: Any) -> pl.DataFrame:
    """One frame that depends on parameters, such as the events of one capture."""
    return _frame(stamp, name, tuple(sorted(parameters.items())))


@st.cache_resource(max_entries=8, show_spinner=False)
def _waveform(stamp: str, capture_file: str) -> Waveform | None:
    found = _frame(stamp, "waveform_of", (("capture_file", capture_file),))
    if found.is_empty() or found["waveform_sha256"][0] is None:
        return None
    return load(warehouse().waveforms, found["waveform_sha256"][0])


def waveform(stamp: str, capture_file: str) -> Waveform | None:
    """The kept copy of a capture's waveform, or None where no file was ever read.

    Raises:
        UnreadableFile: when the copy is missing or damaged.
    """
    return _waveform(stamp, capture_file)


@st.cache_resource(max_entries=4, show_spinner=False)
def _settings(stamp: str) -> dict[str, Any]:  # noqa: ARG001
    return decisions.read_settings(warehouse())


def settings(stamp: str) -> dict[str, Any]:
    """The shop's settings by name, with the default where nothing was decided."""
    return _settings(stamp)


def newest_day(stamp: str) -> dt.date:
    """The newest day on record: nothing is known of the shop after it. Today in an empty warehouse."""
    return last_day(_frame(stamp, "last_day", ()))


def cautions(test: str) -> tuple[str, ...]:
    """What to mind when that test is hooked up; of every test where it is not known."""
    known = kind(test)
    if known is not None:
        return known.cautions
    return tuple(sentence for other in kinds().values() for sentence in other.cautions)


def tests() -> list[str]:
    """Every test there is a reader for, by name."""
    return sorted(kinds())


def title(test: str) -> str:
    """A test's title in words."""
    known = kind(test)
    return known.title if known is not None else test.replace("_", " ")


def set_threshold(
    engine_family: str, threshold_pct: float, *, set_by: str, reason: str, seen_version: int
) -> int:
    """Write a new threshold version; see `pipelines.warehouse.decisions.set_threshold`.

    Raises:
        ThresholdConflict: when somebody else saved first.
        ShopspreadError: when name, reason or value are missing or senseless.
    """
    return decisions.set_threshold(
        warehouse(), engine_family, threshold_pct, set_by=set_by, reason=reason, seen_version=seen_version
    )


def set_setting(name: str, value: Any, *, set_by: str) -> None:
    """Change one of the shop's settings; the old value stays in the log.

    Raises:
        ShopspreadError: when the value may not stand, or nobody is named.
    """
    if not set_by.strip():
        raise ShopspreadError("Say who decides this; the name is kept with the change.")
    decisions.set_setting(warehouse(), name, value, set_by=set_by)


def log_coaching(technician: str, held_on: dt.date, topic: str, test: str | None) -> str:
    """Note that a coaching session was held; returns its key.

    Raises:
        ShopspreadError: when the technician or the topic is not known.
    """
    return decisions.log_coaching(warehouse(), technician=technician, held_on=held_on, topic=topic, test=test)


def fit_again() -> None:
    """Recompute spread and proposals, after a setting that they depend on has changed."""
    from pipelines.fit.run import fit_warehouse

    fit_warehouse(warehouse())


def coaching_topics() -> tuple[str, ...]:
    """What a coaching session can be about."""
    return decisions.COACHING_TOPICS
