"""The shops in a person's sight beside each other, as the fit stored it, or worked out where they see a share."""

from __future__ import annotations

import streamlit as st

from dashboard import access, data, shops
from models.shops.beside import ShopsBeside
from pipelines.access.roles import Right
from pipelines.reports.report import BESIDE_FRAMES, beside_of, load_beside, load_figures

LIMITS_POOLED = (
    "How often an odd one is found, how many of those in question are odd and how much a confirmed one counts is "
    "learnt from the captures of all shops together, and gives way to a group's own as they are confirmed; what a "
    "limit flags for nothing rests on the group's own healthy ones. 'The whole shop' in a reason means all shops."
)
OTHER_COSTS = (
    "At costs that are not the kept ones it is weighed on the captures of the shop that is shown alone."
)
FOREST_POOLED = (
    "Where a group has few captures, it is compared with the captures of all shops, each group on its own "
    "scale."
)
"""What several shops learn together, beside the normal spread, which says its own shares."""


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
