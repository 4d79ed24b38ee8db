"""What each cylinder's compression does to the crank, from the mean cycle of the supply signal: a grey box.

A starter on a battery obeys (permanent-magnet motor; a series-wound one in the small):

    V = V_oc - R I,    k w = V - R_m I,    J dw/dt = k I - T_load

so that both current and speed are straight lines in V, and

    T_load = const - c (v + beta v^2 + tau dv/dt),    w / mean w = 1 + kappa v

with v the ripple of V in units of its own size, `tau` the starter's electromechanical memory, `kappa` how much the
speed swings with the ripple and `beta` a bend (0 for a permanent-magnet motor). The load is the gas torque of the
cylinders, in crank angle

    T_load = sum_c P_c g(angle - angle_c - phase) + E_c e(angle - angle_c - phase)

with g the torque of one slider-crank cylinder that compresses and expands by p V^n = const (Heywood J. B. (1988),
*Internal Combustion Engine Fundamentals*, section 2.2 for the geometry) and e = -|g| what it loses on the way
(leakage, heat), held small. In the orders q of the 720-deg cycle the whole is linear in P_c and E_c for given
(tau, kappa, phase, shape, beta), so those five are fitted by Gauss-Newton with the linear ones eliminated
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
MODEL_ERROR = 0.02  # of the ripple's size: what the model leaves out (coils, valves, friction)
LOSS_SPREAD = 0.15  # usual size of a cylinder's losses, in parts of its compression
UNLIKE_SPREAD = 0.5  # usual spread of the cylinders' compression, in parts of their median
# log tau (in cycles / 2 pi), kappa, phase in deg, mix of the two shapes, beta
USUAL = np.array([np.log(0.5), 0.10, 8.0, 0.5, 0.0])
SPREAD = np.array([0.9, 0.07, 6.0, 0.45, 0.1])
LOWEST = np.array([-4.0, -0.1, -np.inf, -1.0, -0.5])
HIGHEST = np.array([3.0, 0.45, np.inf, 2.0, 0.5])
STARTS = np.log([0.12, 0.3, 0.6, 1.2])
STEPS = 8
ENOUGH = 1e-2  # stop when a step gains less than this share of the cost


@dataclass(frozen=True, slots=True)
class Inversion:
    """Compression of each firing position and how it was found.

    Attributes:
        strength: by firing position, in units of the ripple; only ratios mean anything, shape (cylinders,).
        by_cycle: the same from each cycle alone, shape (cycles, cylinders).
        tau, kappa, phase_deg, mix, beta: the fitted starter memory (in cycles / 2 pi), speed swing, angle from the
            cycle's start to top dead centre of position 1, shape, and bend.
        misfit: RMS of what the model leaves of the mean cycle, in units of the ripple's RMS.
        cost: what was minimised; differences of cost compare rotations of the firing sequence.
    """

    strength: Array
    by_cycle: Array
    tau: float
    kappa: float
    phase_deg: float
    mix: float
    beta: float
    misfit: float
    cost: float


@dataclass(slots=True)
class _State:
    """One trial of the parameters: what they predict and what is left over."""

    x: Array
    plain: Complex  # orders of the ripple in crank angle
    bent: Complex  # orders of its square
    matrix: Array  # real, weighted, with the prior's rows below; shape (rows, 2 cylinders)
    linear: Array  # P_c, then E_c
    left: Array  # residual, shape (rows,)
    normal: Array
    cost: float


class _Fit:
    """One mean cycle against one firing sequence."""

    def __init__(
        self, cycle: Array, angles_deg: Array, usual: Array, spread: Array, noise: Array | None
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
        self.swing = np.concatenate(([0.0], np.cumsum(cycle))) / BINS
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

    def angle_of_bins(self, kappa: float) -> tuple[Ints, Array]:
        """Where in the evenly timed cycle each bin of even crank angle lies: bin before it, and share of the next."""
        edge = np.arange(BINS + 1) / BINS + kappa * self.swing
        middle = np.empty(BINS + 2)
        middle[1:-1] = 0.5 * (edge[1:] + edge[:-1])
        middle[0], middle[-1] = middle[-2] - 1.0, middle[1] + 1.0
        at = np.interp((np.arange(BINS) + 0.5) / BINS, middle, np.arange(-1.0, BINS + 1.0))
        index = np.floor(at).astype(np.int64)
        return index, at - index

    def in_angle(self, ripple: Array, kappa: float) -> tuple[Complex, Complex]:
        """Orders of the ripple and of its square in crank angle, shape (..., orders)."""
        index, share = self.angle_of_bins(kappa)
        here = ripple[..., index % BINS] * (1.0 - share) + ripple[..., (index + 1) % BINS] * share
        plain = np.fft.rfft(here)[..., self.orders] * self.centre
        bent = np.fft.rfft(here * here)[..., self.orders] * self.centre
        return plain, bent

    def observed(self, x: Array, plain: Complex, bent: Complex) -> Complex:
        """What the linear part has to explain: the ripple with the bent parts of the motor's law carried over."""
        memory = 1j * self.orders * np.exp(x[0])
        return np.asarray(plain + (0.5 * x[1] * memory + x[4]) / (1.0 + memory) * bent)

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
        plain, bent = known if known is not None else self.in_angle(self.cycle, float(x[1]))
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
        kappa_step = 2e-3
        moved = self.in_angle(self.cycle, float(x[1]) + kappa_step)
        stepped = x.copy()
        stepped[1] += kappa_step
        now = self.observed(x, state.plain, state.bent)
        slope[:rows, 1] = self.real(self.observed(stepped, *moved) - now) / kappa_step
        explained = self.predictors(x) @ state.linear
        filter_ = np.exp(-2j * np.pi / 720.0 * x[2] * self.orders) / (1.0 + memory)
        bend = (0.5 * x[1] * memory + x[4]) / (1.0 + memory)
        d_bend = (0.5 * x[1] * memory - bend * memory) / (1.0 + memory)
        slope[:rows, 0] = self.real(d_bend * state.bent + explained * memory / (1.0 + memory))
        slope[:rows, 2] = self.real(explained * (2j * np.pi / 720.0) * self.orders)
        slope[:rows, 3] = -self.real(self.step * filter_ * (self.turn @ state.linear[: self.count]))
        slope[:rows, 4] = self.real(state.bent / (1.0 + memory))
        return np.asarray(slope - state.matrix @ np.linalg.solve(state.normal, state.matrix.T @ slope))

    def solve(self) -> _State:
        """Gauss-Newton with damping, from the best of a few memories."""
        known = self.in_angle(self.cycle, float(self.usual[1]))
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


def invert(
    ripple: Array, angles_deg: Array, phase_guess_deg: float = 8.0, phase_spread_deg: float = 6.0
) -> Inversion:
    """Fit the grey box to the mean of some cycles.

    Args:
        ripple: cycles in crank time, load pulling down, shape (cycles, BINS), bin 0 at the cycle's start.
        angles_deg: firing angles of the positions, the first at 0, shape (cylinders,).
        phase_guess_deg: expected angle from the cycle's start to top dead centre of position 1.
        phase_spread_deg: standard deviation of that expectation.
    """
    mean = ripple.mean(axis=0)
    size = float(np.sqrt(2.0 * (mean @ mean) / mean.size)) or 1.0
    usual = USUAL.copy()
    usual[2] = phase_guess_deg
    spread = SPREAD.copy()
    spread[2] = phase_spread_deg
    scaled = ripple / size
    fit = _Fit(mean / size, angles_deg, usual, spread, _noise(scaled, orders_for(angles_deg.size)))
    state = fit.solve()
    x, count = state.x, angles_deg.size
    # each cycle alone, by the same straight-line estimator; the bent part is taken from the cycle itself
    plain, bent = fit.in_angle(scaled, float(x[1]))
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
        beta=float(x[4]),
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
