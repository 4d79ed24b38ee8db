"""The form for what was found on a job, wherever a page shows one of its captures."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st

from dashboard import writing
from dashboard.shared import notices, who
from pipelines.errors import ShopspreadError
from pipelines.kinds.base import Kind

METHODS = {
    "": "not noted",
    "gauge": "gauge",
    "leak_down": "leak-down test",
    "borescope": "borescope",
    "teardown": "taken apart",
    "repair_verified": "the repair cured it",
}


# 1 psi = 6.894757 kPa, 1 bar = 100 kPa (NIST SP 811, appendix B.8).
KPA = {"kPa": 1.0, "psi": 6.894757, "bar": 100.0}
MOST_GAUGED, IN_A_ROW = 12, 4


def form(row: dict[str, Any], known: Kind, elements: int) -> None:
    """Ask what was found on the job of a capture and write it.

    Args:
        row: of the `captures` frame, with a repair order. elements: how many alike elements there are.
    """
    if who.refused(who.ENTER):
        return
    job = row["repair_order"]
    with st.form(f"outcome_{job}_{known.name}"):
        st.markdown(f"**What was found on job {job}**")
        findings = known.wording.findings
        finding = st.radio(
            "Finding",
            list(findings),
            format_func=lambda name: findings[name][0].upper() + findings[name][1:],
            key=f"finding_{job}",
            index=None,
        )
        numbers = st.multiselect(
            f"Which {known.element.nouns}", list(range(1, elements + 1)), key=f"found_{job}"
        )
        left, right = st.columns(2)
        method = left.selectbox("How", list(METHODS), format_func=METHODS.__getitem__, key=f"how_{job}")
        day = right.date_input("On", value=_day(row), key=f"found_on_{job}")
        gauge: list[float | None] = []
        unit = "kPa"
        if "gauge" in known.wording.reference and elements <= MOST_GAUGED:
            st.caption("Gauge readings, where a gauge was used; all or none.")
            unit = st.selectbox("In", list(KPA), key=f"gauge_unit_{job}")
            for first in range(0, elements, IN_A_ROW):
                columns = st.columns(IN_A_ROW)
                for number in range(first, min(first + IN_A_ROW, elements)):
                    title = f"{known.element.noun.capitalize()} {number + 1}"
                    with columns[number - first]:
                        gauge.append(st.number_input(title, 0.0, None, None, key=f"gauge_{job}_{number}"))
        by = who.ask("outcome")
        if st.form_submit_button("Enter", icon=":material/check:"):
            _enter(
                row,
                known,
                {
                    "finding": finding,
                    "numbers": numbers,
                    "how": method,
                    "on": day,
                    "gauge": _gauge_cell(gauge, unit),
                },
                by,
            )


def _gauge_cell(values: list[float | None], unit: str) -> str:
    """Gauge readings as the table has them, in kPa; one that is left out stays out, and the table's check says so."""
    if all(value is None for value in values):
        return ""
    return ";".join("" if value is None else f"{value * KPA[unit]:.6g}" for value in values)


def _day(row: dict[str, Any]) -> dt.date:
    taken = row["captured_at"]
    return taken.date() if taken is not None else dt.date.today()


def _enter(row: dict[str, Any], known: Kind, typed: dict[str, Any], by: str) -> None:
    if not typed["finding"]:
        notices.trouble("Choose what was found.")
        return
    # At the end of the day, so that a capture of that day counts as made before it.
    cells = {
        "repair_order": row["repair_order"],
        "test": known.name,
        "finding": typed["finding"],
        "confirmed_elements": ";".join(str(number) for number in typed["numbers"]),
        "method": typed["how"],
        "gauge_kpa": typed["gauge"],
        "confirmed_at": f"{typed['on'].isoformat()}T23:59:00",
    }
    try:
        entered = writing.enter("outcomes", cells, by=by)
    except ShopspreadError as error:
        notices.trouble(str(error))
    else:
        who.remember(by)
        st.toast(" ".join([f"Entered for job {row['repair_order']}. {writing.TAKEN_IN}", *entered.notes]))
        st.rerun()
