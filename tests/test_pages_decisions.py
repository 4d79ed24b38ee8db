"""What a person decides or enters on a page, kept and guarded against a second one who saves later."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.shared.pages import PEOPLE_PARTS
from pipelines.errors import SettingConflict, ShopspreadError, WaitingConflict
from pipelines.kinds import kinds
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place, read_settings, set_setting, set_settings, set_threshold
from pipelines.warehouse.marks import mark
from tests.page_driver import FITS_ASKED, assert_sound, fresh_caches, opened, press, texts  # noqa: F401

# On one worker, so that the small shop is built and its figures are worked out once.
pytestmark = pytest.mark.xdist_group("pages")

OWN = ("relative_compression", "relative_compression")


def in_force(folder: Path) -> dict[str, Any]:
    """The first threshold in force of the test the pages open with."""
    rows = Warehouse(folder).frame("thresholds_in_force").filter(pl.col("test") == OWN[0])
    return rows.row(0, named=True)


def family_and_version(folder: Path) -> tuple[str, int]:
    row = in_force(folder)
    return row["group"], row["version"]


def test_setting_a_threshold_asks_who_and_why_and_adds_a_version(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    family, version = family_and_version(own_copy)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(family).run()
    app.slider(key=f"kept_x_{'_'.join(OWN)}_{family}").set_value(17.5).run()
    press(app, "Put in force")
    assert any("needs who sets it and why" in error.value for error in app.error)
    assert family_and_version(own_copy) == (family, version)
    app.text_input(key="by_threshold").input("Ida")
    app.text_input(key=f"why_{family}").input("two false alarms last week")
    press(app, "Put in force")
    assert_sound(app)
    row = in_force(own_copy)
    assert (row["version"], row["threshold_pct"], row["set_by"]) == (version + 1, 17.5, "Ida")
    history = next(t.value for t in app.dataframe if "set_by" in t.value.columns)
    assert history["version"].tolist() == list(range(version + 1, 0, -1))
    # and back again: a new version with the old value
    app.selectbox(key=f"back_{family}").select(version).run()
    app.text_input(key="by_threshold_back").input("Ida")
    app.text_input(key=f"why_back_{family}").input("it was right before")
    press(app, "Go back")
    own = (pl.col("group") == family) & (pl.col("test") == OWN[0])
    after = Warehouse(own_copy).frame("thresholds").filter(own).sort("version")
    assert after["version"][-1] == version + 2
    assert after["threshold_pct"][-1] == after["threshold_pct"][version - 1]


def test_who_saves_second_is_told_and_nothing_is_lost(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    family, version = family_and_version(own_copy)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(family).run()
    set_threshold(
        Warehouse(own_copy),
        Place(*OWN, family),
        21.0,
        set_by="Olaf",
        reason="after the audit",
        seen_version=version,
    )
    app.text_input(key="by_threshold").input("Ida")
    app.text_input(key=f"why_{family}").input("mine")
    press(app, "Put in force")
    said = " ".join(error.value for error in app.error)
    assert "Somebody else saved first" in said
    assert "Olaf" in said
    row = in_force(own_copy)
    assert (row["version"], row["set_by"]) == (version + 1, "Olaf")
    app.button(key="seen_button").click().run()
    press(app, "Put in force")
    assert_sound(app)
    assert in_force(own_copy)["set_by"] == "Ida"


def test_moving_x_shows_which_captures_change_side(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    scores = (
        Warehouse(own_copy)
        .frame("scores")
        .join(Warehouse(own_copy).frame("captures"), on="capture_file", how="inner")
    )
    own = pl.col("test") == OWN[0]
    flagged = scores.filter(own & pl.col("flagged") & (pl.col("odd_pct") < 24.0))
    row = flagged.row(0, named=True)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(row["group"]).run()
    app.slider(key=f"kept_x_{'_'.join(OWN)}_{row['group']}").set_value(25.0).run()
    assert_sound(app)
    table = next(t.value for t in app.dataframe if "change" in t.value.columns)
    own = scores.filter((pl.col("group") == row["group"]) & pl.col("flagged") & (pl.col("odd_pct") < 25.0))
    assert set(table["capture_file"]) == set(own["capture_file"])
    assert set(table["change"]) == {"no longer odd"}


def test_a_coaching_session_is_logged(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    before = Warehouse(own_copy).frame("coaching").height
    app = opened(monkeypatch, own_copy, "technicians", kept_people_tab=PEOPLE_PARTS[3])
    app.selectbox(key="coaching_topic").select("calls")
    press(app, "Log this session")
    assert any("Say who enters this" in error.value for error in app.error)
    app.text_area(key="coaching_note").input("three more captures with the clamp")
    app.text_input(key="by_coaching").input("Ida")
    press(app, "Log this session")
    assert_sound(app)
    house = Warehouse(own_copy)
    assert house.frame("coaching").height == before + 1
    assert house.frame("coaching_notes")["note"].to_list() == ["three more captures with the clamp"]
    newest = house.frame("intake_log", {"rows": 1}).row(0, named=True)
    assert (newest["subject"], newest["action"], newest["entered_by"]) == ("coaching.csv", "added", "Ida")


def test_a_setting_needs_a_name_and_is_kept(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    app = opened(monkeypatch, own_copy, "intake")
    app.number_input(key="set_comeback_window_days").set_value(45)
    press(app, "Save")
    assert any("Say who decides" in error.value for error in app.error)
    app.text_input(key="by_settings").input("Ida")
    press(app, "Save")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["comeback_window_days"] == 45


def test_the_form_writes_only_what_this_person_changed(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    app = opened(monkeypatch, own_copy, "intake")
    set_setting(Warehouse(own_copy), "cost_miss", 777.0, set_by="Olaf")
    app.number_input(key="set_comeback_window_days").set_value(45)
    app.text_input(key="by_settings").input("Ida")
    press(app, "Save")
    assert_sound(app)
    now = read_settings(Warehouse(own_copy))
    assert (now["comeback_window_days"], now["cost_miss"]) == (45, 777.0)
    assert app.number_input(key="set_cost_miss").value == 777.0  # a field left alone follows


def test_a_setting_changed_by_two_is_refused_to_the_second(own_copy: Path) -> None:
    warehouse = Warehouse(own_copy)
    seen = read_settings(warehouse)
    set_setting(warehouse, "cost_miss", 777.0, set_by="Olaf")
    with pytest.raises(SettingConflict, match=r"777\.0 now, set by Olaf"):
        set_settings(warehouse, {"labour_rate_per_h": 80.0, "cost_miss": 500.0}, seen=seen, set_by="Ida")
    now = read_settings(warehouse)
    assert (now["cost_miss"], now["labour_rate_per_h"]) == (777.0, seen["labour_rate_per_h"])


def test_a_standing_hookup_is_previewed_saved_and_undone(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    test = "relative_compression"
    app = opened(monkeypatch, own_copy, "intake")
    assert app.multiselect(key=f"house_signals_{test}").options == [
        signal.title for signal in kinds()[test].signals
    ]
    app.multiselect(key=f"house_signals_{test}").set_value(["starter_current"]).run()
    app.text_input(key=f"house_scales_{test}").input("100").run()
    assert re.search(r"\d+ of \d+ captures of this test would differ", texts(app))
    app.text_input(key="by_hookup").input("Ida").run()
    press(app, "Save and check every capture against it")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["house_setup"][test]["signals"] == ["starter_current"]
    app.text_input(key="by_hookup").input("Ida").run()
    press(app, "Undo the last change")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["house_setup"][test] == {}


# -- what waits ----------------------------------------------------------------------------------------


def waiting(app: AppTest, sort: str = "job") -> list[str]:
    tables = [t.value for t in app.dataframe if "waits_days" in t.value.columns]
    return [row["name"] for row in tables[0].to_dict("records") if row["what"] == sort] if tables else []


def test_every_flagged_job_without_an_outcome_waits_and_an_outcome_ends_it(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    warehouse = Warehouse(own_copy)
    with warehouse.transaction() as connection:
        connection.execute("DELETE FROM outcome")
    flagged = (
        warehouse.frame("scores")
        .filter(pl.col("flagged"))
        .join(warehouse.frame("captures"), on="capture_file")
        .filter(pl.col("repair_order").is_not_null() & (pl.col("purpose") == "diagnosis"))
        .sort("captured_at")
    )
    app = opened(monkeypatch, own_copy, "todo")
    app.session_state["kept_todo_sort"] = "job"
    app.run()
    assert_sound(app)
    jobs = waiting(app)
    assert set(jobs) == set(flagged["repair_order"])
    assert jobs
    shown = next(t.value for t in app.dataframe if "waits_days" in t.value.columns)
    assert shown["waits_days"].tolist() == sorted(shown["waits_days"], reverse=True)
    assert (shown["stake"].str.replace(" ", "").astype(float) > 0).all()
    # the form of the first one is open: nothing has to be clicked before it
    job = jobs[0]
    number = flagged.filter(repair_order=job)["flagged_elements"][0][0]
    app.radio(key=f"finding_{job}").set_value("odd")
    app.multiselect(key=f"found_{job}").set_value([number])
    app.selectbox(key=f"how_{job}").select("gauge")
    app.selectbox(key=f"gauge_unit_{job}").select("psi")
    psi = [170.0, 171.0, 169.0, 172.0]
    for place in range(4):
        app.number_input(key=f"gauge_{job}_{place}").set_value(90.0 if place + 1 == number else psi[place])
    press(app, "Enter")
    assert any("Say who enters this" in error.value for error in app.error)
    assert app.radio(key=f"finding_{job}").value == "odd", "nothing typed is lost"
    app.text_input(key="by_outcome").input("Ida")
    FITS_ASKED.clear()
    press(app, "Enter")
    assert_sound(app)
    assert [own_copy.resolve()] == FITS_ASKED, "the figures take the outcome in"
    assert set(waiting(app)) == set(flagged["repair_order"]) - {job}
    stored = warehouse.frame("outcomes").filter(repair_order=job).row(0, named=True)
    assert (stored["finding"], stored["confirmed_elements"], stored["method"]) == ("odd", [number], "gauge")
    assert stored["gauge_kpa"][number - 1] == pytest.approx(620.5, abs=0.05)  # 90 psi
    log = warehouse.frame("intake_log", {"rows": 1}).row(0, named=True)
    assert (log["entered_by"], log["action"], log["subject"]) == ("Ida", "added", "outcomes.csv")
    # and it can be taken back: it waits again, and the log keeps both
    app.switch_page("views/add/add.py").run()
    app.session_state["kept_add"] = "Entered so far"
    app.run()
    app.text_input(key="by_undo").input("Olaf").run()
    app.button(key=f"undo_{log['batch']}").click().run()
    assert_sound(app)
    assert warehouse.frame("outcomes").is_empty()
    app.switch_page("views/todo/todo.py").run()
    assert set(waiting(app)) == set(flagged["repair_order"])


def test_things_are_given_dismissed_and_opened_again(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    app = opened(monkeypatch, own_copy, "todo")
    app.session_state["kept_todo_sort"] = "threshold"
    app.run()
    names = waiting(app, "threshold")
    assert names
    app.text_input(key="by_todo").input("Ida")
    press(app, "Dismiss")
    assert any("Say why it is dismissed" in error.value for error in app.error)
    next(box for box in app.text_input if box.label == "Why").input("not our engines")
    press(app, "Dismiss")
    assert_sound(app)
    assert waiting(app, "threshold") == names[1:]
    next(box for box in app.selectbox if box.label == "Give it to").select_index(0)
    press(app, "Give to that name")
    assert waiting(app, "threshold") == names[1:]
    held = {row["state"]: row for row in Warehouse(own_copy).frame("waiting_marks").to_dicts()}
    assert (held["dismissed"]["reason"], held["dismissed"]["entered_by"]) == ("not our engines", "Ida")
    assert held["open"]["assigned_to"]
    app.toggle(key="kept_todo_closed").set_value(True).run()
    assert waiting(app, "threshold") == names[:1]
    press(app, "Open again")
    app.toggle(key="kept_todo_closed").set_value(False).run()
    assert waiting(app, "threshold") == names
    # a proposal is accepted with one click, as a version with name and reason
    before = Warehouse(own_copy).frame("thresholds_in_force").filter(source="set").height
    press(app, "Accept the proposal")
    assert_sound(app)
    rows = Warehouse(own_copy).frame("thresholds_in_force").filter(source="set")
    assert rows.height == before + 1
    assert "Ida" in rows["set_by"].to_list()
    assert waiting(app, "threshold") == names[1:]


def test_two_people_decide_about_one_thing_and_the_second_is_told(own_copy: Path) -> None:
    house = Warehouse(own_copy)
    assert mark(house, "flag|a|b", by="Ida", state="done") == 1
    with pytest.raises(WaitingConflict, match="Ida has decided since you looked: done"):
        mark(house, "flag|a|b", by="Olaf", state="dismissed", reason="no", seen_version=0)
    assert mark(house, "flag|a|b", by="Olaf", state="dismissed", reason="no", seen_version=1) == 2
    with pytest.raises(ShopspreadError, match="Say who"):
        mark(house, "flag|a|b", by=" ", seen_version=2)
