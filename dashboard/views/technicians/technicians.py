"""The trainer's page: who may need a hand, in what, on what evidence, and what followed coaching."""

from __future__ import annotations

import streamlit as st

from dashboard import data, writing
from dashboard.documents import sheet
from dashboard.shared import chart as shared
from dashboard.shared import filters, go, notices, parts, people, skills, words
from dashboard.shared import who as who_writes
from dashboard.shared.pages import PEOPLE_PARTS as TABS
from dashboard.views.technicians import answer as answers
from dashboard.views.technicians import chart as charts
from dashboard.views.technicians import next_up
from pipelines.errors import ShopspreadError

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(stamp, ("as_of", "technician"))

st.title("Technicians and coaching")
st.caption(
    f"All records up to {words.day(chosen.as_of)}. These figures are for coaching: each stands with its n and its "
    "95 % interval, people stand in order of name, and nobody is ranked."
)
work = data.work_stamp(stamp)
everybody = people.skills(work, chosen.as_of)
if not everybody:
    notices.too_little("No technician is on record yet: add technicians.csv, or captures with a technician.")
    go.end()
found = people.coaching_list(work, chosen.as_of)
shown = filters.tabs(list(TABS), "kept_people_tab")

if shown == TABS[0]:
    next_up.own_pages([skill.technician for skill in everybody])
    if not found.items:
        notices.fine(answers.quiet_sentence(found, own_work=people.own_work_only()))
    for item in found.items:
        with st.container(border=True):
            st.header(answers.item_heading(item))
            st.markdown(f"{skills.item_evidence(item)} {answers.item_since(item)}")
            left, right = st.columns([3, 2])
            with left:
                drawn = people.chart_points(found, item.technician, item.topic)
                parts.chart(
                    charts.alarm(drawn), key=f"alarm_{item.technician}_{item.topic}",
                    says=answers.alarm_sentence(item, drawn), rows=drawn.drop("technician", "topic"),
                    opens=answers.week_of(item.technician),
                )  # fmt: skip
            with right:
                if item.captures:
                    st.markdown("**Sit down together over**")
                for capture_file in item.captures:
                    parts.open_capture(capture_file, key=f"{item.technician}_{item.topic}_{capture_file}")
                if item.orders:
                    st.markdown("**Jobs to talk about**")
                for order in item.orders:
                    if st.button(f"Job {order}", key=f"{item.technician}_{item.topic}_job_{order}"):
                        go.job(order)
                if st.button(
                    "Log a session about this", key=f"log_{item.technician}_{item.topic}", type="primary"
                ):
                    next_up.log_session(item)
    st.caption(
        f"{found.note} The dashed line is the alarm limit; after a coaching session a chart starts anew."
        + answers.unwatched_sentence(found)
    )

    with st.expander("How soon this list would find somebody"):
        for sentence in people.delay_sentences(work, chosen.as_of):
            st.markdown(f"- {sentence}")

    past = answers.past_table(found)
    if past.height:
        with st.expander("Earlier alarms, which have ended or were answered by a session"):
            parts.table(past)

if shown == TABS[1]:
    if st.session_state.get("kept_measure") not in skills.FUNNELS:
        st.session_state["kept_measure"] = "usable"
    measure = st.segmented_control(
        "Show", list(skills.FUNNELS), format_func=skills.FUNNELS.__getitem__, key="kept_measure"
    )
    funnel = people.funnel_of(work, chosen.as_of, measure or "usable")
    word = skills.FUNNELS[measure or "usable"]
    if funnel.points.is_empty():
        notices.too_little(f"Nothing to count for {word} yet.")
    else:
        points, limits = answers.funnel_rows(funnel)
        sentence = answers.funnel_sentence(funnel, word)
        parts.chart(
            charts.funnel(points, limits, answers.shop_pct(funnel), word), key="funnel",
            says=answers.funnel_alt(points, sentence), rows=points.drop("verdict").sort("technician"),
            opens=lambda mark: go.technician(mark["technician"]),
        )  # fmt: skip
        st.markdown(sentence)
        st.caption(
            "Inner and outer band: where 95 and 99.9 of 100 ordinary technicians would lie with that n. A point "
            "far to the left rests on little and says little. Plain shares "
            "here; in the table they are drawn towards the shop's (in brackets: 95 % interval and n)."
        )
        if measure == "calls":
            st.caption(skills.CONFIRMED_ALONE)
    event = parts.table(
        answers.everybody(everybody), on_select="rerun", selection_mode="single-row", key="everybody"
    )
    parts.open_row(event, [skill.technician for skill in everybody], go.technician, key="everybody_open")

