"""The scope: clamp and clips, coupling, bandwidth, noise, screen, converter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.composed.parameters import ChannelDraw

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Seen:
    """One channel: `values` with NaN where nothing was written, `cut` where the screen's edge cut it off."""

    values: Array
    cut: npt.NDArray[np.bool_]
    code: float


def code_size(channel: ChannelDraw) -> float:
    """Step of the converter in the channel's unit, dead bits counted."""
    return float((channel.high - channel.low) / 2**channel.bits * 2**channel.dead_bits)


def low_passed(values: Array, tau_s: float, step_s: float, first: float) -> Array:
    """One pole, exact for a signal held between samples: y += (1 - exp(-step/tau)) (x - y), settled at `first`."""
    if tau_s <= 0:
        return values
    a = math.exp(-step_s / tau_s)
    out, _ = lfilter([1 - a], [1, -a], values, zi=[a * first])
    return np.asarray(out)


def coupled(channel: ChannelDraw, values: Array, step_s: float, settled: float) -> Array:
    """Sign, AC coupling (a one-pole high pass that had settled at `settled`), bandwidth."""
    out = channel.sign * values
    if channel.ac_tau_s:
        out = out - low_passed(out, channel.ac_tau_s, step_s, channel.sign * settled)
    if channel.bandwidth_hz < 0.4 / step_s:
        out = low_passed(out, 1 / (2 * math.pi * channel.bandwidth_hz), step_s, float(out[0]))
    return out - channel.taken_off


def seen(
    channel: ChannelDraw, values: Array, at_s: Array, step_s: float, settled: float, seed: list[int]
) -> Seen:
    """What the channel writes, in the unit measured."""
    rng = np.random.default_rng(seed)
    out = coupled(channel, values, step_s, settled)
    out = out + channel.noise * rng.standard_normal(out.size, dtype=np.float32)
    if channel.hum:
        out += channel.hum * np.sin(2 * np.pi * channel.hum_hz * at_s + rng.uniform(0, 6.28))
    code = code_size(channel)
    cut = (out > channel.high - code / 2) | (out < channel.low - code / 2)
    steps = np.floor((out - channel.low) / code + 0.5)
    top = 2 ** (channel.bits - channel.dead_bits) - 1
    out = channel.low + code * np.clip(steps, 0, top)
    if channel.clip_nan:
        out[cut] = np.nan
    return Seen(out, cut, code)
