"""What the sensors give: a coil's voltage from the flux the teeth change, a switch's levels from their edges.

v = -N dphi/dt = -(dphi/dangle) w          (Faraday's law of induction)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
FINE = 64
"""Points of the flux table in a place of the wheel."""


@dataclass(frozen=True, slots=True)
class ToothedWheel:
    """A wheel: `slots` of its teeth from 1, how far each is off its place (in places), and how high each stands.

    Attributes:
        run_out: half of the once-per-turn swing of the flux, in parts of its mean.
        width: of a tooth in places.
    """

    places: int
    slots: tuple[int, ...]
    off: tuple[float, ...]
    high: tuple[float, ...]
    run_out: float = 0.03
    width: float = 0.5


def wheel_of(places: int, gaps: tuple[tuple[int, int], ...], rng: np.random.Generator) -> ToothedWheel:
    """A sound wheel with `gaps` (first missing slot, how many), its teeth a little uneven."""
    gone = {slot for first, wide in gaps for slot in range(first, first + wide)}
    slots = tuple(slot for slot in range(1, places + 1) if slot not in gone)
    return ToothedWheel(
        places,
        slots,
        tuple((0.004 * rng.standard_normal(len(slots))).tolist()),
        tuple((1.0 + 0.006 * rng.standard_normal(len(slots))).tolist()),
        run_out=float(rng.uniform(0.01, 0.06)),
    )


def coil_table(wheel: ToothedWheel) -> Floats:
    """Slope of the flux over one turn, uniform in angle: a bell of flux under every tooth."""
    points = wheel.places * FINE
    place = np.arange(points) / FINE
    flux = np.zeros(points)
    for slot, off, high in zip(wheel.slots, wheel.off, wheel.high, strict=True):
        away = (place - (slot - 1 + off) + wheel.places / 2) % wheel.places - wheel.places / 2
        flux += high * np.exp(-0.5 * (away / (0.5 * wheel.width)) ** 2)
    flux *= 1 + wheel.run_out * np.cos(2 * np.pi * place / wheel.places)
    return np.gradient(flux) * points / (2 * np.pi)


def coil_volts(wheel: ToothedWheel, turns: Floats, speed_rad_s: Floats, volts_per_1000_rpm: float) -> Floats:
    """A coil's voltage, falling through zero under a tooth; peak to peak `volts_per_1000_rpm` at that speed."""
    table = coil_table(wheel)
    scale = volts_per_1000_rpm / float(np.ptp(table)) / (1000 * 2 * np.pi / 60)
    place = turns * len(table) % len(table)
    return np.asarray(
        scale * np.interp(place, np.arange(len(table) + 1), np.append(table, table[0])) * speed_rad_s
    )


def switch_volts(wheel: ToothedWheel, turns: Floats, low: float, high: float) -> Floats:
    """A switch's voltage: `low` under a tooth, `high` between; a chipped tooth is narrower by what its height lacks."""
    place = turns % 1.0 * wheel.places
    out = np.full(len(turns), high)
    for slot, off, size in zip(wheel.slots, wheel.off, wheel.high, strict=True):
        away = (place - (slot - 1 + off) + wheel.places / 2) % wheel.places - wheel.places / 2
        # what chips is the trailing flank
        out[(away > -0.5 * wheel.width) & (away < (size - 0.5) * wheel.width)] = low
    return out


def cam_volts(edges_turns: tuple[float, ...], turns: Floats, low: float, high: float) -> Floats:
    """A cam's switch over two turns: it changes level at each of `edges_turns` (0 to 2, ascending, even in number)."""
    state = np.searchsorted(np.array(edges_turns), turns % 2.0, side="right") % 2
    return np.where(state == 1, high, low)
