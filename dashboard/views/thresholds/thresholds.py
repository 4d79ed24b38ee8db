"""Thresholds: from which X on an element is odd, what X costs, what it would have done, and who decided."""

from __future__ import annotations

import streamlit as st

from dashboard import data, writing
from dashboard.shared import beside, filters, go, notices, parts, words
from dashboard.shared import who as who_writes
from dashboard.views.thresholds import answer as answers
from dashboard.views.thresholds import chart as charts
from dashboard.views.thresholds import every
from pipelines.errors import ShopspreadError, ThresholdConflict

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
about = filters.subject(stamp)
filters.sidebar(stamp, ())

st.title("Thresholds")
st.caption(
    f"{about.kind.title}: from how far {words.stands(about.kind, about.measure)} a {about.kind.element.noun} counts as "
    f"odd, {about.group_noun} by {about.group_noun}, and what that costs."
)
if not about.groups:
    notices.too_little(about.none_yet)
    go.end()
limits_of_all = every.limits(frames, about)
st.header(f"Every {about.group_noun}")
event = parts.table(
    every.table(limits_of_all), on_select="rerun", selection_mode="multi-row", key="every_limit",
    column_config={
        "group": about.group_noun, "odd_from": st.column_config.NumberColumn("odd from, %", format="%.1f"),
        "proposed": st.column_config.NumberColumn("proposed, %", format="%.1f"),
        "apart": st.column_config.NumberColumn("apart, points", format="%+.1f"),
    },
)  # fmt: skip
ticked = parts.ticked(event)
if who_writes.may(who_writes.DECIDE):
    with st.expander(
        f"Put the proposals of the ticked rows in force ({len(ticked)})", icon=":material/done_all:"
    ):
        who_all = who_writes.ask("every_limit")
        why_all = st.text_input("The reason for all of them", key="why_all")
        if st.button("Accept the proposals", icon=":material/check:"):
            try:
                st.session_state["accepted"] = every.accept(
                    limits_of_all[ticked], about, who=who_all, why=why_all
                )
            except ShopspreadError as error:
                notices.trouble(str(error))
            else:
                who_writes.remember(who_all)
                st.rerun()
for sentence in st.session_state.pop("accepted", []):
    st.markdown(f"- {sentence}")

st.header(f"One {about.group_noun}")
name = filters.pick_group(about)
settings = data.settings(stamp)
money = words.money_unit(settings["currency"])
force = answers.in_force(frames, about, name)
st.info(answers.in_force_sentence(force, about), icon=":material/tune:")

left, right = st.columns(2)
for key, setting in (("kept_cost_miss", "cost_miss"), ("kept_cost_alarm", "cost_false_alarm")):
    if st.session_state.get(key) is None:
        st.session_state[key] = float(settings[setting])
cost_miss = left.number_input(
    f"What a missed {about.kind.element.odd} {about.kind.element.noun} costs",
    min_value=1.0, step=10.0, key="kept_cost_miss",
    help=f"In {money}: the comeback, the parts fitted in vain, the customer's trust.",
)  # fmt: skip
cost_alarm = right.number_input(
    f"What {about.kind.wording.reference} for nothing costs", min_value=1.0, step=10.0, key="kept_cost_alarm",
    help=f"In {money}: mostly labour. Kept costs are set on the page Intake and settings.",
)  # fmt: skip
for key, cost_shown, setting in (
    ("kept_miss", cost_miss, "cost_miss"),
    ("kept_false_alarm", cost_alarm, "cost_false_alarm"),
):
    # in the address where it is not the shop's own
    st.session_state[key] = None if cost_shown == float(settings[setting]) else cost_shown
proposal = answers.proposals(stamp, about, cost_miss, cost_alarm).get(name)
if proposal is None:
    notices.too_little("No threshold can be proposed before the first fit: run shopspread fit.")
    go.end()
st.markdown(answers.proposal_sentence(proposal))
if data.shop_shown(stamp) is not None:
    st.caption(f"{beside.LIMITS_POOLED} {beside.OTHER_COSTS}")
if proposal.needs_look:
    st.warning(proposal.needs_look, icon=":material/visibility:")

checked = answers.verification(stamp, about.test, about.measure.name, data.newest_day(stamp))
with st.expander(
    f"Confirm although nothing looked odd ({checked.captures.height})", icon=":material/casino:"
):
    st.markdown(checked.sentence)
    if checked.captures.height:
        event = parts.table(
            checked.captures, on_select="rerun", selection_mode="single-row", key="confirm_table"
        )
        parts.open_selected(event, checked.captures["capture_file"].to_list(), key="confirm_open")


def try_x(mark: dict[str, float]) -> None:
    """Try the X that was clicked in a chart."""
    go.here(**{x_key: answers.within(mark["threshold_pct"], limits)})


st.header("Try another X")
limits = answers.slider_range(answers.evidence_rows(stamp, about.test, about.measure.name))
x_key = f"kept_x_{about.test}_{about.measure.name}_{name}"
start_x = answers.starting_x(force, proposal, limits)
st.session_state.setdefault(x_key, start_x)
asked = st.session_state.pop("x_asked", tried_before := st.session_state[x_key])
if asked is None:  # an address without X: Back to before one was tried
    st.session_state[x_key] = start_x
