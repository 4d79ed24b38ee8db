"""What the pages are made of: words, colours, thinning, launcher."""

from __future__ import annotations

import datetime as dt
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit import config as streamlit_config

from dashboard.launch import APP, WAREHOUSE_VARIABLE, command, environment
from dashboard.shared import captures, drawing, palette, words
from dashboard.shared.filters import Subject
from dashboard.views.intake import answer as intake_answers
from dashboard.views.known_good import answer as known_good
from dashboard.views.shop import answer as shop
from models.stats.results import Estimate
from pipelines.errors import ShopspreadError
from pipelines.kinds import kinds
from pipelines.kinds.engine import EngineFamily
from pipelines.warehouse.settings import SETTINGS
from pipelines.waveform import Waveform

CRANKING = kinds()["relative_compression"]
TWO = ("battery_voltage", "ignition_primary")
ABOUT = Subject(CRANKING, CRANKING.measures[0], ("odd-six",), "engine family")

# -- words -----------------------------------------------------------------------------------------


def test_an_estimate_is_worded_with_interval_and_n() -> None:
    estimate = Estimate(n=25, estimate=0.724, low=0.551, high=0.866)
    assert words.share(estimate) == "72 % (95 % interval 55 to 87 %, n = 25)"
    assert words.brief(estimate) == "72 % (55 to 87, n = 25)"


def test_too_little_is_worded_with_its_reason_and_n() -> None:
    nothing = Estimate.nothing(3, "Too little to say: 3 captures, at least 6 needed.")
    assert words.share(nothing) == "Too little to say: 3 captures, at least 6 needed (n = 3)"
    assert words.brief(nothing) == "too little to say (n = 3)"


def test_a_difference_carries_its_sign() -> None:
    assert words.points(Estimate(n=10, estimate=0.02, low=-0.01, high=0.05)).startswith("+2.0 points")
    assert words.points(Estimate(n=10, estimate=-0.02, low=-0.05, high=0.01)).startswith("−2.0 points")


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_a_number_reads_back(value: float, digits: int) -> None:
    text = words.number(value, digits)
    assert float(text.replace(" ", "").replace("−", "-")) == pytest.approx(round(value, digits), abs=1e-9)
    assert not re.fullmatch(r"−0(\.0*)?", text)


@pytest.mark.parametrize(
    ("low", "high", "digits", "sign"),
    [(0.1, 0.2, 6, 1), (-0.2, -0.1, 6, -1), (-0.1, 0.1, 6, 0), (-0.16, -0.004, 2, 0), (-0.16, -0.006, 2, -1)],
)
def test_a_clear_sign_holds_as_shown(low: float, high: float, digits: int, sign: int) -> None:
    assert words.clear_sign(Estimate(9, (low + high) / 2, low, high), digits=digits) == sign


def test_a_risk_difference_as_jobs_in_a_hundred() -> None:
    text = shop.in_a_hundred(Estimate(n=960, estimate=-0.077, low=-0.127, high=0.026), 30)
    assert "7.7 fewer" in text
    assert "12.7 fewer to 2.6 more" in text
    assert "n = 960" in text


# -- colours -----------------------------------------------------------------------------------------

# M. Okabe, K. Ito, Color Universal Design (2008), figure of the colour-blind barrier-free palette: red,
# green, blue from 0 to 255. Values entered from memory.
OKABE_ITO = {
    "BLACK": (0, 0, 0),
    "ORANGE": (230, 159, 0),
    "SKY": (86, 180, 233),
    "GREEN": (0, 158, 115),
    "YELLOW": (240, 228, 66),
    "BLUE": (0, 114, 178),
    "VERMILLION": (213, 94, 0),
    "PURPLE": (204, 121, 167),
}


def rgb(colour: str) -> tuple[int, ...]:
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))


def test_the_colours_are_the_published_ones() -> None:
    assert {name: rgb(getattr(palette, name)) for name in OKABE_ITO} == OKABE_ITO


def contrast_with_white(colour: str) -> float:
    """W3C, Web Content Accessibility Guidelines 2.1, definitions of relative luminance and contrast ratio."""
    linear = [
        c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in rgb(colour))
    ]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


