"""Reading saved captures: the same samples come back from every shape, and bad files are named.

Outside sources: RFC 4180 (delimited text), RFC 1952 (gzip), the Unicode Standard section 23.8 (byte order
marks), the SI Brochure (prefixes), numpy.loadtxt and Python's csv and float as reference parsers, Python's
wave module as reference for RIFF/WAVE files.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.readers import read_waveform
from pipelines.readers._cells import name_and_unit, unit_of
from pipelines.source import HEAD_BYTES
from tests.constructed_text import HEAD, lines, numbered, save
from tests.naive_text import naive_read
from tests.text_dialects import DIALECTS, Dialect

RATE_HZ = 4000.0


def constructed(count: int = 300, *, seed: int = 5) -> npt.NDArray[np.float64]:
    """Two channels with four decimals, as they are written."""
    rng = np.random.default_rng(seed)
    return np.round(np.array([rng.normal(11, 0.8, count), rng.normal(0, 40, count)]), 4)


# -- every shape ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.name)
@pytest.mark.parametrize("count", [20, 300, 6000], ids=lambda count: f"{count} rows")
def test_the_same_samples_come_back_from_every_shape(dialect: Dialect, count: int, tmp_path: Path) -> None:
    samples = constructed(count)
    if dialect.value_unit == "kV":
        samples = samples * 1e3
    if dialect.name.startswith("mark"):
        samples[1, [3, 9, count - 4]] = np.nan
    content = dialect.write(RATE_HZ, samples, start_s=-0.25)
    path = save(tmp_path, gzip.compress(content) if dialect.zipped else content)
    assert (path.stat().st_size > HEAD_BYTES) == (count == 6000) or dialect.zipped
    waveform = read_waveform(path)
    assert waveform.samples.dtype == np.float32
    assert waveform.samples.shape == samples.shape
    np.testing.assert_allclose(waveform.samples, samples, rtol=2e-7, atol=6e-5)
    assert waveform.rate_hz == pytest.approx(RATE_HZ, rel=2e-7)
    assert waveform.start_s == pytest.approx(-0.25 if dialect.time_unit else 0.0, abs=1e-9)
    rate_hz, twin = naive_read(content, dialect, RATE_HZ)
    assert waveform.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    np.testing.assert_allclose(waveform.samples, twin, rtol=3e-7, atol=1e-9)


def test_dialects_have_names_of_their_own() -> None:
    assert len({dialect.name for dialect in DIALECTS}) == len(DIALECTS)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(
        st.tuples(*[st.floats(width=32, allow_nan=True, allow_infinity=True)] * 2), min_size=16, max_size=60
    ),
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
    interval_us=st.integers(1, 50_000),
    line_end=st.sampled_from(["\n", "\r\n"]),
    ended=st.booleans(),
    header=st.booleans(),
)
def test_any_float_survives_the_round_trip(
    tmp_path: Path,
    values: list[tuple[float, float]],
    delimiter: str,
    comma: bool,
    interval_us: int,
    line_end: str,
    ended: bool,
    header: bool,
) -> None:
    comma = comma and delimiter != ","
    values[0] = (1.5, -2.5)
    rows = [delimiter.join([f"{k * interval_us}.0", *map(repr, row)]) for k, row in enumerate(values)]
    text = line_end.join(rows).replace(".", ",") if comma else line_end.join(rows)
    if header:
        text = delimiter.join(("Time (us)", "a (V)", "b (V)")) + line_end + text
    else:
        text = delimiter.join(("(us)", "(V)", "(V)")) + line_end + text
    waveform = read_waveform(save(tmp_path, text + (line_end if ended else "")))
    expected = np.array(values, dtype=np.float32).T
    expected[~np.isfinite(expected)] = np.nan
    np.testing.assert_array_equal(waveform.samples, expected)
    assert waveform.rate_hz == pytest.approx(1e6 / interval_us, rel=1e-12)


def test_numpy_loadtxt_reads_the_same_numbers(tmp_path: Path) -> None:
    samples = constructed(5000)
    path = save(tmp_path, Dialect("plain").write(RATE_HZ, samples))
    reference = np.loadtxt(path, delimiter=",", skiprows=1)
    np.testing.assert_array_equal(read_waveform(path).samples, reference[:, 1:].T.astype(np.float32))


def test_quoting_follows_rfc_4180(tmp_path: Path) -> None:
    # RFC 4180, section 2, rules 5 to 7: quoted cells may hold the delimiter, and a quote doubled.
    head = '"Time (s)","one, two","say ""hello"""\r\n'
    rows = "".join(f'"{k / 100:.2f}","{k}.5",{k}\r\n' for k in range(20))
    waveform = read_waveform(save(tmp_path, head + rows))
    assert waveform.labels == ("one, two", 'say "hello"')
    np.testing.assert_array_equal(waveform.samples[0], np.arange(20) + 0.5)


