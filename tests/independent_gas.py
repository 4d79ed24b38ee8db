"""What the second cranking simulator knows of gases and of the room they are in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GAS_CONSTANT = 287.0  # J/(kg K), dry air


def relative_volume(after_top_deg: Array, ratio: Array, rod_ratio: Array) -> Array:
    """Cylinder volume over clearance volume, from slider-crank geometry.

    V/Vc = 1 + (rc - 1)/2 [R + 1 - cos a - sqrt(R^2 - sin^2 a)], R = rod length over crank radius:
    J. B. Heywood, Internal Combustion Engine Fundamentals (1988), section 2.2.
    """
    a = np.deg2rad(after_top_deg)
    travel = rod_ratio + 1 - np.cos(a) - np.sqrt(rod_ratio**2 - np.sin(a) ** 2)
    return np.asarray(1 + 0.5 * (ratio - 1) * travel)


def lift(local_deg: Array, opens_deg: Array, closes_deg: Array) -> Array:
    """Valve opening between 0 and 1 with a smooth ramp; zero outside the window."""
    x = (local_deg - opens_deg) / (closes_deg - opens_deg)
    return np.where((x > 0) & (x < 1), np.sin(np.pi * np.clip(x, 0, 1)) ** 1.3, 0.0)


def orifice_flow(
    area: Array, p_up: Array, t_up: Array, p_down: Array, gamma: Array
) -> npt.NDArray[np.float64]:
    """Isentropic orifice flow in kg/s from `p_up` to `p_down` (p_up >= p_down), choked where it must be.

    The textbook relation for an ideal gas, for instance Heywood (1988), appendix C.
    """
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    r = np.maximum(p_down / p_up, critical)
    x = r ** (1 / gamma)
    psi = np.sqrt(np.maximum(2 * gamma / (gamma - 1) * x * (x - r), 0.0))
    return area * p_up / np.sqrt(GAS_CONSTANT * t_up) * psi
