"""What of the warehouse's text Markdown would act on."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import inert

WRITTEN = (
    "captures", "checks", "orders", "outcomes", "technicians", "drills", "coaching", "families", "thresholds",
)  # fmt: skip
"""Frames with text that people wrote."""


@st.cache_resource(max_entries=4, show_spinner=False)
def _on_record(stamp: str) -> tuple[str, ...]:
    money = pl.DataFrame({"currency": [data.settings(stamp)["currency"]]})
    return inert.active_names([*(data.Frames(stamp)[name] for name in WRITTEN), money])


def active(stamp: str) -> tuple[str, ...]:
    """Names in the warehouse that Markdown would act on, so that the pages show them as written; the longest first."""
    if not stamp:
        return ()
    names, hides = _on_record(stamp), data.hiding(stamp)
    if not hides.active:
        return names
    # what is left of a text when names are taken out of it is shown as written, too
    return tuple(sorted({*names, *map(hides.text, names)}, key=lambda text: (-len(text), text)))