@pytest.mark.parametrize(
    ("text", "kind", "factor"),
    # SI Brochure, 9th edition, table 7: k 10^3, m 10^-3, µ 10^-6, n 10^-9.
    [
        ("ms", "time", 1e-3),
        ("µs", "time", 1e-6),
        ("(μs)", "time", 1e-6),
        ("ns", "time", 1e-9),
        ("[kV]", "value", 1e3),
        ("mA", "value", 1e-3),
        ("V", "value", 1.0),
        ("uA", "value", 1e-6),
        ("kPa", "other", 1.0),
    ],
)
def test_units_carry_the_factors_of_the_si(text: str, kind: str, factor: float) -> None:
    unit = unit_of(text)
    assert unit is not None
    assert (unit.kind, unit.factor) == (kind, factor)


@pytest.mark.parametrize("name", ["channel A", "Kanal V", "probe S", "ignition", "A+B", "max"])
def test_a_letter_at_the_end_of_a_name_is_no_unit(name: str) -> None:
    assert name_and_unit(name) == (name, None)


# -- what the reader has to decide ---------------------------------------------------------------------------


def test_missing_rows_become_gaps_at_their_place(tmp_path: Path) -> None:
    rows = numbered(100)
    whole = read_waveform(save(tmp_path, lines(HEAD, rows)))
    waveform = read_waveform(save(tmp_path, lines(HEAD, rows[:40], rows[60:90], rows[91:])))
    assert waveform.samples.shape == (2, 100)
    assert waveform.rate_hz == pytest.approx(1000.0)
    gone = np.zeros(100, dtype=bool)
    gone[[*range(40, 60), 90]] = True
    assert np.isnan(waveform.samples[:, gone]).all()
    np.testing.assert_array_equal(waveform.samples[:, ~gone], whole.samples[:, ~gone])
    assert any("2 gaps" in note and "20 samples" in note for note in waveform.notes)


@pytest.mark.parametrize("missing", [1, 2, 50, 97, 98])
def test_a_single_missing_row_is_found_wherever_it_is(missing: int, tmp_path: Path) -> None:
    rows = numbered(100)
    waveform = read_waveform(save(tmp_path, lines(HEAD, rows[:missing], rows[missing + 1 :])))
    assert np.flatnonzero(np.isnan(waveform.samples[0])).tolist() == [missing]


def test_a_time_column_with_few_digits_still_gives_the_rate(tmp_path: Path) -> None:
    rows = [f"{round(k / 4000, 3):.3f},{k % 7}.5" for k in range(8000)]
    waveform = read_waveform(save(tmp_path, lines("time (s),a (V)", rows)))
    assert waveform.samples.shape == (1, 8000)
    # Two ends rounded to 1 ms over 2 s alone would leave 5e-4.
    assert waveform.rate_hz == pytest.approx(4000, rel=5e-5)
    torn = read_waveform(save(tmp_path, lines("time (s),a (V)", rows[:3000], rows[5000:])))
    assert torn.rate_hz == pytest.approx(4000, rel=3e-4)
    assert abs(torn.samples.shape[1] - 8000) <= 2


