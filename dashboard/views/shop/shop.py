"""The manager's page: is the scope used, and do scoped jobs come back less."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import chart as shared
from dashboard.shared import filters, notices, parts, people, words
from dashboard.views.shop import answer as answers
from dashboard.views.shop import chart as charts

stamp: str = st.session_state["stamp"]
chosen = filters.sidebar(stamp, ("as_of",))

st.title("Scope use and comebacks")
st.caption(f"All records up to {words.day(chosen.as_of)}. Jobs are repair orders where the scope could help.")
work = data.work_stamp(stamp)
use = people.scope_use(work, chosen.as_of)
back = people.returns(work, chosen.as_of)
parts.answers(
    [
        answers.use_answer(use, chosen.as_of),
        answers.comeback_answer(back),
        answers.cost_answer(back, data.settings(stamp)["labour_rate_per_h"]),
    ]
)
st.caption(back.adjusted.caution)

st.header("Is the scope used?")
left, right = st.columns(2)
with left:
    st.subheader("Share of eligible jobs, by week")
    weekly = answers.weekly_rows(use)
    if weekly.is_empty():
        notices.too_little(
            "No eligible job is closed yet. Mark jobs with scope_eligible in repair_orders.csv."
        )
    else:
        parts.chart(charts.use_by_week(weekly))
        st.caption("Line and band: the last four weeks together, with 95 % interval. Dots: single weeks.")
with right:
    st.subheader("Paid work and practice, apart")
    practice = answers.practice_rows(use)
    if practice.is_empty():
        notices.too_little("No capture has been taken yet.")
    else:
        parts.chart(charts.practice_by_week(practice))
        st.caption("Drills are practice and never count as use on a job.")
left, right = st.columns([3, 2])
with left:
    st.subheader("By technician, on the same mix of jobs")
    people_rows = answers.people_rows(use)
    if people_rows.is_empty():
        notices.too_little("No technician is on record yet.")
    else:
        parts.chart(
            shared.intervals(
                people_rows, "share_pct", "Jobs scoped, of the shop's mix", "%", along="Technician",
                colour=charts.GROUPS["scoped"], raw="raw_pct", raw_word="as it is",
            )
        )  # fmt: skip
        st.caption(
            "In order of name. Dot and bar: the share each would scope of the shop's own mix of jobs, with its "
            "95 % interval; the upright stroke is the plain share of their own jobs, n beside the name."
        )
with right:
    st.subheader("By test")
    parts.table(
        answers.test_rows(use),
        column_config={
            "paid": st.column_config.NumberColumn("on paid work"),
            "unusable": st.column_config.NumberColumn("unusable"),
        },
    )

st.header("Do scoped jobs come back less?")
left, right = st.columns(2)
with left:
    st.subheader(f"Back within {back.window_days} days, as the jobs are")
    curves = answers.curve_rows(back)
    if curves.is_empty():
        notices.too_little("No eligible job is closed yet, so nothing can have come back.")
    else:
        parts.chart(charts.incidence(curves, back.window_days))
        st.caption(
            f"Scoped: {words.share(back.crude.scoped.risk, digits=1)}. Not scoped: "
            f"{words.share(back.crude.not_scoped.risk, digits=1)}. A job closed a few days ago counts only for "
            "the days it has been watched (Kaplan-Meier)."
        )
with right:
    st.subheader("Scoped against not scoped, like for like")
    gaps = answers.differences(back)
    if gaps.is_empty():
        notices.too_little(words.points(back.adjusted.risk_difference))
    else:
        parts.chart(
            shared.intervals(
                gaps, "points", "Difference in comebacks",
                "percentage points", along="Comparison", zero=True, colour=charts.GROUPS["scoped"],
            )
        )  # fmt: skip
        st.markdown(
            "Left of the line: fewer came back when scoped. "
            f"As they are: {words.points(back.crude.risk_difference)}. Like for like: "
            f"{words.points(back.adjusted.risk_difference)}. Before and after technicians started to scope: "
            f"{words.points(back.stepped.difference)}."
        )
    st.caption(f"{back.adjusted.method}. Allowed for: {', '.join(back.adjusted.adjusted_for)}.")
with st.expander("How far can this be trusted?"):
    st.markdown(back.adjusted.caution)
    strength = answers.e_value_sentence(back)
    if strength:
        st.markdown(strength)
    overlap = answers.overlap(back)
    if overlap.height:
        st.subheader("Do the two groups overlap?")
        parts.chart(charts.overlap(overlap))
        st.caption(
            f"{words.percent(back.adjusted.comparable)} of the jobs had a real chance of either (5 to 95 %). "
            "Where one side is missing, there is nothing to compare."
        )
    if back.adjusted.by_method.height:
        st.subheader("The same by other roads")
        parts.table(answers.method_table(back))

left, right = st.columns(2)
with left:
    st.subheader("By how good the call was")
    quality = answers.quality_rows(back)
    if quality.is_empty():
        notices.too_little("No eligible job is closed yet.")
    else:
        parts.chart(
            shared.intervals(
                quality, "risk_pct", f"Came back within {back.window_days} days", "% of jobs",
                along="Capture on the job", sort=quality["name"].to_list(),
            )
        )  # fmt: skip
        st.caption(
            "Calls are judged by confirmed outcomes, which are often noted just when a job comes back; so these "
            "groups differ in more than the call."
        )
with right:
    st.subheader("Before and after each technician began to scope")
    steps = answers.stepped_rows(back)
    if steps.is_empty():
        notices.too_little("Nobody has scoped an eligible job yet.")
    else:
        parts.chart(
            shared.intervals(
                steps, "points", "Change in comebacks after starting", "percentage points",
                along="Technician", zero=True, colour=charts.GROUPS["scoped"],
            )
        )  # fmt: skip
        st.caption(f"All together, allowing for person and season: {words.points(back.stepped.difference)}.")
st.subheader("What comebacks took")
parts.table(answers.money_table(back))
st.subheader("Parts fitted and returned")
parts.table(answers.parts_table(back))
st.caption("Money is in the shop's own currency. Totals as they are, not like for like.")
