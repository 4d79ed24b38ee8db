"""One file a format: readers are discovered, asked in turn, and sound files prove the pattern.

Outside sources: Python's wave module and scipy's writer as references for RIFF/WAVE files.
"""

from __future__ import annotations

import io
import struct
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from pipelines import readers
from pipelines.errors import NotThisFormat, UnreadableFile
from pipelines.readers import known_suffixes, read_waveform
from tests.constructed_text import HEAD, lines, numbered, save


def test_every_reader_module_is_discovered() -> None:
    folder = Path(readers.__file__).parent
    modules = {path.stem for path in folder.glob("*.py") if not path.stem.startswith("_")}
    assert set(readers.readers()) == modules
    assert {"delimited", "wav"} <= modules
    assert {".csv", ".csv.gz", ".txt", ".wav"} <= set(known_suffixes())


def test_exactly_one_reader_recognises_each_format(tmp_path: Path) -> None:
    sound = io.BytesIO()
    wavfile.write(sound, 8000, np.zeros(100, dtype=np.int16))
    for content in (sound.getvalue(), lines(HEAD, numbered(20)).encode(), lines(HEAD).encode("utf-16")):
        said = [name for name, reader in readers.readers().items() if reader.recognise(content, tmp_path)]
        assert len(said) == 1


def test_a_reader_that_was_mistaken_lets_the_next_one_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Mistaken:
        SUFFIXES = (".csv",)

        def recognise(self, head: bytes, path: Path) -> bool:  # noqa: ARG002
            return True

        def read(self, path: Path) -> readers.Waveform:
            raise NotThisFormat(path.name)

    found = {"mistaken": Mistaken(), **readers.readers()}
    monkeypatch.setattr(readers, "readers", lambda: found)
    assert read_waveform(save(tmp_path, lines(HEAD, numbered(20)))).samples.shape == (2, 20)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_sound_files_of_every_width_come_back_in_parts_of_full_scale(width: int, tmp_path: Path) -> None:
    # Written by Python's wave module: little-endian PCM, unsigned around 128 for 8 bits.
    rng = np.random.default_rng(width)
    top = 2 ** (8 * width - 1)
    numbers = rng.integers(-top, top, (500, 2))
    numbers[0], numbers[1] = -top, top - 1
    path = tmp_path / "capture.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(width)
        file.setframerate(20_000)
        file.writeframes(
            b"".join(
                (int(value) + 128).to_bytes(1, "little")
                if width == 1
                else int(value).to_bytes(width, "little", signed=True)
                for value in numbers.ravel()
            )
        )
    waveform = read_waveform(path)
    assert waveform.rate_hz == 20_000
    np.testing.assert_allclose(waveform.samples, numbers.T / top, rtol=1e-6, atol=1e-7)
    assert waveform.samples.min() == -1.0
    assert any("full scale" in note for note in waveform.notes)


def test_floating_point_sound_is_taken_as_it_is(tmp_path: Path) -> None:
    values = np.linspace(-30, 30, 200, dtype=np.float32)
    values[7] = np.inf
    wavfile.write(tmp_path / "capture.wav", 1000, values)
    waveform = read_waveform(tmp_path / "capture.wav")
    assert np.isnan(waveform.samples[0, 7])
    np.testing.assert_array_equal(np.delete(waveform.samples[0], 7), np.delete(values, 7))


def test_a_broken_sound_file_is_named(tmp_path: Path) -> None:
    sound = io.BytesIO()
    wavfile.write(sound, 8000, np.zeros(1000, dtype=np.int16))
    with pytest.raises(UnreadableFile, match=r"sound file is broken.*delimited text"):
        read_waveform(save(tmp_path, sound.getvalue()[:30], "capture.wav"))


# -- sound files as recorders leave them -----------------------------------------------------------------
# Layouts after IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0" (1991), RFC 2361
# (extensible format) and EBU Tech 3306 (RF64).


