"""Pulses that keep one place in the cycle the ripple tells: a coil caught now and then, or among bursts."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from pipelines.kinds.relative_compression.pulses import PulseTrain
from pipelines.kinds.relative_compression.values import Array

IN_STEP = 0.06  # of a cycle: how far apart the pulses of one coil lie at most
BY_CHANCE = 0.02


def in_step(trains: Iterable[PulseTrain], times_s: Array, cycles: Array) -> tuple[Array, float] | None:
    """The pulses of a train that keep one place in the cycle the ripple tells, and that place, 0 to 1.

    For a coil that fires once a cycle and was caught only now and then, or among bursts from elsewhere. Pulses
    thrown at random gather in a window by chance: the bound on that, n C(n-1, k-1) w^(k-1) for k of n in some
    window of width w (each pulse may begin one; union bound over the binomial's leading term), must be small, and
    no second place may hold half as many (every cylinder's coil would be seen).
    """
    for train in trains:
        pulses = train.times_s[(train.times_s >= times_s[0]) & (train.times_s <= times_s[-1])]
        count = pulses.size
        if count < 2:
            continue
        place = np.interp(pulses, times_s, cycles) % 1.0
        beyond = (place[None, :] - place[:, None]) % 1.0  # how far each lies behind each window's beginning
        held = beyond <= IN_STEP
        most = int(np.argmax(held.sum(axis=1)))
        inside = held[most]
        together = int(inside.sum())
        if together < 2 or together > cycles[-1] + 1:
            continue
        outside = np.flatnonzero(~inside)
        rival = int(held[np.ix_(outside, outside)].sum(axis=1).max()) if outside.size else 0
        chance = count * math.comb(count - 1, together - 1) * IN_STEP ** (together - 1)
        if chance < BY_CHANCE and rival <= max(1, together // 2):
            turn = np.exp(2j * np.pi * place[inside]).mean()
            return pulses[inside], float(np.angle(turn) / (2.0 * np.pi)) % 1.0
    return None
