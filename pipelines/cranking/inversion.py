"""What each cylinder's compression does to the crank, from the mean cycle of the supply signal: a grey box.

A starter on a battery obeys (permanent-magnet motor; a series-wound one in the small):

    V = V_oc - R I,    k w = V - R_m I,    J dw/dt = k I - T_load

so that both current and speed are straight lines in V, and

    T_load = const - c (V + tau dV/dt),    w / mean w = 1 + kappa v

with v the ripple of V in units of its own size, `tau` the starter's electromechanical memory and `kappa` how much
the speed swings with the ripple. The load is the gas torque of the cylinders, in crank angle

    T_load = sum_c P_c g(angle - angle_c - phase)

with g the torque of one slider-crank cylinder that compresses and expands by p V^n = const (Heywood J. B. (1988),
*Internal Combustion Engine Fundamentals*, section 2.2 for the geometry). In the orders q of the 720-deg cycle the
whole becomes linear in the P_c for given (tau, kappa, phase, shape), so those four are fitted by Gauss-Newton with
the P_c eliminated (variable projection with Kaufman's simplification: Golub G. & Pereyra V. (2003), *Inverse
Problems* 19:R1-R26), held near usual values by a weak prior that real data outweigh.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from pipelines.cranking.order import BINS
from pipelines.cranking.signals import Array

Complex = npt.NDArray[np.complex128]

ORDERS_A_CYLINDER = 3
MOST_ORDERS = 40
MODEL_ERROR = 0.02  # of the ripple's size: what the model leaves out (coils, valves, friction)
RATIOS = (8.0, 14.0)  # effective compression ratios between which the torque's shape is mixed
POLYTROPIC = 1.3
ROD_RATIO = 3.5
INTAKE_CLOSES_DEG = 50.0
# log tau (in cycles / 2 pi), kappa, phase in deg, mix of the two shapes
USUAL = np.array([np.log(0.5), 0.10, 8.0, 0.5])
SPREAD = np.array([0.9, 0.07, 6.0, 0.45])
STARTS = (0.15, 0.6)
STEPS = 9


@dataclass(frozen=True, slots=True)
class Inversion:
    """Compression of each firing position and how it was found.

    Attributes:
        strength: by firing position, in units of the ripple; only ratios mean anything, shape (cylinders,).
        by_cycle: the same from each cycle alone, shape (cycles, cylinders).
        tau, kappa, phase_deg, mix: the fitted starter memory (in cycles / 2 pi), speed swing, angle from the
            cycle's start to top dead centre of position 1, and shape.
        misfit: RMS of what the model leaves of the mean cycle, in units of the ripple's RMS.
        cost: what was minimised; differences of cost compare rotations of the firing sequence.
    """

    strength: Array
    by_cycle: Array
    tau: float
    kappa: float
    phase_deg: float
    mix: float
    misfit: float
    cost: float


def gas_torque(ratio: float, angle_deg: Array) -> Array:
    """Gas torque of one cylinder against its crank angle from top dead centre, in units of peak gauge pressure
    times half the clearance-volume scale; negative while it compresses.

    Args:
        ratio: compression ratio; angle_deg: -360 to 360, 0 = compression top dead centre.
    """
    theta = np.radians(angle_deg)
    root = np.sqrt(ROD_RATIO**2 - np.sin(theta) ** 2)
    volume = 1.0 + 0.5 * (ratio - 1.0) * (ROD_RATIO + 1.0 - np.cos(theta) - root)
    slope = 0.5 * (ratio - 1.0) * np.sin(theta) * (1.0 + np.cos(theta) / root)
    closing = np.radians(180.0 - INTAKE_CLOSES_DEG)
    root_c = np.sqrt(ROD_RATIO**2 - np.sin(closing) ** 2)
    closed = 1.0 + 0.5 * (ratio - 1.0) * (ROD_RATIO + 1.0 - np.cos(closing) - root_c)
    gauge = np.maximum((closed / volume) ** POLYTROPIC - 1.0, 0.0) * (np.abs(theta) < closing)
    return np.asarray(gauge * slope / (closed**POLYTROPIC - 1.0))


@lru_cache(maxsize=1)
def _torque_orders() -> tuple[Complex, Complex]:
    """Fourier coefficients of `gas_torque` for the two ratios, by order of 720 deg."""
    angle = np.arange(720.0)
    angle[angle >= 360.0] -= 720.0
    low, high = (np.fft.fft(gas_torque(ratio, angle)) / 720.0 for ratio in RATIOS)
    return low, high


class _Fit:
    """One mean cycle against one firing sequence."""

    def __init__(self, cycle: Array, angles_deg: Array, usual: Array) -> None:
        self.orders = np.arange(1, min(ORDERS_A_CYLINDER * angles_deg.size, MOST_ORDERS) + 1)
        self.cycle = cycle
        self.usual = usual
        self.turn = np.exp(-2j * np.pi * np.outer(self.orders, angles_deg) / 720.0)
        low, high = _torque_orders()
        self.low, self.step = low[self.orders], (high - low)[self.orders]
        # a bin's mean stands at its middle and is damped by the averaging over it
        self.centre = np.exp(-1j * np.pi * self.orders / BINS) / (np.sinc(self.orders / BINS) * BINS)
        self.swing = np.concatenate(([0.0], np.cumsum(cycle))) / BINS
        self.weight = 1.0 / MODEL_ERROR

    def angle_of_bins(self, kappa: float) -> tuple[npt.NDArray[np.int64], Array]:
        """Where in the evenly timed cycle each bin of even crank angle lies: index before it, and share after."""
        edge = np.arange(BINS + 1) / BINS + kappa * self.swing
        middle = 0.5 * (edge[1:] + edge[:-1])
        around = np.concatenate(([middle[-1] - 1.0], middle, [middle[0] + 1.0]))
        wanted = (np.arange(BINS) + 0.5) / BINS
        at = np.interp(wanted, around, np.arange(-1.0, BINS + 1.0))
        index = np.floor(at).astype(np.int64)
        return index, at - index

    def observed(
        self, ripple: Array, index: npt.NDArray[np.int64], share: Array, tau: float, kappa: float
    ) -> Complex:
        """Orders of the ripple in crank angle with the speed swing's part of dV/dt; shape (..., orders)."""
        here = ripple[..., index % BINS] * (1.0 - share) + ripple[..., (index + 1) % BINS] * share
        plain = np.fft.fft(here)[..., self.orders]
        bent = np.fft.fft(here * here)[..., self.orders]
        memory = 1j * self.orders * tau
        return np.asarray((plain + memory / (1.0 + memory) * 0.5 * kappa * bent) * self.centre)

    def model(self, x: Array) -> tuple[Complex, Complex]:
        """Observed orders and the matrix that makes them from the cylinders' strengths."""
        tau, kappa = float(np.exp(x[0])), float(x[1])
        index, share = self.angle_of_bins(kappa)
        seen = self.observed(self.cycle, index, share, tau, kappa)
        shape = (self.low + x[3] * self.step) / (1.0 + 1j * self.orders * tau)
        shape = shape * np.exp(-2j * np.pi * self.orders * x[2] / 720.0)
        return seen, shape[:, None] * self.turn

    def real(self, z: Complex) -> Array:
        return np.concatenate([z.real, z.imag]) * self.weight

    def solve(self, start: Array) -> tuple[Array, Array, float, float]:
        """Parameters, strengths, cost and misfit."""
        x = start.copy()
        damping = 0.02
        seen, matrix = self.model(x)
        strength, rest, basis = self._strengths(seen, matrix)
        cost = float(rest @ rest + (((x - self.usual) / SPREAD) ** 2).sum())
        for _ in range(STEPS):
            slope = np.empty((rest.size, 4))
            for j, step in enumerate((1e-3, 1e-3, 0.02, 1e-3)):
                moved = x.copy()
                moved[j] += step
                seen_j, matrix_j = self.model(moved)
                slope[:, j] = (
                    self.real(seen_j - matrix_j @ strength) - self.real(seen - matrix @ strength)
                ) / step
            slope -= basis @ (basis.T @ slope)
            pull = (x - self.usual) / SPREAD
            normal = slope.T @ slope + np.diag(1.0 / SPREAD**2)
            gradient = slope.T @ rest + pull / SPREAD
            for _ in range(4):
                delta = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
                trial = x + np.clip(delta, -2.0 * SPREAD, 2.0 * SPREAD)
                trial[0], trial[1] = np.clip(trial[0], -4.0, 3.0), np.clip(trial[1], -0.1, 0.45)
                seen_t, matrix_t = self.model(trial)
                strength_t, rest_t, basis_t = self._strengths(seen_t, matrix_t)
                cost_t = float(rest_t @ rest_t + (((trial - self.usual) / SPREAD) ** 2).sum())
                if cost_t <= cost:
                    break
                damping *= 6.0
            else:
                break
            gained = cost - cost_t
            x, seen, matrix, strength, rest, basis, cost = (
                trial,
                seen_t,
                matrix_t,
                strength_t,
                rest_t,
                basis_t,
                cost_t,
            )
            damping *= 0.25
            if gained < 1e-3 * cost + 1e-6:
                break
        misfit = float(np.sqrt((rest @ rest) / max((self.real(seen) ** 2).sum(), 1e-12)))
        return x, strength, cost, misfit

    def _strengths(self, seen: Complex, matrix: Complex) -> tuple[Array, Array, Array]:
        tall = np.concatenate([matrix.real, matrix.imag]) * self.weight
        target = self.real(seen)
        basis, upper = np.linalg.qr(tall)
        inside = basis.T @ target
        strength = np.linalg.solve(upper + 1e-12 * np.eye(upper.shape[0]), inside)
        return strength, target - basis @ inside, basis


