"""What the person who looks is shown in the place of names; kept by the warehouse's stamp and the person's sight.

`dashboard.data` hands in how it reads: nothing is opened here.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import polars as pl
import streamlit as st

from dashboard.launch import accounts_of
from pipelines.access.hiding import OTHERS, Hiding, OnRecord
from pipelines.access.roles import Right, Viewer

KEPT = 64
Result = TypeVar("Result")
Read = Callable[[str], pl.DataFrame]
NOTHING = Hiding()
HIDDEN_NAME = OTHERS
"""What a page finds where a name is hidden; it can be chosen nowhere."""


def hiding(stamp: str, viewer: Viewer, read: Read, warehouse: Path) -> Hiding:
    """What is hidden from somebody, in the names of files, in columns and in texts.

    Args:
        read: a frame by its name. warehouse: where it stands; whoever signs in is on record beside it.
    """
    if viewer.may(Right.SEE_NAMES) or not stamp:
        return NOTHING
    return _hiding(stamp, viewer.sight, viewer, read, warehouse)


@st.cache_resource(max_entries=2, show_spinner=False)
def _known(stamp: str, _read: Read, _warehouse: Path) -> OnRecord:
    del stamp  # the key
    named, accounts = _read("names_on_record"), accounts_of(_warehouse)
    return OnRecord(
        files=_read("whose_captures"),
        technicians=frozenset(named.filter("works")["name"]),
        people=frozenset({*named["name"], *(one.name for one in accounts.listing())}),
        secret=accounts.secret(),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _hiding(stamp: str, sight: str, _viewer: Viewer, _read: Read, _warehouse: Path) -> Hiding:
    del sight  # the key, with the stamp
    return Hiding.of(_viewer, _known(stamp, _read, _warehouse))


def result(
    stamp: str, what: tuple[Any, ...], viewer: Viewer, hides: Hiding, found: Callable[[], Result]
) -> Result:
    """A result of all records, its frames with the names of files as that person may see them.

    Args:
        what: names the result. found: gives it.
    """
    if not hides.active:
        return found()
    shown: Result = _result(stamp, what, viewer.sight, hides, found)
    return shown


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _result(stamp: str, what: tuple[Any, ...], sight: str, _hides: Hiding, _found: Callable[[], Any]) -> Any:
    del stamp, what, sight  # the key
    return _hides.result(_found())


KEEPS = (_known, _hiding, _result)
"""What is kept of a version of the warehouse, to be let go of when there is another."""
