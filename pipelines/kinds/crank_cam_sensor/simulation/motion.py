"""A crank that turns: the starter's torque, friction and the cylinders' compression, stepped through time.

    J dw/dt = starter(w) - friction - sum of p(V) dV/dangle

Each cylinder's gas works as a spring (compression and expansion along the same polytrope, textbook; from memory), so it
takes speed before its top and gives it back after. The starter's torque falls in a straight line with speed. At idle
the firing strokes stand in for the starter: a push after every top. Numbers are invented; orders of magnitude are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

STEP_S = 2.5e-4


@dataclass(frozen=True, slots=True)
class Crank:
    """A crank and what turns it; `strength` is each cylinder's compression in firing order, 1 = usual."""

    cylinders: int = 4
    strength: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0)
    rpm: float = 220.0
    inertia_kgm2: float = 0.22
    peak_nm: float = 60.0
    top_after_gap_turns: float = 0.2
    wander: float = 0.004


def torque_table(crank: Crank, points: int = 1440) -> Floats:
    """Torque of the gas in N m over two turns, shape (points,); its mean is nothing."""
    angle = np.arange(points) / points * 4 * np.pi
    total = np.zeros(points)
    for at, strength in enumerate(crank.strength):
        own = angle - 4 * np.pi * at / crank.cylinders - 2 * np.pi * crank.top_after_gap_turns
        own = (own + 2 * np.pi) % (4 * np.pi) - 2 * np.pi
        # ratio of volumes 10: the pressure's rise over the piston's travel, closed valves half a turn either side
        volume = 1.0 + 9.0 * (1 - np.cos(own)) / 2
        gas = np.where(np.abs(own) < np.pi, (10.0 / volume) ** 1.3 - 1.0, 0.0) * np.sin(own)
        total += strength * gas
    return total * crank.peak_nm / 6.0


def turn(
    crank: Crank, duration_s: float, rng: np.random.Generator, from_rest_s: float | None
) -> tuple[Floats, Floats]:
    """Angle in turns (0 = first tooth after the gap) and speed in rad/s every `STEP_S`, shape (steps,).

    Args:
        from_rest_s: when the starter engages; None = it turned before.
    """
    steps = int(duration_s / STEP_S) + 2
    table = torque_table(crank)
    usual = crank.rpm * 2 * np.pi / 60
    push = 0.6 * crank.peak_nm * crank.cylinders / 4
    angle = float(rng.uniform(0.0, 2.0)) * 2 * np.pi
    speed = usual if from_rest_s is None else 0.0
    noise = rng.standard_normal(steps)
    angles, speeds = np.empty(steps), np.empty(steps)
    wander = 0.0
    for step in range(steps):
        wander = 0.995 * wander + 0.1 * crank.wander * noise[step]
        on = from_rest_s is None or step * STEP_S >= from_rest_s
        gas = table[int(angle / (4 * np.pi) * len(table)) % len(table)]
        drive = push * (2.0 - speed / usual + wander) if on else 0.0
        moment = drive - push * min(speed / 0.5, 1.0) + gas
        speed = max(0.0, speed + moment / crank.inertia_kgm2 * STEP_S) if on else 0.0
        angle += speed * STEP_S
        angles[step], speeds[step] = angle / (2 * np.pi), speed
    return angles, speeds
