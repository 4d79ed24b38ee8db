"""Delimited text: what it was read as is said, and a folder's own `text_format.json` goes before the guess.

The round trip writes each file with Python's csv module, never with code of ours.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipelines.cli.app import app
from pipelines.errors import ShopspreadError, UnreadableFile
from pipelines.intake.ingest import ingest
from pipelines.intake.text_formats import text_format
from pipelines.intake.undo import undo
from pipelines.readers import read_waveform
from pipelines.readers._form import text_form
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.settings import FOLDER_SETTINGS
from tests.small_shop import crank_voltage, log_row, small_drop, write_log

SIGNS = {"comma": ",", "semicolon": ";", "tab": "\t"}
FACTORS = {"s": 1.0, "ms": 1e3, "us": 1e6}
ANY = {"max_examples": 30, "deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture]}


def written(
    samples: np.ndarray, rate_hz: float, *, delimiter: str, comma: bool, time: str, unit: str, above: int,
    units: str, encoding: str, quoted: bool,
) -> bytes:  # fmt: skip
    """A file in one of the shapes scopes export, by the csv module."""
    factor = FACTORS[unit]
    rows: list[list[str]] = []
    stamps = [f"{n / rate_hz * factor:.9g}" for n in range(samples.shape[1])]
    for n, values in enumerate(samples.T):
        rows.append(([stamps[n]] if time == "column" else []) + [f"{value:.6g}" for value in values])
    if comma:
        rows = [[cell.replace(".", ",") for cell in row] for row in rows]
    names = [f"channel {n + 1}" for n in range(samples.shape[0])]
    heads = [["time", *names]] if time == "column" else [names]
    marks = [unit] * (time == "column") + ["mV"] * len(names)
    if units == "heading":
        heads = [[f"{name} ({mark})" for name, mark in zip(heads[0], marks, strict=True)]]
    else:
        heads.append([f"({mark})" for mark in marks])
    stream = io.StringIO()
    stream.write("".join(f"# remark {n}\n" for n in range(above)))
    if time == "interval":
        stream.write(f"sample interval: {1 / rate_hz:.9g} s\n".replace(".", "," if comma else "."))
    quoting = csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL
    csv.writer(stream, delimiter=delimiter, lineterminator="\n", quoting=quoting).writerows([*heads, *rows])
    return stream.getvalue().encode(encoding)


@settings(**ANY)
@example(
    channels=2, length=20, rate_hz=500.0, delimiter=",", comma=True, time="interval", unit="s", above=0,
    units="heading", encoding="utf-8", quoted=True, seed=0,
)  # fmt: skip
@given(
    channels=st.integers(1, 4),
    length=st.integers(20, 300),
    rate_hz=st.sampled_from([500.0, 2000.0, 20_000.0, 125_000.0, 1 / 3e-4]),
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
    time=st.sampled_from(["column", "interval"]),
    unit=st.sampled_from(list(FACTORS)),
    above=st.integers(0, 5),
    units=st.sampled_from(["heading", "row"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    quoted=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_every_shape_of_text_comes_back_and_is_named(
    channels: int, length: int, rate_hz: float, delimiter: str, comma: bool, time: str, unit: str, above: int,
    units: str, encoding: str, quoted: bool, seed: int, tmp_path: Path,
) -> None:  # fmt: skip
    samples = np.round(np.random.default_rng(seed).normal(12_000, 300, (channels, length)), 1)
    quoted = quoted or (comma and delimiter == ",")
    path = tmp_path / "a.csv"
    path.write_bytes(
        written(samples, rate_hz, delimiter=delimiter, comma=comma, time=time, unit=unit, above=above,
                units=units, encoding=encoding, quoted=quoted)
    )  # fmt: skip
    waveform = read_waveform(path)
    assert waveform.rate_hz == pytest.approx(rate_hz, rel=2e-4)
    np.testing.assert_allclose(waveform.samples, np.array(samples) / 1e3, rtol=1e-5)
    word = next(word for word, sign in SIGNS.items() if sign == delimiter)
    between = f"{word} between the cells" if channels + (time == "column") > 1 else "one column"
    line = above + (time == "interval") + (1 if units == "heading" else 2) + 1
    said = waveform.read_as
    assert f"{between}, decimal {'comma' if comma else 'point'}, samples from line {line}," in said
    assert (f"time in column 1 ({unit})" if time == "column" else "no time column") in said
    first = 2 if time == "column" else 1
    assert said.endswith("channels in columns " + ", ".join(f"{first + k} (mV)" for k in range(channels)))


@settings(**ANY)
@given(
    delimiter=st.sampled_from(list(SIGNS)),
    comma=st.booleans(),
    place=st.integers(0, 2),
    unit=st.sampled_from(["ms", "us"]),
    seed=st.integers(0, 2**32 - 1),
)
@example(delimiter="comma", comma=True, place=0, unit="ms", seed=0)
def test_bare_columns_are_read_the_way_they_are_said_to_be(
    delimiter: str, comma: bool, place: int, unit: str, seed: int, tmp_path: Path
) -> None:
    """No heading at all: which column is time, and in what, only a person knows."""
    samples = np.random.default_rng(seed).normal(12, 3, (2, 100))
    columns = list(samples)
    columns.insert(place, np.arange(100) * 0.5 + 7.0)
    cells = [[f"{value:.4f}" for value in row] for row in np.array(columns).T]
    if comma:
        cells = [[cell.replace(".", ",") for cell in row] for row in cells]
    stream = io.StringIO()
    quoting = csv.QUOTE_ALL if comma and delimiter == "comma" else csv.QUOTE_MINIMAL
    csv.writer(stream, delimiter=SIGNS[delimiter], lineterminator="\n", quoting=quoting).writerows(cells)
    (tmp_path / "a.csv").write_text(stream.getvalue())
    told = {
        "delimiter": delimiter,
        "decimal": "comma" if comma else "point",
        "time_column": place + 1,
        "time_unit": unit,
        "channel_units": ["", "mV"],
    }
    waveform = read_waveform(tmp_path / "a.csv", text_form(FOLDER_SETTINGS["text_format"].check(told)))
    assert waveform.rate_hz == pytest.approx({"ms": 2000.0, "us": 2e6}[unit])
    assert waveform.start_s == pytest.approx(7.0 / FACTORS[unit])
    np.testing.assert_allclose(waveform.samples, np.round(samples, 4) * [[1.0], [1e-3]], rtol=1e-4, atol=1e-6)


def test_a_sample_interval_goes_before_what_looks_like_time(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time (s),a (V)\n" + "".join(f"{n / 10},{n % 7}\n" for n in range(60)))
    assert read_waveform(tmp_path / "a.csv").rate_hz == pytest.approx(10.0)
    waveform = read_waveform(tmp_path / "a.csv", text_form({"interval_s": 0.001}))
    assert waveform.rate_hz == pytest.approx(1000.0)
    assert waveform.samples.shape == (1, 60)


def test_lines_before_the_first_one_are_passed_over(tmp_path: Path) -> None:
    other = "".join(f"{n},{n}\n" for n in range(30))
    (tmp_path / "a.csv").write_text(
        other + "time (s),a (V)\n" + "".join(f"{n / 500},{n % 7}\n" for n in range(60))
    )
    with pytest.raises(UnreadableFile):
        read_waveform(tmp_path / "a.csv")
    waveform = read_waveform(tmp_path / "a.csv", text_form({"first_line": 32}))
    assert waveform.rate_hz == pytest.approx(500.0)
    assert waveform.samples.shape == (1, 60)


def test_what_does_not_fit_the_file_says_where_it_was_said(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time (s),a (V)\n" + "".join(f"{n / 10},{n % 7}\n" for n in range(60)))
    with pytest.raises(
        UnreadableFile, match=r"time_column is 5, but the rows have 2 cells.*text_format\.json"
    ):
        read_waveform(tmp_path / "a.csv", text_form({"time_column": 5}))
    with pytest.raises(UnreadableFile, match=r"text_format\.json"):
        read_waveform(tmp_path / "a.csv", text_form({"delimiter": "tab"}))


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ([], "give"),
        ({"delimitr": "tab"}, "may hold .* not delimitr"),
        ({"delimiter": "|"}, "delimiter must be comma, semicolon or tab"),
        ({"decimal": ","}, "decimal must be"),
        ({"first_line": 0}, "first_line must be"),
        ({"time_column": 1.5}, "time_column must be"),
        ({"time_column": True}, "time_column must be"),
        ({"time_unit": "min"}, "time_unit must be"),
        ({"interval_s": 0}, "interval_s must be"),
        ({"interval_s": float("nan")}, "interval_s must be"),
        ({"interval_s": 1e-4, "time_column": 1}, "not both"),
        ({"channel_units": "mV"}, "channel_units must be"),
    ],
)
def test_a_value_that_may_not_stand_is_named(value: Any, reason: str, tmp_path: Path) -> None:
    (tmp_path / "text_format.json").write_text(json.dumps(value))
    with pytest.raises(ShopspreadError, match=reason):
        text_format(tmp_path / "text_format.json")


# -- through the warehouse -------------------------------------------------------------------------------


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    """A shop one of whose scopes writes bare columns of milliseconds into a folder of its own."""
    drop = tmp_path / "drop"
    small_drop(drop)
    bare(drop / "bare/old/a.csv")
    rows = (drop / "captures.csv").read_text().splitlines()[1:]
    write_log(drop, *rows, log_row("bare/old/a.csv", vehicle="v77"))
    return drop


def bare(path: Path) -> None:
    """A capture whose columns are voltage, primary and time in ms, with no word about it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    time_s, battery_v, primary_v = crank_voltage((1, 1, 0.6, 1))
    np.savetxt(path, np.column_stack([battery_v, primary_v, time_s * 1e3]), delimiter=",", fmt="%.6g")