def test_clock_jitter_is_no_gap(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    time_s = np.arange(500) / 1000 + rng.uniform(-2e-4, 2e-4, 500)
    waveform = read_waveform(save(tmp_path, lines("time (s),a", [f"{t:.7f},1.5" for t in time_s])))
    assert waveform.samples.shape == (1, 500)
    assert waveform.rate_hz == pytest.approx(1000, rel=2e-3)


def test_a_stated_interval_that_agrees_is_taken_exactly(tmp_path: Path) -> None:
    rows = [f"{k / 3000:.4f},{k % 5}.5" for k in range(300)]
    waveform = read_waveform(save(tmp_path, lines("sample rate: 3 kHz", "time (s),a", rows)))
    assert waveform.rate_hz == pytest.approx(3000, rel=1e-12)
    assert not any("time column was used" in note for note in waveform.notes)


def test_a_stated_interval_that_disagrees_is_named(tmp_path: Path) -> None:
    waveform = read_waveform(save(tmp_path, lines("sample rate: 3 kHz", HEAD, numbered())))
    assert waveform.rate_hz == pytest.approx(1000)
    assert any("time column was used" in note for note in waveform.notes)


def test_the_stated_interval_decides_the_unit_of_a_bare_time_column(tmp_path: Path) -> None:
    rows = [f"{k * 0.5:.1f},{k % 5}.5" for k in range(100)]
    waveform = read_waveform(save(tmp_path, lines("sample interval: 0.5 ms", "time,a", rows)))
    assert waveform.rate_hz == pytest.approx(2000)
    assert any("it is ms" in note for note in waveform.notes)
    seconds = read_waveform(save(tmp_path, lines("time,a", rows)))
    assert seconds.rate_hz == pytest.approx(2)
    assert any("read as seconds" in note for note in seconds.notes)


def test_samples_off_the_screen_are_counted_apart(tmp_path: Path) -> None:
    rows = numbered(60)
    rows[10:14] = ["0.0100,∞,1.5", "0.0110,-inf,---", "0.0120, 12.5 ,", "0.0130,inf,2.5"]
    waveform = read_waveform(save(tmp_path, lines(HEAD, rows)))
    assert np.flatnonzero(np.isnan(waveform.samples[0])).tolist() == [10, 11, 13]
    assert np.flatnonzero(np.isnan(waveform.samples[1])).tolist() == [11, 12]
    assert waveform.samples[0, 12] == 12.5
    assert "Channel 1 has samples without a number: 2 above the screen, 1 below the screen." in waveform.notes
    assert "Channel 2 has samples without a number: 2 missing." in waveform.notes


def test_a_channel_that_is_off_the_screen_at_first_is_kept(tmp_path: Path) -> None:
    rows = [f"{k / 1000:.4f},12.5,{'' if k < 500 else k}" for k in range(600)]
    waveform = read_waveform(save(tmp_path, lines(rows)))
    assert waveform.channels == 2
    assert np.isnan(waveform.samples[1, :500]).all()
    np.testing.assert_array_equal(waveform.samples[1, 500:], np.arange(500, 600))


@pytest.mark.parametrize(
    ("end", "left_out"),
    [
        ("0.1000,12.1", "0.1000,12.1"),
        ("0.1000,12.100,4", "0.1000,12.100,4"),
        ("0.1000,12.100,4.", "0.1000,12.100,4."),
        ("0.1000,12.1-", "0.1000,12.1-"),
        ("end of record\n", "end of record"),
    ],
)
def test_an_end_that_broke_off_is_left_out_and_named(end: str, left_out: str, tmp_path: Path) -> None:
    waveform = read_waveform(save(tmp_path, lines(HEAD, numbered(100)) + end))
    assert waveform.samples.shape == (2, 100)
    assert any(repr(left_out) in note and "left out" in note for note in waveform.notes)


def test_a_last_line_without_a_newline_counts(tmp_path: Path) -> None:
    waveform = read_waveform(save(tmp_path, lines(HEAD, numbered(100)).rstrip("\n")))
    assert waveform.samples.shape == (2, 100)
    assert waveform.notes == ()


def test_zero_bytes_at_the_end_are_left_out_and_named(tmp_path: Path) -> None:
    waveform = read_waveform(save(tmp_path, lines(HEAD, numbered(100)).encode() + bytes(4096)))
    assert waveform.samples.shape == (2, 100)
    assert any("zero bytes" in note for note in waveform.notes)


def test_a_blank_line_without_a_time_column_shifts_nothing(tmp_path: Path) -> None:
    rows = [f"{k % 9}.5,{k}" for k in range(40)]
    waveform = read_waveform(save(tmp_path, lines("rate: 1 kHz", "a,b", rows[:20], "", "", rows[20:])))
    np.testing.assert_array_equal(waveform.samples[1], np.arange(40))


def test_an_empty_cell_of_a_lone_channel_is_a_missing_sample(tmp_path: Path) -> None:
    rows = [f"{k}.5" for k in range(40)]
    waveform = read_waveform(save(tmp_path, lines("rate: 1 kHz", "a", rows[:20], "", rows[20:])))
    assert waveform.samples.shape == (1, 41)
    assert np.flatnonzero(np.isnan(waveform.samples[0])).tolist() == [20]


def test_a_column_that_counts_samples_is_no_channel(tmp_path: Path) -> None:
    rows = [f"{k},{k % 5}.5" for k in range(40)]
    for head in (["rate: 1 kHz", "sample no,a"], ["rate: 1 kHz"]):
        waveform = read_waveform(save(tmp_path, lines(head, rows)))
        assert waveform.samples.shape == (1, 40)
        assert waveform.rate_hz == 1000


def test_several_time_columns_that_agree_are_one(tmp_path: Path) -> None:
    rows = [f"{k / 100:.2f},1.5,{k / 100:.2f},{k}" for k in range(40)]
    waveform = read_waveform(save(tmp_path, lines("time (s),a,time (s),b", rows)))
    assert waveform.labels == ("a", "b")


def test_other_units_are_kept_as_written_and_named(tmp_path: Path) -> None:
    rows = [f"{k / 100:.2f},{k}.5" for k in range(40)]
    waveform = read_waveform(save(tmp_path, lines("time (s),cylinder (kPa)", rows)))
    assert waveform.samples[0, 10] == 10.5
    assert any("'kPa'" in note and "scale" in note for note in waveform.notes)


def test_thousands_in_the_preamble_are_told_from_decimals(tmp_path: Path) -> None:
    rows = [f"{k % 9}.5\t{k % 7}.5" for k in range(40)]
    waveform = read_waveform(save(tmp_path, lines("sample rate: 20,000 Hz", "a\tb", rows)))
    assert waveform.rate_hz == 20_000
    commas = [row.replace(".", ",") for row in rows]
    waveform = read_waveform(save(tmp_path, lines("sample rate: 20,500 kHz", "a\tb", commas)))
    assert waveform.rate_hz == pytest.approx(20_500)