def invert(ripple: Array, angles_deg: Array, phase_guess_deg: float = 8.0) -> Inversion:
    """Fit the grey box to the mean of some cycles.

    Args:
        ripple: cycles in crank time, load pulling down, shape (cycles, BINS), bin 0 at the cycle's start.
        angles_deg: firing angles of the positions, the first at 0, shape (cylinders,).
        phase_guess_deg: expected angle from the cycle's start to top dead centre of position 1.
    """
    mean = ripple.mean(axis=0)
    size = float(np.sqrt(2.0 * (mean @ mean) / mean.size)) or 1.0
    usual = USUAL.copy()
    usual[2] = phase_guess_deg
    fit = _Fit(mean / size, angles_deg, usual)
    best: tuple[Array, Array, float, float] | None = None
    for tau in STARTS:
        start = usual.copy()
        start[0] = np.log(tau)
        found = fit.solve(start)
        if best is None or found[2] < best[2]:
            best = found
    x, strength, cost, misfit = best  # type: ignore[misc]
    tau, kappa = float(np.exp(x[0])), float(x[1])
    _, matrix = fit.model(x)
    index, share = fit.angle_of_bins(kappa)
    # each cycle alone, by the same straight-line estimator: its square term is carried by the mean cycle
    plain = fit.observed(ripple / size, index, share, tau, kappa)
    tall = np.concatenate([matrix.real, matrix.imag]) * fit.weight
    targets = np.concatenate([plain.real, plain.imag], axis=1) * fit.weight
    by_cycle = np.linalg.lstsq(tall, targets.T, rcond=None)[0].T
    return Inversion(strength, by_cycle, tau, kappa, float(x[2]), float(x[3]), misfit, cost)
