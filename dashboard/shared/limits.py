"""What limits find and how a measure stands against the gauge, as the fit stored it for whoever may see everything."""

from __future__ import annotations

import streamlit as st

from dashboard import access, data
from pipelines.fit.figures import load_limit_figure
from pipelines.fit.limits import LimitFigure


@st.cache_resource(max_entries=12, show_spinner=False)
def _stored(stamp: str, what: str, test: str, measure: str) -> list[LimitFigure]:  # noqa: ARG001
    return load_limit_figure(data.warehouse(), what, test, measure)


def stored(stamp: str, what: str, test: str, measure: str) -> list[LimitFigure]:
    """What the fit stored, alone in a list; empty where it has to be worked out for this person and version.

    Args:
        what: `pipelines.fit.limits.CURVES` or `GAUGE`.
    """
    # who is shown less than everything has figures of what they are shown
    return _stored(stamp, what, test, measure) if access.present().all_rights else []