def test_verdicts_can_be_seen_on_white() -> None:
    # success criterion 1.4.11: at least 3:1 for what carries meaning
    assert all(contrast_with_white(colour) >= 3.0 for colour in palette.VERDICTS.values())
    assert contrast_with_white("#767676") == pytest.approx(4.54, abs=0.01)  # the well-known lightest AA grey


def test_no_colour_means_two_things() -> None:
    colours = [colour for colour, _ in palette.LEGEND]
    assert len(set(colours)) == len(colours)
    assert set(palette.VERDICTS) == set(palette.SHAPES)
    assert len(set(palette.SHAPES.values())) == len(palette.SHAPES)


# -- one capture ---------------------------------------------------------------------------------------


def wave(samples: np.ndarray, rate_hz: float = 1000.0) -> Waveform:  # type: ignore[type-arg]
    return Waveform(rate_hz=rate_hz, start_s=2.0, samples=samples.astype(np.float32), labels=("", ""))


def test_thinning_keeps_the_extremes_and_the_scale() -> None:
    rng = np.random.default_rng(5)
    samples = rng.normal(0, 1, (2, 50_000))
    samples[1, 31_234] = 40.0  # a spike one sample wide must not be lost on the screen
    row = {"ch_signals": "battery_voltage;ignition_primary", "ch_scales": "1;10"}
    drawn = drawing.trace(wave(samples), row, (0.0, 100.0))
    spike = drawn.filter(pl.col("channel") == "Ignition primary (V)")
    assert spike["value"].max() == pytest.approx(400.0)
    assert spike.filter(pl.col("value") > 300)["time_s"].item() == pytest.approx(2.0 + 31.234)
    assert drawn.filter(pl.col("channel") == "Battery voltage (V)")["value"].min() == pytest.approx(
        samples[0].min()
    )
    assert drawn.height <= 2 * 1.1 * drawing.DRAWN_POINTS


def test_a_gap_stays_a_gap() -> None:
    samples = np.ones((2, 40_000))
    samples[0, 10_000:14_000] = np.nan
    drawn = drawing.trace(wave(samples), {"ch_signals": None, "ch_scales": None}, (0.0, 100.0))
    first = drawn.filter(pl.col("order") == 0)
    assert first.filter(pl.col("value").is_null())["time_s"].is_between(12.0, 16.0).all()
    assert first["value"].null_count() > 0


def test_a_short_stretch_is_drawn_sample_by_sample() -> None:
    samples = np.stack([np.arange(5_000.0), np.zeros(5_000)])
    drawn = drawing.trace(wave(samples), {"ch_signals": "a;b", "ch_scales": "1;1"}, (3.0, 3.1))
    assert drawn.filter(pl.col("order") == 0)["value"].to_list() == [float(v) for v in range(1000, 1101)]


@pytest.mark.parametrize(
    ("element", "companion", "name"), [(3, None, "3"), (1, 4, "1 or 4"), (None, None, "no. 2")]
)
def test_an_element_is_named_as_far_as_it_is_known(
    element: int | None, companion: int | None, name: str
) -> None:
    assert words.element_name(element, 2, companion) == name


def test_reasons_are_drawn_on_the_scale_of_the_usual_range() -> None:
    text = (
        '[{"feature": "crank_rpm", "value": 300.0, "usual_low": 180.0, "usual_high": 220.0, "sentence": "high"},'
        ' {"feature": "rest_v", "value": 1.0, "usual_low": 2.0, "usual_high": 2.0, "sentence": "no range"}]'
    )
    rows = captures.reason_rows(text, CRANKING)
    assert rows["place_pct"].to_list() == [300.0]
    assert rows["name"][0].endswith("300 rpm")
    assert captures.reasons(text) == ("high", "no range")
    assert captures.reason_rows(None, CRANKING).is_empty()


# -- bands ---------------------------------------------------------------------------------------------


def test_the_band_holds_about_95_of_100_new_captures() -> None:
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(40):
        low, middle, high = known_good.normal_band(rng.normal(0, 1, (20, 72)))
        assert (low < middle).all()
        new = rng.normal(0, 1, 72)
        inside.append(((new > low) & (new < high)).mean())
    # 2 880 draws: 0.95 give or take 3 standard errors of 0.004, and the normal factor runs a little short at n = 20
    assert 0.92 < np.mean(inside) < 0.965


