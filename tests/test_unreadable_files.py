"""Every bad capture file is refused with its reason and what to do, and nothing else ever happens."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipelines.errors import UnreadableFile
from pipelines.readers import read_waveform
from tests.constructed_text import HEAD, lines, numbered, save

BAD: dict[str, tuple[bytes | str, str]] = {
    "empty": (b"", "empty.*save the capture again"),
    "zeros": (bytes(500), "zero bytes.*copy it once more"),
    "binary": (bytes(range(256)) * 40, "no format Shopspread reads.*Export the capture as delimited text"),
    "headings only": (HEAD + "\n", "headings but no samples.*Export"),
    "prose": ("dear diary,\nthe car would not start\n" * 20, "No rows of plain numbers"),
    "clock times": (lines("time,a", [f"12:00:{k:02d},1.5" for k in range(40)]), "clock times cannot be read"),
    "thousands": (lines("t;a", [f"{k};1.234,5" for k in range(40)]), "thousands separators"),
    "blanks between": (lines("t a", [f"{k}.5 1.5" for k in range(40)]), "blanks between columns"),
    "no rate": (
        lines("a,b", [f"{k % 5}.5,{k % 7}" for k in range(40)]),
        "no time column.*sample interval: 0.0001 s",
    ),
    "counted": (
        lines("sample,a", [f"{k},1.5" for k in range(40)]),
        "only counts the samples.*with a time column",
    ),
    "contradiction": (
        lines("rate: 1000 Hz", "interval: 2 ms", "a,b", [f"{k % 5}.5,1" for k in range(40)]),
        "'rate: 1000 Hz' and 'interval: 2 ms'|'interval: 2 ms' and 'rate: 1000 Hz'.*contradict",
    ),
    "ambiguous comma": (
        lines("rate: 20,000 Hz", "a\tb", [f"{k % 5}\t1" for k in range(40)]),
        "read in two ways",
    ),
    "unit left out": (lines("time,a", [f"{k * 100},1.5" for k in range(40)]), "names no unit.*Time \\(ms\\)"),
    "mega or milli": (lines("time (s),a (MV)", [f"{k / 9:.3f},1.5" for k in range(40)]), "milli or mega"),
    "pasted": (lines(HEAD, numbered(50), HEAD, numbered(50)), "Line 52 holds 'time \\(s\\)'.*pasted"),
    "pasted bare": (lines(HEAD, numbered(50), numbered(50)), "backwards at line 52.*file of its own"),
    "pasted wider": (
        lines(HEAD, numbered(50), [f"{row},7" for row in numbered(50, first=50)]),
        "Line 52 has 4 cells where the rows before have 3",
    ),
    "remark": (
        lines(HEAD, numbered(50), "0.05,here it knocks,1", numbered(50, first=51)),
        "'here it knocks'",
    ),
    "bad number": (
        lines(HEAD, numbered(50), "0.05,12.3.4,1", numbered(50, first=51)),
        "'12.3.4', which is no number",
    ),
    "commas twice": (
        lines("time (s),a (V)", [f"0,{k:04d},12,{k % 7}5" for k in range(40)]),
        "between the cells and inside the numbers.*semicolon",
    ),
    "heading too long": (
        lines("time (ms),a,b,c", [f"{k / 9:.3f},1.5" for k in range(40)]),
        "names 4 columns, but the rows have 2 cells",
    ),
    "still": (lines(HEAD, ["1.0,2.0,3.0"] * 40), "hardly moves.*more digits"),
    "uneven": (
        lines(HEAD, [f"{(k / 99) ** 2:.6f},1,2" for k in range(99)]),
        "not evenly spaced.*fixed sample interval",
    ),
    "leap": (lines(HEAD, numbered(50), numbered(50, first=900_000)), "leaps.*one record"),
    "two clocks": (
        lines("time (s),a,time (s),b", [f"{k / 100:.2f},1,{k / 90:.2f},2" for k in range(40)]),
        "several time columns that differ",
    ),
    "no channel": (lines("time (s)", [f"{k / 100:.2f}" for k in range(40)]), "no channel"),
    "nothing finite": (lines(HEAD, [f"{k / 100:.2f},inf,---" for k in range(40)]), "single finite sample"),
    "many channels": (
        lines([",".join([f"{k / 100:.2f}", *["1.5"] * 12]) for k in range(40)]),
        "12 channels.*1 and 8",
    ),
    "too few": (lines(HEAD, numbered(9)), "9 samples; at least 16"),
    "too long": (
        lines(HEAD, [f"{k},1.5,2.5" for k in range(900)]),
        "lasts 900 s.*save the stretch that matters",
    ),
    "broken zip": (gzip.compress(lines(HEAD, numbered(5000)).encode())[:900], "zip.*once more"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_are_named_with_reason_and_remedy(name: str, tmp_path: Path) -> None:
    content, sentence = BAD[name]
    with pytest.raises(UnreadableFile, match=sentence) as caught:
        read_waveform(save(tmp_path, content))
    assert str(caught.value).endswith((".", "'."))


def test_a_bad_line_deep_in_a_large_file_is_named(tmp_path: Path) -> None:
    rows = numbered(20_000, rate_hz=10_000)
    rows[15_000] = "1.5,oops,2"
    with pytest.raises(UnreadableFile, match="Line 15002 holds 'oops'"):
        read_waveform(save(tmp_path, lines(HEAD, rows)))


def test_a_record_broken_off_behind_an_opening_quote(tmp_path: Path) -> None:
    """The parser below panics on such an end: the last row is left out and named, and nothing else is lost."""
    whole = ["1.0,2.0"] * 30
    wave = read_waveform(
        save(tmp_path, "sample interval: 0.001 s\na (V),b (V)\n" + "\n".join(whole) + '\n1.0,"')
    )
    assert wave.samples.shape == (2, 30)
    assert any("was left out" in note for note in wave.notes)
    with pytest.raises(UnreadableFile):
        read_waveform(save(tmp_path, '1,2\n3,"'))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="cannot be opened"):
        read_waveform(tmp_path / "nowhere.csv")


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(content='\r\r0;"')  # a loose end is all there is behind the lines before the table
@given(content=st.binary(max_size=400) | st.text(alphabet='0123456789.,;\t\n\r"-einf sV()∞:=', max_size=400))
def test_no_content_ends_in_anything_but_samples_or_a_sentence(content: bytes | str, tmp_path: Path) -> None:
    path = save(tmp_path, content)
    try:
        outcome = f"{read_waveform(path).rate_hz} samples a second"
    except UnreadableFile as error:
        outcome = str(error)
    assert len(outcome) > 20
