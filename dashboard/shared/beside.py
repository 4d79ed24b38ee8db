"""The shops in a person's sight beside each other, as the fit stored it, or worked out where they see a share."""

from __future__ import annotations

import streamlit as st

from dashboard import access, data, shops
from models.shops.beside import ShopsBeside
from pipelines.access.roles import Right
from pipelines.reports.report import BESIDE_FRAMES, beside_of, load_beside, load_figures


@st.cache_resource(max_entries=4, show_spinner="Setting the shops beside each other")
def _beside(stamp: str) -> ShopsBeside:
    sight = shops.shown(stamp) or ()
    if set(sight) == set(data.known_shops(stamp)) and (stored := load_beside(data.warehouse())) is not None:
        return stored
    used: dict[str, tuple[int, int]] = {}
    for shop in sight:
        figures = load_figures(data.warehouse(), charts=False, shop=shop)
        used[shop] = (0, 0) if figures is None else (figures.adoption.eligible, figures.adoption.scoped)
    frames = {name: data.rows(stamp, name) for name in BESIDE_FRAMES}
    return beside_of(frames, used, data.newest_day(stamp))


def shows_jobs() -> bool:
    """Whether whoever looks sees the use of the scope on jobs."""
    return access.present().may(Right.SEE_JOBS)


def beside() -> ShopsBeside:
    """The shops in the person's sight; nobody stands in it."""
    return _beside(data.group_stamp())
