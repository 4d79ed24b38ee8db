"""One channel made ready: units, gaps, what left the screen, the scope's step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

LOOK_AT = 60_000
WORK_RATE_HZ = 500_000.0


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel in V or A.

    Attributes:
        values: shape (samples,), float32, gaps filled.
        rate_hz: of `values`.
        step: smallest step between values; 0 where it cannot be told.
        top, low: highest and lowest value of the record.
        off_screen: whether the record holds stretches without a number again and again.
    """

    values: Samples
    rate_hz: float
    step: float
    top: float
    low: float
    off_screen: bool

    @property
    def some(self) -> Samples:
        """Some values, evenly spread over the record, for levels."""
        return self.values[:: max(1, len(self.values) // LOOK_AT)]

    def turned(self) -> Trace:
        """The same with its sign changed."""
        return Trace(-self.values, self.rate_hz, self.step, -self.low, -self.top, self.off_screen)

    def lifted(self, by: float) -> Trace:
        """The same with a constant added."""
        values = (self.values + np.float32(by)).astype(np.float32)
        return Trace(values, self.rate_hz, self.step, self.top + by, self.low + by, self.off_screen)


def prepare(samples: Samples, rate_hz: float, scale: float) -> Trace | None:
    """One channel as a `Trace`, or None where it holds fewer than 16 finite samples.

    `samples` has shape (samples,); `scale` multiplies the file's number into V or A.
    """
    finite = np.isfinite(samples)
    known = int(np.count_nonzero(finite))
    if known < 16 or not np.isfinite(scale) or scale == 0:
        return None
    off = False
    if known < len(samples):
        samples, off = _filled(samples, finite)
    every = max(1, min(int(rate_hz / WORK_RATE_HZ), len(samples) // 16))
    if every > 1:
        whole = samples[: len(samples) // every * every].reshape(-1, every)
        samples, rate_hz = whole.mean(axis=1, dtype=np.float32), rate_hz / every
    values = (samples * np.float32(scale)).astype(np.float32)
    return Trace(values, rate_hz, _step(values), float(values.max()), float(values.min()), off)


def _filled(samples: Samples, finite: npt.NDArray[np.bool_]) -> tuple[Samples, bool]:
    """Gaps filled: with the screen's edge where they come again and again, else with straight lines."""
    edges = np.diff(np.concatenate([[1], finite.view(np.int8), [1]]))
    runs = int(np.count_nonzero(edges == -1))
    place = np.flatnonzero(finite)
    seen = samples[place]
    if runs >= 5:
        edge = seen.max() if abs(float(seen.max())) >= abs(float(seen.min())) else seen.min()
        return np.where(finite, samples, edge).astype(np.float32), True
    return np.interp(np.arange(len(samples)), place, seen).astype(np.float32), False


def _step(values: Samples) -> float:
    """Smallest step between values that occur, 0 where the values lie as close as float32 allows."""
    part = np.unique(values[:20_000])
    if len(part) < 2:
        return 0.0
    gaps = np.diff(part)
    real = gaps[gaps > float(np.abs(part).max()) * 1e-6]
    return float(np.quantile(real, 0.05, method="lower")) if len(real) else 0.0
