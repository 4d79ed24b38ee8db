"""The engine as a machine that is cranked: geometry, valves, friction, and what is wrong with a cylinder.

Slider-crank geometry follows Heywood J.B. (1988), *Internal Combustion Engine Fundamentals*, section 2.2.
Crank angle 0 is top dead centre of compression of the first cylinder in the firing order; a cycle is 720 deg.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ATMOSPHERE_PA = 101_325.0
LEAK_SPEED_M_S = 245.0
"""Choked flow speed through a leak referred to cylinder pressure: 0.685 * sqrt(R * T) with R = 287 J/kg/K and
T near 450 K, the temperature late in a cranking compression (gas dynamics; the temperature is our estimate)."""


def relative_volume(
    crank_deg: npt.ArrayLike, compression_ratio: npt.ArrayLike, rod_ratio: npt.ArrayLike
) -> Array:
    """Cylinder volume over clearance volume, `V/Vc = 1 + (rc - 1)/2 * [R + 1 - cos a - sqrt(R^2 - sin^2 a)]`.

    Args:
        crank_deg: angle after top dead centre in deg; broadcasts with the others.
        compression_ratio: rc, > 1.
        rod_ratio: R, connecting rod over crank radius, > 1.

    Source: Heywood (1988), section 2.2.
    """
    angle = np.radians(np.asarray(crank_deg, dtype=np.float64))
    ratio = np.asarray(rod_ratio, dtype=np.float64)
    travel = ratio + 1.0 - np.cos(angle) - np.sqrt(ratio**2 - np.sin(angle) ** 2)
    return np.asarray(1.0 + 0.5 * (np.asarray(compression_ratio, dtype=np.float64) - 1.0) * travel)


@dataclass(frozen=True, slots=True)
class CylinderHealth:
    """What one cylinder has beyond the engine's usual.

    Attributes:
        leak_mm2: effective area of a continuous leak to the outside, in mm^2 (its loss grows the slower the
            engine is cranked).
        trapped: mass drawn in, relative to the engine's usual; a worn cam lobe is below 1.
        late_close_deg: crank angle by which the intake valve closes later than it should (lash, timing).
        open_to_air: nothing is compressed at all (a valve hangs, a spark plug is out).
    """

    leak_mm2: float = 0.0
    trapped: float = 1.0
    late_close_deg: float = 0.0
    open_to_air: bool = False


HEALTHY = CylinderHealth()


@dataclass(frozen=True, slots=True)
class GasketLeak:
    """A passage between two cylinders (numbers from 1) of effective area `area_mm2`."""

    cylinder: int
    neighbour: int
    area_mm2: float


@dataclass(frozen=True, slots=True)
class CrankingEngine:
    """All that decides how an engine resists being cranked.

    Attributes:
        cylinders: number of cylinders, 3 to 12.
        firing_order: permutation of 1..cylinders.
        firing_intervals_deg: crank angle from each firing to the next, in firing order, summing to 720;
            empty = even.
        bore_mm, stroke_mm: of one cylinder.
        rod_ratio: connecting rod over crank radius.
        compression_ratio: geometric.
        intake_close_deg: after bottom dead centre.
        exhaust_open_deg: before bottom dead centre.
        polytropic: exponent of motored compression, about 1.2 to 1.35 (1.3 in Heywood's examples,
            recalled from memory).
        ring_leak_mm2: effective leak area past healthy rings, per cylinder.
        friction_nm: Coulomb torque at 20 C oil.
        viscous_nm_s: torque per rad/s of crank speed at 20 C oil.
        inertia_kg_m2: crankshaft, flywheel, moving mass (without the starter's rotor).
        manifold_drop_kpa: fall of intake pressure below atmosphere once the engine turns.
        healthy_pattern: relative trapped mass by cylinder number where the engine is uneven when healthy
            (empty = all alike).

    Raises:
        ValueError: when the firing order is no permutation or the intervals do not fit.
    """

    cylinders: int
    firing_order: tuple[int, ...]
    firing_intervals_deg: tuple[float, ...] = ()
    bore_mm: float = 80.0
    stroke_mm: float = 85.0
    rod_ratio: float = 3.4
    compression_ratio: float = 10.0
    intake_close_deg: float = 50.0
    exhaust_open_deg: float = 45.0
    polytropic: float = 1.3
    ring_leak_mm2: float = 0.4
    friction_nm: float = 25.0
    viscous_nm_s: float = 0.5
    inertia_kg_m2: float = 0.2
    manifold_drop_kpa: float = 8.0
    healthy_pattern: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if sorted(self.firing_order) != list(range(1, self.cylinders + 1)):
            raise ValueError("the firing order must name each cylinder exactly once")
        if self.firing_intervals_deg and (
            len(self.firing_intervals_deg) != self.cylinders
            or abs(sum(self.firing_intervals_deg) - 720.0) > 1e-6
        ):
            raise ValueError("the firing intervals must be one a cylinder and sum to 720 deg")
        if self.healthy_pattern and len(self.healthy_pattern) != self.cylinders:
            raise ValueError("the healthy pattern must give one figure a cylinder")

    @property
    def intervals_deg(self) -> tuple[float, ...]:
        """Firing intervals with `even` spelled out, in deg."""
        return self.firing_intervals_deg or (720.0 / self.cylinders,) * self.cylinders

    @property
    def tdc_deg(self) -> Array:
        """Crank angle of compression top dead centre by cylinder number, shape (cylinders,), in [0, 720)."""
        angles = np.concatenate([[0.0], np.cumsum(self.intervals_deg)[:-1]])
        by_number = np.empty(self.cylinders)
        by_number[np.array(self.firing_order) - 1] = angles
        return by_number

    @property
    def swept_m3(self) -> float:
        """Swept volume of one cylinder in m^3."""
        return float(np.pi / 4.0 * (self.bore_mm * 1e-3) ** 2 * self.stroke_mm * 1e-3)

    @property
    def clearance_m3(self) -> float:
        """Volume at top dead centre in m^3."""
        return self.swept_m3 / (self.compression_ratio - 1.0)

    def effective_ratio(self, late_close_deg: npt.ArrayLike = 0.0) -> Array:
        """Volume at intake closing over clearance volume, the ratio that compresses."""
        closing = 180.0 + self.intake_close_deg + np.asarray(late_close_deg, dtype=np.float64)
        return relative_volume(closing, self.compression_ratio, self.rod_ratio)

    def drag_at(self, oil_c: float) -> tuple[float, float]:
        """Coulomb torque in N m and viscous torque per speed in N m s at an oil temperature.

        Cold oil drags more: the viscous part about as the square root of a mineral oil's viscosity, the
        boundary part a third of that (our own estimates, no source).
        """
        cold = 20.0 - oil_c
        return self.friction_nm * float(np.exp(0.008 * cold)), self.viscous_nm_s * float(np.exp(0.025 * cold))

    def peak_compression_nm(self) -> float:
        """Greatest torque with which one tight cylinder resists, in N m, from `p0 (V0/V)^n` and `dV/da`."""
        angle_deg = np.linspace(-(180.0 - self.intake_close_deg), 0.0, 400)
        relative = relative_volume(angle_deg, self.compression_ratio, self.rod_ratio)
        intake_pa = ATMOSPHERE_PA - 1000.0 * self.manifold_drop_kpa
        gauge_pa = intake_pa * (self.effective_ratio() / relative) ** self.polytropic - ATMOSPHERE_PA
        slope = self.clearance_m3 * np.gradient(relative, np.radians(angle_deg))
        return float(np.max(-gauge_pa * slope))

    def leak_for_loss(self, loss: float, speed_rpm: float) -> float:
        """Leak area in mm^2 that costs the share `loss` of peak pressure at a steady speed.

        Integrates `d ln(p V^n) = -n * A * c / (V * w) da` from intake closing to top dead centre with the
        outflow taken as choked; exact enough to aim a fault, the simulation gives the true loss.
        """
        if not 0.0 <= loss < 1.0:
            raise ValueError("a leak costs a share of at least 0 and below 1")
        angle_deg = np.linspace(-(180.0 - self.intake_close_deg), 0.0, 400)
        volume = self.clearance_m3 * relative_volume(angle_deg, self.compression_ratio, self.rod_ratio)
        per_area = np.trapezoid(1.0 / volume, np.radians(angle_deg)) * self.polytropic * LEAK_SPEED_M_S
        speed_rad_s = speed_rpm * np.pi / 30.0
        return float(-np.log1p(-loss) * speed_rad_s / per_area * 1e6)

    def late_close_for_loss(self, loss: float) -> float:
        """Later intake closing in deg that costs the share `loss` of peak pressure (at most about 0.8)."""
        late_deg = np.linspace(0.0, 179.0 - self.intake_close_deg, 600)
        lost = 1.0 - (self.effective_ratio(late_deg) / self.effective_ratio()) ** self.polytropic
        return float(np.interp(loss, lost, late_deg))