elif asked != tried_before:
    st.session_state[x_key] = answers.within(asked, limits)
    if st.session_state[x_key] != asked:
        notices.trouble(answers.out_of_range(asked, limits))
tried = st.slider(f"Odd from X {words.stands(about.kind, about.measure)}, %", *limits, step=0.1, key=x_key)
st.session_state["kept_x"] = None if tried == start_x else float(tried)
now = force["threshold_pct"] if force else None
move = answers.moved(stamp, about, name, tried, now)
found = answers.curves_of(stamp, about.test, about.measure.name)
cost = answers.cost_words(answers.cost_at(found, name, tried))
st.markdown(f"**{move.sentence}** At X = {words.number(tried, 1)} %: {cost}.")
if move.rows.height:
    event = parts.table(
        move.rows, on_select="rerun", selection_mode="single-row", height=230, key="move_table",
        column_config={
            "capture_file": "capture", "change": "would change to", "day": st.column_config.DateColumn("day"),
            "odd_pct": st.column_config.NumberColumn(
                f"{words.gap_title(about.kind, about.measure).lower()}, %", format="%.1f"
            ),
            "call": "called",
        },
    )  # fmt: skip
    parts.open_selected(event, move.rows["capture_file"].to_list(), key="move_open")

left, right = st.columns([3, 2])
with left:
    st.subheader("What X finds, and what it flags for nothing")
    rows = answers.curve_rows(found, name)
    if rows.is_empty():
        notices.too_little("No outcome of this group is confirmed yet, so X can only rest on normal spread.")
    else:
        parts.chart(
            charts.detection(rows, now, tried, about), key="detection", says=answers.curves_sentence(tried, cost),
            rows=rows, opens=try_x,
        )  # fmt: skip
        st.caption("Bands: 95 %. Dashed upright: X in force; solid upright: X being tried.")
    st.caption(answers.bias_sentence(found, name))
with right:
    st.subheader("Expected cost")
    if proposal.cost.is_empty():
        notices.too_little("Too few captures are confirmed odd in the whole shop to weigh costs.")
    else:
        parts.chart(
            charts.cost(proposal.cost, now, tried, (proposal.low, proposal.high), about, settings["currency"]),
            key="cost", says=answers.expected_sentence(proposal), rows=proposal.cost, opens=try_x,
        )  # fmt: skip
        st.caption(
            "The lowest point is the proposal; the band is its 95 % interval. "
            f"{about.kind.element.odd.capitalize()} {about.kind.element.nouns} in "
            f"{words.percent(proposal.prevalence)} of the captures in question, corrected for who gets followed up."
        )

st.header("Decide")
newest = answers.newest_version(frames, about, name)
seen_key = f"seen_version_{about.test}_{about.measure.name}_{name}"
seen = st.session_state.setdefault(seen_key, newest)
if seen != newest:
    notices.trouble(
        f"A new version has been written since you opened this group (now version {newest}); it stands on top of the "
        "history below."
    )
    if st.button("I have looked at it; let me decide again", key="seen_button"):
        st.session_state[seen_key] = newest
        st.rerun()


def save(x_pct: float, who: str, why: str) -> None:
    """Write a version, or say why it was not written."""
    try:
        version = writing.set_threshold(
            answers.place(about, name), x_pct, set_by=who, reason=why, seen_version=seen
        )
    except ThresholdConflict as error:
        notices.trouble(f"Somebody else saved first. {error}")
    except ShopspreadError as error:
        notices.trouble(str(error))
    else:
        st.session_state[seen_key] = version
        who_writes.remember(who)
        st.toast(f"Version {version} of {name} is in force.")
        st.rerun()


if not who_writes.refused(who_writes.DECIDE):
    left, right = st.columns(2)
    with left, st.form("set_threshold"):
        st.markdown(f"**Put X = {words.number(tried, 1)} % in force for {name}**")
        who = who_writes.ask("threshold", label="Who decides")
        why = st.text_input("Why", key=f"why_{name}")
        if st.form_submit_button("Put in force", icon=":material/check:"):
            save(tried, who, why)
    earlier = answers.earlier_versions(frames, about, name)
    if earlier:
        with right, st.form("go_back"):
            st.markdown("**Go back to an earlier version**")
            version = st.selectbox("Version", earlier, key=f"back_{name}")
            who_back = who_writes.ask("threshold_back", label="Who decides")
            why_back = st.text_input("Why", key=f"why_back_{name}")
            if st.form_submit_button("Go back", icon=":material/undo:"):
                save(
                    answers.version_value(frames, about, name, version),
                    who_back,
                    answers.back_reason(version, why_back),
                )
st.subheader("History")
parts.table(
    answers.history(frames, about, name), row_height=parts.TWO_LINES,
    column_config={
        "threshold_pct": st.column_config.NumberColumn("X, %", format="%.1f"),
        "set_at": "when", "set_by": "who", "reason": st.column_config.TextColumn("why", width="large"),
    },
)  # fmt: skip
st.caption(
    "Versions are only ever added. Going back writes the old X as a new version; every flag keeps its own."
)
