"""What each cylinder's compression does to the crank, from the mean cycle of the supply signal: a grey box.

A starter on a battery obeys, with i = I / mean I, w = speed / mean speed and v the ripple of the voltage V in units of
its own size,

    i = 1 - rho v                           V = V_oc - R I, rho from the level at rest and while cranking
    motor torque ~ i^(1 + m)                flux ~ I^m: m = 0 permanent magnet, 1 a series winding far from saturation
    w = (1 + (kappa - m rho) v) / i^m       flux w ~ V - R_m I, kappa = dw/dv at the mean
    J w dw/da = motor torque - load         in crank angle a

so that, exactly,

    load = const - c [q1 + tau dq2/da],     q1 = (1 - i^(1+m)) / ((1+m) rho),     q2 = (w^2 - 1) / (2 kappa)

with `tau` the starter's electromechanical memory; for small ripples q1 = q2 = v. The load is the gas torque of the
cylinders,

    load = sum_c P_c g(a - a_c - phase) + E_c e(a - a_c - phase)

with g the torque of one slider-crank cylinder that compresses and expands by p V^n = const (Heywood J. B. (1988),
*Internal Combustion Engine Fundamentals*, section 2.2 for the geometry) and e = -|g| what it loses on the way
(leakage, heat), held small. In the orders q of the 720-deg cycle the whole is linear in P_c and E_c for given
(tau, kappa, phase, shape, m), so those five are fitted by Gauss-Newton with the linear ones eliminated
(variable projection with Kaufman's simplification: Golub G. & Pereyra V. (2003), *Inverse Problems* 19:R1-R26),
all held near usual values by a weak prior that real data outweigh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.cranking.order import BINS
from pipelines.cranking.signals import Array, middle_of
from pipelines.cranking.torque import torque_orders

Complex = npt.NDArray[np.complex128]
Ints = npt.NDArray[np.int64]

ORDERS_A_CYLINDER = 3
FEWEST_ORDERS, MOST_ORDERS = 14, 40
MODEL_ERROR = 0.014  # of the ripple's size: what the model leaves out (coils, valves, friction)
LOSS_SPREAD = 0.15  # usual size of a cylinder's losses, in parts of its compression
UNLIKE_SPREAD = 0.5  # usual spread of the cylinders' compression, in parts of their median
# log tau (in cycles / 2 pi), kappa, phase in deg, mix of the two shapes, m
USUAL = np.array([np.log(0.5), 0.15, 8.0, 0.5, 0.5])
SPREAD = np.array([0.9, 0.12, 6.0, 0.45, 0.4])
LOWEST = np.array([-4.0, 0.02, -np.inf, -1.0, 0.0])
HIGHEST = np.array([3.0, 0.45, np.inf, 2.0, 1.0])
USUAL_RHO, RHO_RANGE = 0.35, (0.05, 0.65)
LEAST_CURRENT, LEAST_SPEED = 0.05, 0.05  # an overrunning starter draws little, and the model ends there
MIDDLES = (np.arange(BINS) + 0.5) / BINS
PLACES = np.arange(-1.0, BINS + 1.0)
STARTS = np.log([0.12, 0.3, 0.6, 1.2])
STEPS = 8
ENOUGH = 1e-2  # stop when a step gains less than this share of the cost


@dataclass(frozen=True, slots=True)
class Inversion:
    """Compression of each firing position and how it was found.

    Attributes:
        strength: by firing position, in units of the ripple; only ratios mean anything, shape (cylinders,).
        by_cycle: the same from each cycle alone, shape (cycles, cylinders).
        tau, kappa, phase_deg, mix, series: the fitted starter memory (in cycles / 2 pi), speed swing, angle from the
            cycle's start to top dead centre of position 1, shape, and exponent m of the flux.
        misfit: RMS of what the model leaves of the mean cycle, in units of the ripple's RMS.
        cost: what was minimised; differences of cost compare rotations of the firing sequence.
    """

    strength: Array
    by_cycle: Array
    tau: float
    kappa: float
    phase_deg: float
    mix: float
    series: float
    misfit: float
    cost: float


@dataclass(slots=True)
class _State:
    """One trial of the parameters: what they predict and what is left over."""

    x: Array
    plain: Complex  # orders of q1 in crank angle
    bent: Complex  # orders of q2
    matrix: Array  # real, weighted, with the prior's rows below; shape (rows, 2 cylinders)
    linear: Array  # P_c, then E_c
    left: Array  # residual, shape (rows,)
    normal: Array
    cost: float


class _Fit:
    """One mean cycle against one firing sequence."""

    def __init__(
        self, cycle: Array, angles_deg: Array, usual: Array, spread: Array, noise: Array | None, rho: float
    ) -> None:
        count = angles_deg.size
        self.count = count
        self.orders = orders_for(count)
        self.cycle = cycle
        self.usual = usual
        self.spread = spread
        self.turn = np.exp(-2j * np.pi / 720.0 * np.outer(self.orders, angles_deg))
        low, high, lost = torque_orders()
        self.low, self.step, self.lost = low[self.orders], (high - low)[self.orders], lost[self.orders]
        # a bin's mean stands at its middle and is damped by the averaging over it
        self.centre = np.exp(-1j * np.pi * self.orders / BINS) / (np.sinc(self.orders / BINS) * BINS)
        self.rho = rho
        variance = MODEL_ERROR**2 + (0.0 if noise is None else noise)
        self.weight = np.ones(self.orders.size) / np.sqrt(variance)
        self.prior = np.zeros((2 * count, 2 * count))
        self.size = 1.0

    def set_size(self, size: float) -> None:
        """Fix the scale of a cylinder's strength that the prior on unlike cylinders and losses is relative to."""
        n = self.count
        self.size = size
        self.prior[:n, :n] = (np.eye(n) - 1.0 / n) / (UNLIKE_SPREAD * size)
        self.prior[n:, n:] = np.eye(n) / (LOSS_SPREAD * size)

    def speed(self, v: Array, x: Array) -> Array:
        """Speed in parts of its mean at ripple `v`, before the mean is set to 1."""
        kappa, series = float(x[1]), float(x[4])
        current = np.maximum(1.0 - self.rho * v, LEAST_CURRENT)
        return np.asarray(np.maximum(1.0 + (kappa - series * self.rho) * v, LEAST_SPEED) * current**-series)

    def angle_of_bins(self, x: Array) -> tuple[Ints, Array, float]:
        """Where in the evenly timed cycle each bin of even crank angle lies: bin before it, share of the next, and
        the mean speed by which all are measured."""
        speed = self.speed(self.cycle, x)
        turned = np.cumsum(speed)
        mean = float(turned[-1]) / BINS
        middle = np.empty(BINS + 2)
        middle[1:-1] = (turned - 0.5 * speed) / turned[-1]
        middle[0], middle[-1] = middle[-2] - 1.0, middle[1] + 1.0
        at = np.interp(MIDDLES, middle, PLACES)
        index = np.floor(at).astype(np.int64)
        return index, at - index, mean

    def in_angle(self, ripple: Array, x: Array) -> tuple[Complex, Complex]:
        """Orders of q1 and q2 in crank angle, shape (..., orders)."""
        index, share, mean = self.angle_of_bins(x)
        kappa, series = float(x[1]), float(x[4])
        v = ripple[..., index % BINS] * (1.0 - share) + ripple[..., (index + 1) % BINS] * share
        current = np.maximum(1.0 - self.rho * v, LEAST_CURRENT)
        torque = (1.0 - current ** (1.0 + series)) / ((1.0 + series) * self.rho)
        energy = (self.speed(v, x) / mean) ** 2 / (2.0 * kappa)
        q1 = np.fft.rfft(torque)[..., self.orders] * self.centre
        q2 = np.fft.rfft(energy)[..., self.orders] * self.centre
        return q1, q2

    def observed(self, x: Array, q1: Complex, q2: Complex) -> Complex:
        """What the linear part has to explain: the motor's torque less what turns the rotor faster, both behind
        the starter's memory."""
        memory = 1j * self.orders * np.exp(x[0])
        return np.asarray((q1 + memory * q2) / (1.0 + memory))

    def predictors(self, x: Array) -> Complex:
        """Orders that a unit of each P_c and E_c makes, shape (orders, 2 cylinders)."""
        filter_ = np.exp(-2j * np.pi / 720.0 * x[2] * self.orders) / (1.0 + 1j * self.orders * np.exp(x[0]))
        whole = ((self.low + x[3] * self.step) * filter_)[:, None] * self.turn
        lost = (self.lost * filter_)[:, None] * self.turn
        return np.concatenate([whole, lost], axis=1)

    def real(self, z: Complex) -> Array:
        """Real rows, weighted."""
        z = z * (self.weight[:, None] if z.ndim == 2 else self.weight)
        return np.concatenate([z.real, z.imag])

    def at(self, x: Array, known: tuple[Complex, Complex] | None = None) -> _State:
        """Solve the linear part at given parameters."""
        plain, bent = known if known is not None else self.in_angle(self.cycle, x)
        matrix = np.concatenate([self.real(self.predictors(x)), self.prior])
        target = np.zeros(matrix.shape[0])
        seen = self.real(self.observed(x, plain, bent))
        target[: seen.size] = seen
        normal = matrix.T @ matrix
        normal[np.diag_indices_from(normal)] += 1e-9 * np.trace(normal)
        linear = np.linalg.solve(normal, matrix.T @ target)
        left = target - matrix @ linear
        cost = float(left @ left + (((x - self.usual) / self.spread) ** 2).sum())
        return _State(x, plain, bent, matrix, linear, left, normal, cost)

    def slopes(self, state: _State) -> Array:
        """Derivatives of the residual with the linear part free to follow, shape (rows, 5)."""
        x, rows = state.x, 2 * self.orders.size
        slope = np.zeros((state.left.size, x.size))
        memory = 1j * self.orders * np.exp(x[0])
        for j, step in ((1, 2e-3), (4, 5e-3)):
            stepped = x.copy()
            stepped[j] += step
            moved = self.observed(stepped, *self.in_angle(self.cycle, stepped))
            slope[:rows, j] = self.real(moved - self.observed(x, state.plain, state.bent)) / step
        explained = self.predictors(x) @ state.linear
        filter_ = np.exp(-2j * np.pi / 720.0 * x[2] * self.orders) / (1.0 + memory)
        share = memory / (1.0 + memory)
        slope[:rows, 0] = self.real((state.bent - state.plain) * share / (1.0 + memory) + explained * share)
        slope[:rows, 2] = self.real(explained * (2j * np.pi / 720.0) * self.orders)
        slope[:rows, 3] = -self.real(self.step * filter_ * (self.turn @ state.linear[: self.count]))
        return np.asarray(slope - state.matrix @ np.linalg.solve(state.normal, state.matrix.T @ slope))

    def solve(self) -> _State:
        """Gauss-Newton with damping, from the best of a few memories."""
        known = self.in_angle(self.cycle, self.usual)
        states = []
        for log_tau in STARTS:
            start = self.usual.copy()
            start[0] = log_tau
            states.append(self.at(start, known))
        state = min(states, key=lambda s: s.cost)
        self.set_size(max(middle_of(state.linear[: self.count]), 0.02))
        state = self.at(state.x, known)
        damping = 0.02
        for _ in range(STEPS):
            slope = self.slopes(state)
            pull = (state.x - self.usual) / self.spread
            normal = slope.T @ slope + np.diag(1.0 / self.spread**2)
            gradient = slope.T @ state.left + pull / SPREAD
            before = state.cost
            for _ in range(4):
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
                trial = np.clip(
                    state.x + np.clip(step, -1.5 * self.spread, 1.5 * self.spread), LOWEST, HIGHEST
                )
                tried = self.at(trial)
                if tried.cost <= before:
                    state = tried
                    break
                damping *= 6.0
            damping *= 0.25
            if before - state.cost < ENOUGH * before:
                break
        return state


