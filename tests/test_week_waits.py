"""What a digest asks for: what is new and still open, and everything older as one count; on page, file and mail."""

from __future__ import annotations

import datetime as dt
import html
import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import escape

from dashboard.documents import digest as document
from dashboard.documents import mail
from dashboard.shared import waits as words_of
from models.people.drills import count_drills
from models.records.people_settings import as_moment
from models.records.shop import Shop
from pipelines.reports import waiting
from pipelines.reports.waiting import FILE, JOB, PERSON, SORTS, THRESHOLD, Item, of_week
from pipelines.reports.week import last_over, waits_of, week_of
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.marks import Mark, flag_key, mark
from tests.page_driver import assert_sound, opened, texts
from tests.simulated_shop import captures_of

MONDAY = dt.date(2026, 3, 2)
ONE = st.builds(
    lambda sort, days, state, whom, alarm: Item(
        key="", sort=sort, name="", since=None if days is None else MONDAY + dt.timedelta(days=days),
        facts={"technician": "ada", "topic": alarm}, mark=Mark(state=state, assigned_to=whom),
    ),
    st.sampled_from(SORTS), st.none() | st.integers(-400, 40), st.sampled_from(["open", "done", "dismissed"]),
    st.sampled_from([None, "Ann"]), st.sampled_from(["calls", "hookup"]),
)  # fmt: skip


@given(st.lists(ONE, max_size=30), st.booleans())
@settings(max_examples=200, deadline=None)
def test_new_and_older_are_all_that_is_open_and_nothing_twice(items: list[Item], newest: bool) -> None:
    found = of_week(items, MONDAY, newest=newest, new_alarms=frozenset({("ada", "calls")}))
    sunday = MONDAY + dt.timedelta(days=6)
    assert all(item.open for item in found.new)
    for item in found.new:
        if item.sort == PERSON:
            assert item.facts["topic"] == "calls"
        else:
            assert item.since is not None
            assert item.since >= MONDAY
            assert newest or item.since <= sunday
    later = sum(
        item.open and item.sort != PERSON and item.since is not None and item.since > sunday for item in items
    )
    left_out = 0 if newest else later
    assert len(found.new) + sum(found.older.values()) + left_out == sum(item.open for item in items)
    assert 0 <= found.given <= sum(found.older.values())
    assert bool(words_of.older(found)) == bool(found.older)


@pytest.fixture
def shop(own_copy: Path) -> Path:
    """The small shop, none of its flagged jobs settled."""
    with Warehouse(own_copy).transaction() as connection:
        connection.execute("DELETE FROM outcome")
    return own_copy


def flagged_week(warehouse: Warehouse) -> dt.date:
    """The newest week with a flagged job that has an older one before it."""
    frames = warehouse.frames((*waiting.FRAMES,))
    nothing = pl.DataFrame(schema={"repair_order": pl.String, "test": pl.String})
    days = waiting.open_flags(frames, nothing, dt.date(2100, 1, 1))["day"]
    newest = days.max()
    assert isinstance(newest, dt.date)
    monday = newest - dt.timedelta(days=newest.weekday())
    assert days.filter(days < monday).len() > 0
    return monday


def test_what_was_settled_done_or_dismissed_is_not_repeated_and_older_things_are_a_count(
    monkeypatch: pytest.MonkeyPatch, shop: Path
) -> None:
    warehouse = Warehouse(shop)
    monday = flagged_week(warehouse)
    week = week_of(warehouse, monday)
    before = waits_of(warehouse, week)
    jobs = before.of(JOB)
    older = before.older[JOB]
    assert jobs
    assert older
    page = document.render(week, before)
    old = waiting.open_flags(
        warehouse.frames(waiting.FRAMES), pl.DataFrame(schema={"repair_order": pl.String, "test": pl.String}),
        monday - dt.timedelta(days=1),
    )  # fmt: skip
    assert old.height == older
    assert not [name for name in old["capture_file"] if name in page], "older ones are a count, not a list"
    assert html.escape(words_of.older(before)).replace("&#x27;", "&#39;") in page
    # the same on the page and in the mail
    app = opened(monkeypatch, shop, "digest", kept_digest_week=monday)
    assert_sound(app)
    table = next(t.value for t in app.dataframe if "given to" in t.value.columns)
    assert set(table["capture"]) == {item.facts["capture_file"] for item in jobs}
    assert words_of.older(before) in texts(app)
    message = mail.digest_message(week, before, page, "a@example.org", ["b@example.org"])
    (body, attached) = message.iter_parts()
    assert words_of.older(before) in body.get_content()
    assert f"flagged jobs without an outcome {len(jobs)}" in body.get_content()
    assert "What needs a decision" in attached.get_content()
    # what waits on the page of its own day is what the digest has
    listed = opened(monkeypatch, shop, "todo", as_of=week.sunday)
    rows = next(t.value for t in listed.dataframe if "waits_days" in t.value.columns)
    assert (rows["what"] == JOB).sum() == len(jobs) + older
    # given to a name it is asked for with the name; done, it is not asked for again
    job = jobs[0]
    key = flag_key(job.facts["repair_order"], job.facts["test"])
    mark(warehouse, key, by="Ida", assigned_to="Olaf")
    assert f"{job.facts['capture_file']} (given to Olaf)" in document.render(week, waits_of(warehouse, week))
    mark(warehouse, key, by="Olaf", state="done", seen_version=1)
    after = waits_of(warehouse, week)
    assert (after.of(JOB), after.closed) == (jobs[1:], before.closed + 1)
    text = document.render(week, after)
    # what the week was is said all the same, in one sentence of its own
    fact = str(escape(document.beyond_sentence(week)))
    assert fact in text
    assert job.facts["capture_file"] not in text.replace(fact, "")
    assert "done or dismissed" in text
    # an older one dismissed leaves the count
    mark(
        warehouse,
        flag_key(old["repair_order"][0], old["test"][0]),
        by="Ida",
        state="dismissed",
        reason="sold",
    )
    assert waits_of(warehouse, week).older.get(JOB, 0) == older - 1


def test_thresholds_and_files_are_new_once(shop: Path) -> None:
    warehouse = Warehouse(shop)
    newest = last_over(warehouse.frame("last_day")["last_day"][0])
    week = week_of(warehouse, newest)
    assert week.newest
    now = waits_of(warehouse, week)
    # proposed today by the fit: in the digest of the newest week, and in that of no earlier one
    assert len(now.of(THRESHOLD)) > 0
    three_weeks = dt.timedelta(weeks=3)
    past = replace(
        week, newest=False, coaching=(), monday=newest - three_weeks, sunday=week.sunday - three_weeks
    )
    earlier = waits_of(warehouse, past)
    assert earlier.of(THRESHOLD) == earlier.of(FILE) == []
    assert THRESHOLD not in earlier.older
    text = document.render(week, now)
    assert len(re.findall("nobody has accepted it yet", text)) == min(
        len(now.of(THRESHOLD)), document.MOST_LINES
    )


def test_the_drills_of_a_week_count_once_its_sunday_is_over() -> None:
    drills = pl.DataFrame({"drill": ["d"], "technician": [None], "test": ["t"], "week_of": [MONDAY], "target": [5]},
                          schema_overrides={"technician": pl.String, "target": pl.Int32})  # fmt: skip
    shop = Shop.made(captures=captures_of([])).with_frames(drills=drills)
    for day, asked in ((5, 0), (6, 5), (7, 5)):
        counted = count_drills(shop, ["ada"], as_moment(MONDAY + dt.timedelta(days=day)))
        assert counted["ada"].target == asked
