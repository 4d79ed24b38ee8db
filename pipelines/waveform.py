"""The one gate every waveform passes: finite rate, sane shape, gaps as NaN, units in V, A and s."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipelines.errors import UnreadableFile

MAX_CHANNELS = 8
MAX_DURATION_S = 600.0
MIN_SAMPLES = 16

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Waveform:
    """One saved file: channels over a uniform time base.

    Attributes:
        rate_hz: samples per second, > 0. There is no default anywhere.
        start_s: time of the first sample on the file's own time axis, in s.
        samples: float32, shape (channels, samples); volts or amperes as the scope wrote them
            (the capture's `scale` is not applied here); NaN where the file has none
            (off the screen, empty, dropped).
        labels: the channel names the file gives, `""` where it gives none; length = channels.
        notes: what the reader had to decide, in sentences (for the intake log).
        read_as: the layout a reader had to find out by itself, in words; empty where the format states it.
    """

    rate_hz: float
    start_s: float
    samples: Samples
    labels: tuple[str, ...]
    notes: tuple[str, ...] = field(default=())
    read_as: str = ""

    def __post_init__(self) -> None:
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise UnreadableFile(f"The sample rate comes out as {self.rate_hz} Hz; check the time column.")
        if self.samples.ndim != 2 or self.samples.dtype != np.float32:
            raise ValueError("samples must be float32 of shape (channels, samples)")
        channels, length = self.samples.shape
        if not 1 <= channels <= MAX_CHANNELS:
            raise UnreadableFile(
                f"The file has {channels} channels; between 1 and {MAX_CHANNELS} can be read."
            )
        if len(self.labels) != channels:
            raise ValueError("one label per channel")
        if length < MIN_SAMPLES:
            raise UnreadableFile(f"The file holds {length} samples; at least {MIN_SAMPLES} are needed.")
        if length / self.rate_hz > MAX_DURATION_S:
            raise UnreadableFile(
                f"The file lasts {length / self.rate_hz:.0f} s; save the stretch that matters only "
                f"(at most {MAX_DURATION_S:.0f} s)."
            )
        if not np.isfinite(self.samples).any():
            raise UnreadableFile("No channel holds a single finite sample; save the capture again.")

    @property
    def channels(self) -> int:
        """Number of channels, in file order."""
        return int(self.samples.shape[0])

    @property
    def duration_s(self) -> float:
        """Length of the record in s."""
        return int(self.samples.shape[1]) / self.rate_hz