def orders_for(cylinders: int) -> Ints:
    """Orders of the 720-deg cycle the fit looks at."""
    return np.arange(1, min(max(ORDERS_A_CYLINDER * cylinders, FEWEST_ORDERS), MOST_ORDERS) + 1)


def rho_of(size: float, drop: float) -> float:
    """Swing of the starter's current in parts of its mean, for a ripple of `size` on a mean `drop`."""
    if not np.isfinite(drop) or drop <= 0:
        return USUAL_RHO
    return float(np.clip(size / drop, *RHO_RANGE))


def invert(
    ripple: Array,
    angles_deg: Array,
    phase_guess_deg: float = 8.0,
    phase_spread_deg: float = 6.0,
    drop: float = np.nan,
) -> Inversion:
    """Fit the grey box to the mean of some cycles.

    Args:
        ripple: cycles in crank time, load pulling down, shape (cycles, BINS), bin 0 at the cycle's start.
        angles_deg: firing angles of the positions, the first at 0, shape (cylinders,).
        phase_guess_deg: expected angle from the cycle's start to top dead centre of position 1.
        phase_spread_deg: standard deviation of that expectation.
        drop: how far cranking pulls the level down on average, in the units of `ripple`; NaN = unknown.
    """
    mean = ripple.mean(axis=0)
    size = float(np.sqrt(2.0 * (mean @ mean) / mean.size)) or 1.0
    usual = USUAL.copy()
    usual[2] = phase_guess_deg
    spread = SPREAD.copy()
    spread[2] = phase_spread_deg
    scaled = ripple / size
    fit = _Fit(
        mean / size,
        angles_deg,
        usual,
        spread,
        _noise(scaled, orders_for(angles_deg.size)),
        rho_of(size, drop),
    )
    state = fit.solve()
    x, count = state.x, angles_deg.size
    # each cycle alone, by the same motor and the same straight-line estimator
    plain, bent = fit.in_angle(scaled, x)
    seen = fit.observed(x, plain, bent) * fit.weight
    targets = np.concatenate([seen.real, seen.imag], axis=1)
    rows = targets.shape[1]
    by_cycle = np.linalg.solve(state.normal, state.matrix[:rows].T @ targets.T).T[:, :count]
    looked_at = fit.real(fit.observed(x, state.plain, state.bent))
    misfit = float(np.sqrt((state.left[:rows] ** 2).sum() / max((looked_at**2).sum(), 1e-12)))
    return Inversion(
        strength=np.asarray(state.linear[:count]),
        by_cycle=np.asarray(by_cycle),
        tau=float(np.exp(x[0])),
        kappa=float(x[1]),
        phase_deg=float(x[2]),
        mix=float(x[3]),
        series=float(x[4]),
        misfit=misfit,
        cost=state.cost,
    )


def _noise(cycles: Array, orders: Ints) -> Array | None:
    """Variance of the real (or imaginary) part of each order of the mean cycle, from the cycles' scatter."""
    count = cycles.shape[0]
    if count < 3:
        return None
    parts = np.fft.rfft(cycles, axis=1)[:, orders] / BINS
    apart = parts - parts.mean(axis=0)
    return np.asarray((apart.real**2 + apart.imag**2).sum(axis=0) / (2.0 * count * (count - 1)))