def test_events_of_an_odd_firing_engine_stand_where_its_intervals_say() -> None:
    family = EngineFamily.of("odd-six", 6, "1-6-5-4-3-2", "150-90-150-90-150-90", "coil_on_plug")
    assert CRANKING.layout is not None
    laid = CRANKING.layout(family)
    frames = {
        "comparison_groups": pl.DataFrame(
            {
                "test": [CRANKING.name],
                "group": ["odd-six"],
                "sequence": [laid.sequence],
                "places": [laid.places],
            }
        ),
        "group_naming": pl.DataFrame(schema={"test": pl.String, "group": pl.String, "named": pl.Boolean}),
    }
    found = known_good._events(frames, ABOUT, "odd-six")
    assert found["along"].to_list() == pytest.approx([0, 150, 240, 390, 480, 630])
    assert found["name"].to_list() == ["1", "6", "5", "4", "3", "2"]


# -- settings ------------------------------------------------------------------------------------------


def test_every_setting_is_worded_and_can_be_changed_on_the_page() -> None:
    shown = {known.name for known in (*intake_answers.numeric(), *intake_answers.texts())}
    shown |= {"house_setup", "file_name_pattern"}
    assert shown == set(SETTINGS)
    assert set(intake_answers.LABELS) == set(SETTINGS)


def test_the_house_setup_form_reads_what_was_typed() -> None:
    value = intake_answers.hookup_value(
        CRANKING.name, ["battery_voltage", "ignition_primary"], "1, 10", "1", "", " 8 "
    )
    assert value == {
        "signals": ["battery_voltage", "ignition_primary"],
        "scales": [1.0, 10.0],
        "sync_cylinder": 1,
        "duration_s": 8.0,
    }
    assert SETTINGS["house_setup"].check({"relative_compression": value})
    shown = intake_answers.hookup_fields(value, pl.DataFrame(), "relative_compression")
    assert (shown.signals, shown.scales, shown.rate_hz, shown.duration_s) == (
        ("battery_voltage", "ignition_primary"),
        "1, 10",
        "",
        "8",
    )


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ((TWO, "1", "", "", ""), "2 signals and 1 scales"),
        ((TWO[:1], "ten", "", "", ""), "scale must be a number"),
        ((TWO[:1], "1", "", "-5", ""), "sample rate must be a number above zero"),
        ((("bananas",), "1", "", "", ""), "knows no signal bananas; there are: battery_voltage"),
    ],
)
def test_the_hookup_form_refuses_nonsense_with_a_reason(
    fields: tuple[tuple[str, ...], str, str, str, str], reason: str
) -> None:
    with pytest.raises(ShopspreadError, match=reason):
        intake_answers.hookup_value(CRANKING.name, *fields)


# -- launcher ------------------------------------------------------------------------------------------


def test_every_flag_of_the_launcher_is_known_to_streamlit() -> None:
    flags = [part.removeprefix("--") for part in command(8501, headless=True) if part.startswith("--")]
    assert len(flags) > 8
    for flag in flags:
        streamlit_config.get_option(flag)  # raises for one it does not know
    text = " ".join(command(8501))
    assert "--server.address 127.0.0.1" in text
    assert "--browser.gatherUsageStats false" in text
    assert "--client.showErrorDetails none" in text


