"""RIFF/WAVE sound files: an open container for equally spaced samples.

Format: IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0" (1991), read with
scipy. Such a file states a sample rate and integer samples, but no volts: full scale counts as 1 V, and
the capture's channel scale says how many volts (or amperes) full scale really was.
"""

from __future__ import annotations

import io
import struct
import warnings
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.io import wavfile

from pipelines.errors import UnreadableFile
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".wav",)
_CONTAINERS = (b"RIFF", b"RIFX", b"RF64")
FULL_SCALE_NOTE = (
    "A sound file names no volts: full scale was read as 1 V. Give the volts (or amperes) of full scale "
    "as the channel's scale in captures.csv."
)


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The container's own signature at bytes 0 and 8."""
    return head[:4] in _CONTAINERS and head[8:12] == b"WAVE"


def read(path: Path) -> Waveform:
    """Samples as parts of full scale, shape (channels, samples).

    Integers of b bits are divided by 2^(b-1) (8 bit ones are unsigned around 128); floating point
    samples are taken as they are, infinite ones become NaN.

    Raises:
        UnreadableFile: for a broken or unsupported file.
    """
    content = read_all(path)
    notes = [FULL_SCALE_NOTE]
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            rate_hz, data = wavfile.read(io.BytesIO(content))
    except (ValueError, EOFError, struct.error) as error:
        raise UnreadableFile(
            f"The sound file is broken or of a kind that cannot be read ({error}); "
            "save it as uncompressed PCM, or export delimited text."
        ) from error
    if any("end of file" in str(warning.message).lower() for warning in caught):
        notes.append("The sound file was cut off; what there is was read.")
    volts = _parts_of_full_scale(data)
    samples = np.ascontiguousarray(volts.reshape(volts.shape[0], -1).T)
    off_screen = ~np.isfinite(samples)
    samples[off_screen] = np.nan
    labels = ("",) * samples.shape[0]
    return Waveform(float(rate_hz), 0.0, samples, labels, tuple(notes))


def _parts_of_full_scale(data: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
    if data.dtype == np.uint8:
        return ((data.astype(np.float32) - 128.0) / 128.0).astype(np.float32)
    if np.issubdtype(data.dtype, np.integer):
        # scipy left-justifies 24 bit samples in 32 bits, so the container's width is the scale.
        return (data.astype(np.float64) / 2.0 ** (8 * data.dtype.itemsize - 1)).astype(np.float32)
    return data.astype(np.float32)