def of(house: Warehouse, name: str) -> dict[str, Any]:
    return next(row for row in house.frame("intake_captures").to_dicts() if row["capture_file"] == name)


def test_a_refused_file_is_read_once_its_folder_says_how(drop: Path, tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    summary = ingest(drop, house, jobs=1)
    assert [trouble.what for trouble in summary.troubles] == ["bare/old/a.csv"]
    assert any(
        "4 text files read as: comma between the cells, decimal point" in note for note in summary.notes
    )
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    summary = ingest(drop, house, jobs=1)
    assert summary.clean
    assert summary.worked_on == 1
    assert any("time in column 3 (ms), channels in columns 1, 2" in note for note in summary.notes)
    state = of(house, "bare/old/a.csv")
    assert state["status"] == "read"
    assert "time in column 3 (ms)" in state["read_as"]
    assert ingest(drop, house, jobs=1).worked_on == 0
    layouts = house.frame("text_layouts")
    assert layouts.select("told", "captures", "example").rows() == [
        (False, 4, "week1/even0.csv"), (True, 1, "bare/old/a.csv")
    ]  # fmt: skip


def test_the_nearest_folder_counts_and_a_change_is_read_again(drop: Path, tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    (drop / "text_format.json").write_text('{"delimiter": "tab"}')
    (drop / "week1/text_format.json").write_text("{}")
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    assert ingest(drop, house, jobs=1).clean
    before = of(house, "bare/old/a.csv")
    (drop / "bare/old/text_format.json").write_text('{"time_column": 3, "time_unit": "us"}')
    ingest(drop, house, jobs=1)
    after = of(house, "bare/old/a.csv")
    assert after["waveform_sha256"] != before["waveform_sha256"]
    rate = store.load(house.waveforms, after["waveform_sha256"]).rate_hz
    assert rate == pytest.approx(1000 * store.load(house.waveforms, before["waveform_sha256"]).rate_hz)
    (drop / "bare/old/text_format.json").unlink()
    ingest(drop, house, jobs=1)
    assert of(house, "bare/old/a.csv")["waveform_sha256"] == before["waveform_sha256"]


def test_a_wrong_word_never_replaces_a_good_reading(drop: Path, tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    ingest(drop, house, jobs=1)
    before = of(house, "bare/old/a.csv")
    (drop / "bare/text_format.json").write_text('{"time_column": 9}')
    for worked_on in (1, 0):
        summary = ingest(drop, house, jobs=1)
        assert summary.worked_on == worked_on
        assert [trouble.what for trouble in summary.troubles] == ["bare/old/a.csv"]
        assert "reading made before stands" in summary.troubles[0].reason
        assert of(house, "bare/old/a.csv") == before
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    summary = ingest(drop, house, jobs=1)
    assert summary.clean
    assert of(house, "bare/old/a.csv")["waveform_sha256"] == before["waveform_sha256"]


@pytest.mark.parametrize("content", ["{", "[1]", '{"delimiter": "pipe"}', "x" * 20_000, "\x00"])
def test_a_broken_file_of_formats_is_named_and_changes_nothing(
    content: str, drop: Path, tmp_path: Path
) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    ingest(drop, house, jobs=1)
    before = of(house, "bare/old/a.csv")
    (drop / "bare/text_format.json").write_text(content)
    summary = ingest(drop, house, jobs=1)
    assert [trouble.what for trouble in summary.troubles] == ["bare/text_format.json"]
    assert summary.worked_on == 0
    assert of(house, "bare/old/a.csv") == before


def test_an_undo_takes_back_what_was_said_too(drop: Path, tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    ingest(drop, house, jobs=1)
    before = of(house, "bare/old/a.csv")
    (drop / "bare/text_format.json").write_text('{"time_column": 3, "time_unit": "us"}')
    batch = ingest(drop, house, jobs=1).batch
    undo(house, batch)
    after = of(house, "bare/old/a.csv")
    assert (after["waveform_sha256"], after["told"]) == (before["waveform_sha256"], before["told"])


def test_the_read_command_says_the_guess_and_takes_the_folders_word(drop: Path) -> None:
    words = ["--family-file", str(drop / "engine_families.csv"), "--engine-family", "plain-4"]
    done = CliRunner().invoke(app, ["read", str(drop / "week1/weak.csv"), *words])
    assert "read as: comma between the cells, decimal point, samples from line 2" in done.stderr
    path = str(drop / "bare/old/a.csv")
    assert isinstance(CliRunner().invoke(app, ["read", path, *words]).exception, UnreadableFile)
    (drop / "text_format.json").write_text('{"time_column": 3, "time_unit": "ms"}')
    done = CliRunner().invoke(app, ["read", path, *words, "--json"])
    assert json.loads(done.stdout)["read_as"].endswith("time in column 3 (ms), channels in columns 1, 2")
    # Above the drop folder nobody speaks for it.
    (drop / "text_format.json").rename(drop.parent / "text_format.json")
    assert isinstance(CliRunner().invoke(app, ["read", path, *words]).exception, UnreadableFile)