def test_the_app_is_found_from_any_folder(tmp_path: Path) -> None:
    given = environment(tmp_path / "shop")
    assert Path(given[WAREHOUSE_VARIABLE]).is_absolute()
    check = "import dashboard, models, pipelines; print('found')"
    done = subprocess.run(
        [sys.executable, "-c", check], cwd=tmp_path, env=given, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "found"
    assert APP.is_absolute()
    assert APP.exists()
    assert given["PYTHONPATH"].split(os.pathsep)[0] == str(APP.parents[1])


# -- what the figures say -------------------------------------------------------------------------------


def test_what_x_finds_is_read_off_the_corrected_curve() -> None:
    from dashboard.views.thresholds import answer as thresholds
    from models.thresholds.curves import ThresholdCurves
    from models.thresholds.evidence import Weights

    rows = [
        ("four", x, what, how, share, share - 0.1, share + 0.1, n, float(n))
        for x, share in ((5.0, 0.9), (5.25, 0.8), (5.5, 0.7))
        for what, n in (("detection", 12), ("false_alarm", 3))
        for how in ("corrected", "naive")
        for share in ((share,) if how == "corrected" else (0.11,))
    ]
    names = ("group", "threshold_pct", "what", "how", "share", "low", "high", "n", "effective_n")
    none = np.zeros(0)
    found = ThresholdCurves(
        pl.DataFrame(rows, schema=names, orient="row"), pl.DataFrame(), Weights(none, none, 0, 1.0, 0.0, None)
    )
    cost = thresholds.cost_at(found, "four", 5.3)
    assert (cost.detection.n, cost.detection.estimate) == (12, 0.8)
    assert cost.false_alarm.estimate is None  # three captures are too few to say
    assert thresholds.cost_at(found, "another", 5.3).detection.n == 0


def test_an_outcome_is_not_held_against_a_capture_made_after_the_repair() -> None:
    outcome = {
        "finding": "odd",
        "confirmed_elements": [3],
        "method": "borescope",
        "confirmed_at": dt.datetime(2026, 10, 30, 9),
    }
    before = {"captured_at": dt.datetime(2026, 10, 29, 15), "purpose": "diagnosis"}
    assert (
        captures.job_outcome(CRANKING, before, outcome)
        == "A weak cylinder confirmed (cylinder 3), by borescope on 2026-10-30."
    )
    for after in (
        {"captured_at": dt.datetime(2026, 10, 30, 16), "purpose": "known_good"},
        {"captured_at": dt.datetime(2026, 11, 2, 8), "purpose": "diagnosis"},
    ):
        assert "before the repair" in captures.job_outcome(CRANKING, after, outcome)


def test_an_element_that_shows_nothing_is_bounded_and_said_so() -> None:
    from dashboard.views.capture import answer as capture

    readings = pl.DataFrame(
        {
            "element": [1, 2, 3, 4],
            "position": [1, 3, 4, 2],
            "companion": pl.Series([None] * 4, dtype=pl.Int32),
            "relative_pct": [100.0, -11.0, 101.0, 99.0],
            "se_pct": [1.0] * 4,
            "group_pct": [100.0] * 4,
            "deviation_pct": [0.0, -111.0, 1.0, -1.0],
        }
    )
    score = {
        "odd_pct": 111.0, "odd_se_pct": 1.0, "odd_position": 3, "odd_element": 2, "odd_companion": None,
        "threshold_pct": 5.0, "threshold_version": 1, "flagged": True, "flagged_positions": [3], "p_value": None,
    }  # fmt: skip
    drawn = capture._elements(CRANKING.measures[0], None, score, readings)
    assert drawn["relative_pct"].min() == 0.0
    assert drawn["low"].min() == 0.0
    assert drawn.filter("nothing")["name"].to_list() == ["2"]
    # the limit of the others: the median of the other three deviations, less the threshold
    assert drawn.filter(name="1")["limit_low"].to_list() == pytest.approx([100 - 1 - 5])
    verdict, sentence, _ = capture._verdict(CRANKING, CRANKING.measures[0], score, drawn)
    assert verdict == "odd"
    assert "cylinder 2 shows nothing at all: no compression seen" in sentence
    assert "111" not in sentence


def test_limits_stand_on_the_side_where_a_fault_stands() -> None:
    from dashboard.views.capture import answer as capture
    from models.records.measure import Measure

    readings = pl.DataFrame({"group_pct": [100.0] * 3, "deviation_pct": [0.0, 2.0, 4.0]})
    low, high = capture._limits(Measure("m", "M", "the median bar", "high"), 10.0, readings)
    assert low == [None] * 3
    assert high == pytest.approx([113.0, 112.0, 111.0])
    low, high = capture._limits(Measure("m", "M", "the median bar", "either"), 10.0, readings)
    assert low == pytest.approx([93.0, 92.0, 91.0])
    assert high == pytest.approx([113.0, 112.0, 111.0])


def test_the_ways_text_was_read_say_who_decided() -> None:
    layouts = pl.DataFrame(
        {
            "read_as": ["one", "two"],
            "told": [False, True],
            "captures": [7, 1],
            "example": ["a.csv", "b/a.csv"],
        }
    )
    assert intake_answers.layout_rows(layouts).rows() == [
        ("one", "guessed", 7, "a.csv"), ("two", "text_format.json", 1, "b/a.csv")
    ]  # fmt: skip