def _wav(values: np.ndarray, *, mark: bytes = b"RIFF", extensible: bool = False, before: bytes = b"",
         after: bytes = b"", riff: int | None = None, data: int | None = None) -> bytes:  # fmt: skip
    """A sound file put together by hand, from values of shape (samples, channels)."""
    end = ">" if mark == b"RIFX" else "<"
    body = values.astype(values.dtype.newbyteorder(end)).tobytes()
    width = values.dtype.itemsize
    tag = 3 if values.dtype.kind == "f" else 1
    frame = width * values.shape[1]
    form = struct.pack(
        end + "HHIIHH",
        0xFFFE if extensible else tag,
        values.shape[1],
        20_000,
        20_000 * frame,
        frame,
        8 * width,
    )
    if extensible:
        guid = struct.pack("<IHH", tag, 0, 0x10) + bytes.fromhex("800000aa00389b71")
        form += struct.pack(end + "HHI", 22, 8 * width, 3) + guid
    chunks = before + b"fmt " + struct.pack(end + "I", len(form)) + form
    chunks += b"data" + struct.pack(end + "I", len(body) if data is None else data) + body + after
    if mark == b"RF64":
        ds64 = b"ds64" + struct.pack("<IQQQI", 28, len(chunks) + 40, len(body), values.shape[0], 0)
        return mark + b"\xff" * 4 + b"WAVE" + ds64 + chunks
    return mark + struct.pack(end + "I", len(chunks) + 4 if riff is None else riff) + b"WAVE" + chunks


LIST = b"LIST" + struct.pack("<I", 10) + b"INFOabcdef"
ODD = b"note" + struct.pack("<I", 3) + b"abc\0"


@pytest.mark.parametrize(
    "changes",
    [
        {"mark": b"RIFX"},
        {"mark": b"RF64"},
        {"extensible": True},
        {"before": LIST + ODD},
        {"after": ODD + LIST},
        {"before": b"JUNK" + struct.pack("<I", 28) + bytes(28)},
        {"riff": 0, "data": 0},
        {"riff": 0xFFFFFFFF, "data": 0xFFFFFFFF},
        {"riff": 0},
        {"mark": b"RIFX", "riff": 0, "data": 0xFFFFFFFF},
    ],
    ids=str,
)
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    channels=st.integers(1, 8),
    length=st.integers(16, 200),
    dtype=st.sampled_from(["int16", "int32", "float32", "float64"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_whatever_header_a_sound_file_has_its_samples_come_back(
    changes: dict[str, Any], channels: int, length: int, dtype: str, seed: int, tmp_path: Path
) -> None:
    values = np.random.default_rng(seed).normal(0, 0.3, (length, channels))
    full = 2.0 ** (8 * np.dtype(dtype).itemsize - 1) if dtype.startswith("int") else 1.0
    written = (
        np.clip(np.rint(values * full), -full, full - 1).astype(dtype) if full > 1 else values.astype(dtype)
    )
    (tmp_path / "a.wav").write_bytes(_wav(written, **changes))
    waveform = read_waveform(tmp_path / "a.wav")
    assert waveform.rate_hz == 20_000
    assert not any("ends before" in note for note in waveform.notes)
    np.testing.assert_allclose(waveform.samples, (written / full).T, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("lost", [1, 3, 4, 401])
def test_a_sound_file_that_was_cut_off_gives_its_whole_frames(lost: int, tmp_path: Path) -> None:
    values = np.arange(400, dtype=np.int16).reshape(-1, 2)
    (tmp_path / "a.wav").write_bytes(_wav(values)[:-lost])
    waveform = read_waveform(tmp_path / "a.wav")
    whole = (800 - lost) // 4
    np.testing.assert_allclose(waveform.samples, values[:whole].T / 32768, rtol=1e-6)
    assert any("ends before its header says" in note for note in waveform.notes)


def test_no_channels_at_all_is_a_sentence(tmp_path: Path) -> None:
    # The library divides by the number of channels.
    content = bytearray(_wav(np.zeros((100, 1), np.int16)))
    content[22:24] = b"\0\0"
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(UnreadableFile, match=r"sound file is broken.*uncompressed PCM"):
        read_waveform(tmp_path / "a.wav")
