"""One file a format: readers are discovered, asked in turn, and sound files prove the pattern.

Outside sources: Python's wave module and scipy's writer as references for RIFF/WAVE files.
"""

from __future__ import annotations

import io
import wave
from pathlib import Path

import numpy as np
import pytest
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