if shown == TABS[2]:
    names = [skill.technician for skill in everybody]
    name = chosen.technician or filters.pick("Technician", "kept_technician", names) or names[0]
    skill = answers.of(everybody, name)
    if skill is None:
        notices.too_little(f"{name} has no capture up to this day.")
    else:
        sessions, _ = people.sessions(work, chosen.as_of)
        coached = answers.coached_days(sessions, name)
        if skill.too_little:
            notices.too_little(
                f"{name} has {words.plural(skill.captures, 'capture')}: too little to say anything about skill."
            )
        st.header(name)
        st.markdown(
            f"Started {words.day(skill.started_on)}. {words.plural(skill.captures, 'capture')}, "
            f"{skill.practice} of them practice. {skills.drills_sentence(skill)}"
        )
        page = sheet.gather(skill, found, frames, chosen.as_of, coached)
        next_up.draw(stamp, page, found, chosen.as_of)
        st.subheader("Figures")
        parts.static(answers.lines_table(skill))
        st.caption("Shares are drawn towards the shop's, the more so the smaller n is.")
        with st.container(horizontal=True):
            if st.button("Their captures", icon=":material/show_chart:"):
                go.captures_of_technician(name)
            if st.button("Their jobs", icon=":material/list:"):
                go.jobs("counted", technician=name)
            if st.button("Their jobs that came back", icon=":material/sync:"):
                go.jobs("came back", technician=name)
        method = st.expander(words.METHOD, key="method_skill", on_change="rerun")
        if method.open:
            with method:
                for sentence in answers.method_lines(skill):
                    st.markdown(f"- {sentence}")
        left, right = st.columns(2)
        with left:
            st.subheader("Usable captures over time")
            usable = skills.curve_rows(skill.usable_by_week)
            if usable.height:
                parts.chart(
                    shared.trend(usable, "Usable captures", coached), key="usable", rows=usable.drop("monday"),
                    says=answers.trend_sentence(
                        "Usable captures", usable, name, words.points(skill.usable_per_month)
                    ),
                    opens=lambda mark: go.week(mark["monday"], technician=name),
                )  # fmt: skip
                st.caption(
                    f"Change a month: {words.points(skill.usable_per_month)}. Line and band: trend, 95 %."
                )
            else:
                notices.too_little("No capture yet, so there is no trend.")
        with right:
            st.subheader("Right calls over time")
            calls = skills.curve_rows(skill.calls_by_week)
            if calls.height:
                parts.chart(
                    shared.trend(calls, "Right calls", coached), key="calls", rows=calls.drop("monday"),
                    says=answers.trend_sentence("Right calls", calls, name, words.points(skill.calls_per_month)),
                    opens=lambda mark: go.week(mark["monday"], technician=name),
                )  # fmt: skip
                st.caption(
                    f"Change a month: {words.points(skill.calls_per_month)}. Only calls that an outcome has judged."
                )
            else:
                notices.too_little("No call has been judged by an outcome yet.")
        left, right = st.columns(2)
        with left:
            st.subheader("Practice")
            practice = answers.drill_rows(skill, chosen.as_of)
            if practice.height:
                parts.chart(
                    charts.drills(practice), key="drills", says=answers.drills_alt(practice, name),
                    rows=practice.drop("monday"), opens=lambda mark: go.week(mark["monday"], technician=name),
                )  # fmt: skip
                st.caption("The dark tick is what was asked for that week.")
            else:
                st.markdown("No drills yet.")
        with right:
            st.subheader("Same hookup every time")
            parts.static(answers.hookup_table(skill))
            st.subheader("Setup checks that fail")
            if skill.failing_checks.is_empty():
                st.markdown("None failed.")
            else:
                parts.static(answers.checks_table(skill))
        left, right = st.columns(2)
        left.download_button(
            "One-page sheet to print (HTML)", lambda: sheet.html(page), file_name=sheet.file_name(page, "html"),
            mime="text/html", icon=":material/print:", on_click="ignore",
        )  # fmt: skip
        right.download_button(
            "One-page sheet (PDF)", lambda: sheet.pdf(page), file_name=sheet.file_name(page, "pdf"),
            mime="application/pdf", icon=":material/picture_as_pdf:", on_click="ignore",
        )  # fmt: skip

if shown == TABS[3]:
    st.header("Log a coaching session")
    if not who_writes.refused(who_writes.COACH):
        with st.form("coaching"):
            left, middle, right = st.columns(3)
            who = left.selectbox("Technician", [skill.technician for skill in everybody], key="coaching_who")
            when = middle.date_input("Held on", chosen.as_of, key="coaching_day")
            topic = right.selectbox(
                "Topic",
                writing.coaching_topics(),
                format_func=lambda t: skills.TOPIC_WORDS.get(t, t),
                key="coaching_topic",
            )
            note = st.text_area("What was agreed", key="coaching_note", max_chars=900, height=80)
            name_given = who_writes.ask("coaching")
            if st.form_submit_button("Log this session", icon=":material/edit_note:"):
                try:
                    writing.log_coaching(who, when, topic, chosen.test, note, by=name_given)
                    who_writes.remember(name_given)
                    st.toast(f"Logged: {who}, {skills.TOPIC_WORDS.get(topic, topic)}, {words.day(when)}.")
                    st.rerun()
                except ShopspreadError as error:
                    notices.trouble(str(error))
    st.header("Before and after each session")
    sessions, effect = people.sessions(work, chosen.as_of)
    if not sessions:
        notices.too_little("No coaching session is logged yet.")
    else:
        rows, what, unit = answers.session_rows(sessions), "Change in trouble", "percentage points"
        whose = answers.session_people(sessions)
        parts.chart(
            shared.intervals(rows, "points", what, unit, along="Session", zero=True, picks="name"),
            key="sessions", says=words.gist(rows, "points", what, unit), rows=rows,
            opens=lambda mark: go.technician(whose[mark["name"]]),
        )  # fmt: skip
        for one in sessions:
            st.markdown(f"- {one.sentence}")
        st.caption(
            f"Left of the line: less trouble after the session. "
            "All sessions together, odds of trouble after as a multiple of before: "
            f"{words.figure(effect.odds_ratio, '', digits=2)}. Below 1 is less trouble."
        )
