"""Gas torque of one motored cylinder against crank angle, and its orders."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.values import Array

Complex = npt.NDArray[np.complex128]

RATIOS = (8.0, 11.0, 14.0)  # compression ratios: between the outer two the torque's shape is mixed
POLYTROPIC = 1.3  # "about 1.3" for motored compression, Heywood (1988), from memory
ROD_RATIO = 3.5  # connecting rod to crank radius, a usual value (common practice, no source)
INTAKE_CLOSES_DEG = 50.0  # after bottom dead centre (common practice, no source)


def volume(ratio: float, angle_deg: Array) -> Array:
    """Cylinder volume in clearance volumes at a crank angle from top dead centre, for rod/radius `ROD_RATIO`.

    V / Vc = 1 + (rc - 1)/2 [R + 1 - cos a - sqrt(R^2 - sin^2 a)], Heywood (1988), section 2.2.
    """
    theta = np.radians(angle_deg)
    root = np.sqrt(ROD_RATIO**2 - np.sin(theta) ** 2)
    return np.asarray(1.0 + 0.5 * (ratio - 1.0) * (ROD_RATIO + 1.0 - np.cos(theta) - root))


def gas_torque(ratio: float, angle_deg: Array) -> Array:
    """Torque on the crank of a cylinder that compresses and expands by p V^1.3 = const between closed valves.

    In units of its peak gauge pressure times its clearance volume; negative while it compresses. Gauge pressure
    is never below zero, and nothing is counted while a valve is open.

    Args:
        ratio: geometric compression ratio; angle_deg: -360 to 360, 0 = compression top dead centre.
    """
    theta = np.radians(angle_deg)
    root = np.sqrt(ROD_RATIO**2 - np.sin(theta) ** 2)
    slope = 0.5 * (ratio - 1.0) * np.sin(theta) * (1.0 + np.cos(theta) / root)
    closing_deg = 180.0 - INTAKE_CLOSES_DEG
    closed = float(volume(ratio, np.array(closing_deg)))
    gauge = np.maximum((closed / volume(ratio, angle_deg)) ** POLYTROPIC - 1.0, 0.0)
    gauge = gauge * (np.abs(angle_deg) < closing_deg)
    return np.asarray(gauge * slope / (closed**POLYTROPIC - 1.0))


@lru_cache(maxsize=1)
def torque_orders() -> tuple[Complex, Complex, Complex]:
    """Fourier coefficients by order of 720 deg: torque at the lowest and at the highest ratio, and losses.

    Losses (leakage, heat) brake on both sides of top dead centre: minus the absolute torque at the middle ratio.
    """
    angle = np.arange(720.0)
    angle[angle >= 360.0] -= 720.0
    low, middle, high = (gas_torque(ratio, angle) for ratio in RATIOS)
    return np.fft.fft(low) / 720.0, np.fft.fft(high) / 720.0, np.fft.fft(-np.abs(middle)) / 720.0
