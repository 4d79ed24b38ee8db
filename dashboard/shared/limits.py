"""What limits find and how a measure stands against the gauge, as the fit stored it for whoever may see everything."""

from __future__ import annotations

import streamlit as st

from dashboard import access, data
from models.thresholds.curves import ThresholdCurves
from models.thresholds.gauge import GaugeCheck
from pipelines.reports.report import CURVES, GAUGE, LimitFigure, load_limit_figure


@st.cache_resource(max_entries=12, show_spinner=False)
def _stored(stamp: str, what: str, test: str, measure: str) -> list[LimitFigure]:
    return load_limit_figure(data.warehouse(), what, test, measure, data.shop_shown(stamp))


def _found(stamp: str, what: str, test: str, measure: str) -> list[LimitFigure]:
    # who is shown less than everything has figures of what they are shown
    return _stored(stamp, what, test, measure) if access.present().all_rights else []


def curves(stamp: str, test: str, measure: str) -> ThresholdCurves | None:
    """The stored curves; None where they have to be worked out for this person and version."""
    found = _found(stamp, CURVES, test, measure)
    return found[0] if found and isinstance(found[0], ThresholdCurves) else None


def gauge(stamp: str, test: str, measure: str) -> list[GaugeCheck | None]:
    """The stored gauge check alone in a list, which may be None; empty where it has to be worked out."""
    found = _found(stamp, GAUGE, test, measure)
    return [one for one in found if one is None or isinstance(one, GaugeCheck)]
