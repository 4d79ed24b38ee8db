"""Draws the scope's own numbers: rate, channels, screens, coupling, converter."""

from __future__ import annotations

import math

import numpy as np

from tests.composed.parameters import ChannelDraw, ScopeDraw


def _often(rng: np.random.Generator, chance: float) -> bool:
    return bool(rng.random() < chance)


def _over(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _bits(rng: np.random.Generator) -> int:
    return int(rng.choice([8, 9, 10, 12, 14, 16], p=[0.36, 0.04, 0.1, 0.26, 0.1, 0.14]))


def draw_scope(rng: np.random.Generator) -> ScopeDraw:
    """Rate from 400 S/s to 10 MS/s, most of them where shops set it."""
    fast = rng.random()
    if fast < 0.85:
        rate = _over(rng, 400.0, 4e4)
    elif fast < 0.95:
        rate = _over(rng, 4e4, 2.5e5)
    else:
        rate = _over(rng, 2.5e5, 1e7)
    bits = _bits(rng)
    return ScopeDraw(
        rate_hz=float(f"{rate:.3g}"),
        supply=str(rng.choice(["voltage", "current", "both"], p=[0.5, 0.38, 0.12])),
        clamp_on_battery=_often(rng, 0.3),
        clamp_zeroed_while_on=_often(rng, 0.06),
        voltage=_draw_voltage(rng, bits),
        current=_draw_current(rng, bits),
        ignition=_draw_ignition_channel(rng, bits),
        sync_first=_often(rng, 0.35),
    )


def _draw_voltage(rng: np.random.Generator, bits: int) -> ChannelDraw:
    sign = -1 if _often(rng, 0.08) else 1
    tau, off = 0.0, 0.0
    manner = rng.random()
    if manner < 0.14:
        tau = _over(rng, 0.01, 3.0)
        half = _over(rng, 1.0, 8.0)
        low, high = -half, half
    elif manner < 0.22:
        off = float(rng.uniform(9.5, 12.6)) * sign
        half = _over(rng, 1.0, 5.0)
        low, high = -half, half
    elif manner < 0.28:  # a narrow screen that may cut off rest or dips
        low, high = float(rng.uniform(5.0, 11.0)), float(rng.uniform(11.0, 14.0))
        low, high = (low, high) if sign > 0 else (-high, -low)
    else:
        high = float(rng.choice([15.0, 20.0, 25.0, 40.0, 50.0]))
        low = -high if sign < 0 or _often(rng, 0.6) else 0.0
    return ChannelDraw(
        low=low,
        high=high,
        bits=bits,
        dead_bits=int(rng.integers(1, 4)) if _often(rng, 0.04) else 0,
        taken_off=off,
        sign=sign,
        ac_tau_s=tau,
        bandwidth_hz=_over(rng, 100.0, 1e3) if _often(rng, 0.1) else _over(rng, 3e3, 2e7),
        noise=_over(rng, 0.03, 0.3) if _often(rng, 0.08) else _over(rng, 0.001, 0.03),
        hum=_over(rng, 0.01, 0.3) if _often(rng, 0.08) else 0.0,
        hum_hz=float(rng.choice([50.0, 60.0])),
        clip_nan=_often(rng, 0.25),
        scale_error=float(rng.choice([0.1, 10.0])) if _often(rng, 0.03) else 1.0,
    )


def _draw_current(rng: np.random.Generator, bits: int) -> ChannelDraw:
    sign = -1 if _often(rng, 0.12) else 1
    high = float(rng.choice([200.0, 400.0, 600.0, 1000.0, 2000.0], p=[0.03, 0.1, 0.27, 0.4, 0.2]))
    tau = _over(rng, 0.01, 3.0) if _often(rng, 0.08) else 0.0
    return ChannelDraw(
        low=-high if sign < 0 or tau or _often(rng, 0.6) else -0.05 * high,
        high=high,
        bits=bits,
        dead_bits=int(rng.integers(1, 4)) if _often(rng, 0.04) else 0,
        taken_off=float(rng.uniform(60.0, 200.0)) * sign if _often(rng, 0.05) else 0.0,
        sign=sign,
        ac_tau_s=tau,
        bandwidth_hz=_over(rng, 100.0, 1e3) if _often(rng, 0.15) else _over(rng, 3e3, 1e5),
        noise=_over(rng, 5.0, 30.0) if _often(rng, 0.1) else _over(rng, 0.2, 5.0),
        hum=_over(rng, 0.5, 15.0) if _often(rng, 0.08) else 0.0,
        hum_hz=float(rng.choice([50.0, 60.0])),
        clip_nan=_often(rng, 0.25),
        scale_error=float(rng.choice([0.1, 10.0, 1000.0])) if _often(rng, 0.05) else 1.0,
    )


def _draw_ignition_channel(rng: np.random.Generator, bits: int) -> ChannelDraw:
    high = float(rng.choice([20.0, 50.0, 100.0, 200.0, 400.0, 500.0]))
    return ChannelDraw(
        low=-high if _often(rng, 0.7) else -0.1 * high,
        high=high,
        bits=bits,
        dead_bits=0,
        taken_off=0.0,
        sign=1,
        ac_tau_s=_over(rng, 0.005, 0.3) if _often(rng, 0.06) else 0.0,
        bandwidth_hz=_over(rng, 2e3, 2e4) if _often(rng, 0.1) else _over(rng, 2e4, 2e7),
        noise=_over(rng, 0.01, 0.6),
        hum=_over(rng, 0.05, 1.0) if _often(rng, 0.06) else 0.0,
        hum_hz=float(rng.choice([50.0, 60.0])),
        clip_nan=_often(rng, 0.25),
        scale_error=1.0,
    )
