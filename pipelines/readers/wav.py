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

from pipelines.readers._labelled import library
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".wav",)
_CONTAINERS = (b"RIFF", b"RIFX", b"RF64")
FULL_SCALE_NOTE = (
    "A sound file names no volts: full scale was read as 1 V. Give the volts (or amperes) of full scale "
    "as the channel's scale in captures.csv."
)

CUT_NOTE = "The sound file ends before its header says; what there is was read."
ADVICE = "save it as uncompressed PCM, or export delimited text"
_UNKNOWN = (0, 0xFFFFFFFF)


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
    from scipy.io import wavfile  # with all of scipy's sparse matrices: not for those who have no sound files

    content, cut = _with_sizes(read_all(path))
    notes = [FULL_SCALE_NOTE, *([CUT_NOTE] if cut else [])]
    with library("sound", ADVICE), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about chunks that hold no samples
        rate_hz, data = wavfile.read(io.BytesIO(content))
    volts = _parts_of_full_scale(data)
    samples = np.ascontiguousarray(volts.reshape(volts.shape[0], -1).T)
    off_screen = ~np.isfinite(samples)
    samples[off_screen] = np.nan
    labels = ("",) * samples.shape[0]
    return Waveform(float(rate_hz), 0.0, samples, labels, tuple(notes))


def _with_sizes(content: bytes) -> tuple[bytes, bool]:
    """The file with sizes that its end bears out, and whether it was cut off.

    A recorder that could not go back, or a copy that broke off, leaves 0, 0xFFFFFFFF or too much in the size of
    the file and of its samples; the samples then reach to the end, in whole frames. RF64 states them elsewhere.
    """
    if content[:4] == b"RF64":
        return content, False
    number = struct.Struct(">I" if content[:4] == b"RIFX" else "<I")
    size, place, frame = number.unpack_from(content, 4)[0], 12, 1
    open_ended = size in _UNKNOWN
    while place + 8 <= len(content):
        name, length = content[place : place + 4], number.unpack_from(content, place + 4)[0]
        left = len(content) - place - 8
        if name == b"fmt " and left >= 14:
            frame = struct.unpack_from(number.format[0] + "H", content, place + 20)[0] or 1
        if name == b"data" and (length > left or (length == 0 and open_ended)):
            whole = left - left % frame
            body = content[place + 8 : place + 8 + whole]
            head = content[:4] + number.pack(place + whole) + content[8 : place + 4] + number.pack(whole)
            return head + body, not open_ended
        place += 8 + length + length % 2
    if open_ended or size + 8 > len(content):
        return content[:4] + number.pack(len(content) - 8) + content[8:], not open_ended
    return content, False


def _parts_of_full_scale(data: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
    if data.dtype == np.uint8:
        return ((data.astype(np.float32) - 128.0) / 128.0).astype(np.float32)
    if np.issubdtype(data.dtype, np.integer):
        # scipy left-justifies 24 bit samples in 32 bits, so the container's width is the scale.
        return (data.astype(np.float64) / 2.0 ** (8 * data.dtype.itemsize - 1)).astype(np.float32)
    return data.astype(np.float32)
