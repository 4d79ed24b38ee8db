"""The manager's page: is the scope used, and do scoped jobs come back less."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import chart as shared
from dashboard.shared import filters, go, notices, parts, people, words
from dashboard.views.shop import answer as answers
from dashboard.views.shop import chart as charts
from dashboard.views.shop import method as method_answers

stamp: str = st.session_state["stamp"]
chosen = filters.sidebar(stamp, ("as_of",))

st.title("Scope use and comebacks")
st.caption(f"All records up to {words.day(chosen.as_of)}. Jobs are repair orders where the scope could help.")
work = data.work_stamp(stamp)
settings = data.settings(stamp)
currency = settings["currency"]
use = people.scope_use(work, chosen.as_of)
back = people.returns(work, chosen.as_of)
jobs = people.jobs(work, chosen.as_of)
parts.answers(
    [
        answers.use_answer(use, chosen.as_of),
        answers.comeback_answer(back, jobs, chosen.as_of),
        answers.cost_answer(back, jobs, chosen.as_of, settings["labour_rate_per_h"], currency),
    ]
)
st.caption("Click a dot, a bar or a row on any page to see what is behind it.")

st.header("Is the scope used?")
left, right = st.columns(2)
with left:
    st.subheader("Share of eligible jobs, by week")
    weekly = answers.weekly_rows(use, chosen.as_of)
    if weekly.is_empty():
        notices.too_little(
            "No eligible job is closed yet. Mark jobs with scope_eligible in repair_orders.csv."
        )
    else:
        parts.chart(
            charts.use_by_week(weekly), key="use", says=answers.use_sentence(weekly), rows=weekly.drop("monday"),
            opens=lambda mark: go.jobs("counted", week=mark["monday"]),
        )  # fmt: skip
        st.caption(
            "Line and band: the last four weeks together, with 95 % interval. Dots: single weeks that are over."
        )
with right:
    st.subheader("Paid work and practice, apart")
    practice = answers.practice_rows(use, chosen.as_of)
    if practice.is_empty():
        notices.too_little("No capture has been taken in a week that is over.")
    else:
        parts.chart(
            charts.practice_by_week(practice), key="practice", says=answers.practice_sentence(practice),
            rows=practice.drop("monday"), opens=lambda mark: go.week(mark["monday"]),
        )  # fmt: skip
        st.caption("Drills are practice and never count as use on a job. Weeks that are over.")
left, right = st.columns(2)
with left:
    st.subheader("By technician, on the same mix of jobs")
    people_rows = answers.people_rows(use)
    if people_rows.is_empty():
        notices.too_little(
            "No technician to show: none is on record yet, or theirs are not your figures to see."
        )
    else:
        what = "Jobs scoped, of the shop's mix"
        parts.chart(
            shared.intervals(
                people_rows, "share_pct", what, "%", along="Technician",
                colour=charts.GROUPS["scoped"], raw="raw_pct", raw_word="as it is", picks="technician",
            ),
            key="people", says=words.gist(people_rows, "share_pct", what, "%"),
            rows=people_rows.drop("technician", "n"),
            opens=lambda mark: go.jobs("counted", technician=mark["technician"]),
        )  # fmt: skip
        st.caption(
            "In order of name. Dot and bar: the share each would scope of the shop's own mix of jobs, with its "
            "95 % interval; the upright stroke is the plain share of their own jobs, n beside the name."
        )
with right:
    st.subheader("By test")
    by_test = answers.test_rows(use)
    event = parts.table(
        by_test, on_select="rerun", selection_mode="single-row", key="by_test",
        row_height=parts.TWO_LINES,
        column_config={
            "test": st.column_config.TextColumn("test", width=140),
            "paid": st.column_config.NumberColumn("paid work", width=70),
            "practice": st.column_config.NumberColumn("practice", width=62),
            "unusable": st.column_config.NumberColumn("unusable", width=65),
        },
    )  # fmt: skip
    parts.open_row(event, use.by_test["test"].to_list(), go.captures_of_test, key="by_test_open")

st.header("Do scoped jobs come back less?")
left, right = st.columns(2)
with left:
    st.subheader(f"Back within {back.window_days} days, as the jobs are")
    curves = answers.curve_rows(back)
    if curves.is_empty():
        notices.too_little("No eligible job is closed yet, so nothing can have come back.")
    else:
        parts.chart(
            charts.incidence(curves, back.window_days), key="incidence", says=answers.incidence_sentence(back),
            rows=curves, opens=lambda mark: go.jobs(answers.listing_of(mark["group"])),
        )  # fmt: skip
        st.caption(
            f"Scoped: {words.share(back.crude.scoped.risk, digits=1)}. Not scoped: "
            f"{words.share(back.crude.not_scoped.risk, digits=1)}. A job closed a few days ago counts only for "
            "the days it has been watched."
        )
        parts.job_buttons(answers.BACK_LISTS, key="curves")
with right:
    st.subheader("Scoped against not scoped, like for like")
    gaps = answers.differences(back)
    if gaps.is_empty():
        notices.too_little(words.points(back.adjusted.risk_difference))
    else:
        what = "Difference in comebacks"
        parts.chart(
            shared.intervals(
                gaps, "points", what, "percentage points", along="Comparison", zero=True,
                colour=charts.GROUPS["scoped"], picks="name",
            ),
            key="gaps", says=words.gist(gaps, "points", what, "percentage points"), rows=gaps,
            opens=lambda _: go.jobs("came back"),
        )  # fmt: skip
        st.markdown(
            "Left of the line: fewer came back when scoped. "
            f"As they are: {words.points(back.crude.risk_difference)}. Like for like: "
            f"{words.points(back.adjusted.risk_difference)}. Before and after technicians started to scope: "
            f"{words.points(back.stepped.difference)}."
        )
    st.caption(back.adjusted.caution)
method = st.expander(words.METHOD, key="method", on_change="rerun")
if method.open:
    with method:
        st.markdown(f"{back.adjusted.method}. Shares come back by day: Kaplan-Meier.")
        strength = method_answers.e_value_sentence(back)
        if strength:
            st.markdown(strength)
        overlap = method_answers.overlap(back)
        if overlap.height:
            st.subheader("Do the two groups overlap?")
            said = f"{words.percent(back.adjusted.comparable)} of the jobs had a real chance of either (5 to 95 %)."
            parts.chart(
                charts.overlap(overlap), key="overlap", says=f"Jobs by their chance of being scoped. {said}",
                rows=overlap, opens=lambda mark: go.jobs(mark["group"]),
            )  # fmt: skip
            st.caption(f"{said} Where one side is missing, there is nothing to compare.")
        if back.adjusted.by_method.height:
            st.subheader("The same by other roads")
            parts.table(method_answers.method_table(back))

left, right = st.columns(2)
with left:
    st.subheader("By how good the call was")
    quality = answers.quality_rows(back)
    if quality.is_empty():
        notices.too_little("No eligible job is closed yet.")
    else:
        what = f"Came back within {back.window_days} days"
        parts.chart(
            shared.intervals(
                quality, "risk_pct", what, "% of jobs", along="Capture on the job",
                sort=quality["name"].to_list(), picks="quality",
            ),
            key="quality", says=words.gist(quality, "risk_pct", what, "% of jobs"),
            rows=quality.drop("verdict", "name"),
            opens=lambda mark: go.jobs(answers.listing_of(mark["quality"])),
        )  # fmt: skip
        st.caption(
            "Calls are judged by confirmed outcomes, which are often noted just when a job comes back; so these "
            "groups differ in more than the call."
        )
with right:
    st.subheader("Before and after each technician began to scope")
    steps = answers.stepped_rows(back)
    if steps.is_empty():
        notices.too_little(
            "Nobody to show: nobody has scoped a job yet, or theirs are not your figures to see."
        )
    else:
        what = "Change in comebacks after starting"
        parts.chart(
            shared.intervals(
                steps, "points", what, "percentage points", along="Technician", zero=True,
                colour=charts.GROUPS["scoped"], picks="technician",
            ),
            key="steps", says=words.gist(steps, "points", what, "percentage points"), rows=steps.drop("technician"),
            opens=lambda mark: go.jobs("came back", technician=mark["technician"]),
        )  # fmt: skip
        st.caption(f"All together, allowing for person and season: {words.points(back.stepped.difference)}.")
st.subheader("What comebacks took")
event = parts.table(
    answers.money_table(back, currency), on_select="rerun", selection_mode="single-row", key="money"
)
parts.open_row(event, [answers.listing_of(group) for group in back.cost["group"]], go.jobs, key="money_open")
st.subheader("Parts fitted and returned")
event = parts.table(
    answers.parts_table(back, currency), on_select="rerun", selection_mode="single-row", key="parts_back"
)
parts.open_row(event, [f"parts back {group}" for group in back.parts["group"]], go.jobs, key="parts_open")
st.caption("Totals as they are, not like for like.")
