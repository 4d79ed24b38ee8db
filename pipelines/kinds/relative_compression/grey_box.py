"""The grey box's equations for one mean cycle against one firing sequence; `inversion.py` says where they come from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.angle import BINS
from pipelines.kinds.relative_compression.torque import torque_orders
from pipelines.kinds.relative_compression.values import Array, middle_of

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
LEAST_CURRENT, LEAST_SPEED = 0.05, 0.05  # an overrunning starter draws little, and the model ends there
MIDDLES = (np.arange(BINS) + 0.5) / BINS
PLACES = np.arange(-1.0, BINS + 1.0)
STARTS = np.log([0.12, 0.3, 0.6, 1.2])
STEPS = 8
ENOUGH = 1e-2  # stop when a step gains less than this share of the cost


def orders_for(cylinders: int) -> Ints:
    """Orders of the 720-deg cycle the fit looks at."""
    return np.arange(1, min(max(ORDERS_A_CYLINDER * cylinders, FEWEST_ORDERS), MOST_ORDERS) + 1)


@dataclass(slots=True)
class State:
    """One trial of the parameters: what they predict and what is left over.

    Complex rows hold a value an order and the prior's rows behind them, so that their view as float64 is the real
    least-squares problem (real and imaginary parts in turn) without copying.
    """

    x: Array
    seen: Complex  # orders of q1 and q2 in crank angle, shape (2, orders)
    rows: Complex  # weighted prediction of a unit of each P_c, then E_c, shape (2 cylinders, orders + cylinders)
    linear: Array  # P_c, then E_c
    left: Array  # residual, shape (2 orders + 2 cylinders,)
    normal: Array
    cost: float

    @property
    def predicted(self) -> Array:
        """`rows` as the real problem's columns, shape (2 cylinders, 2 orders + 2 cylinders)."""
        return self.rows.view(np.float64)


class Fit:
    """One mean cycle against one firing sequence."""

    def __init__(
        self, cycle: Array, angles_deg: Array, usual: Array, spread: Array, noise: Array | None, rho: float
    ) -> None:
        count = angles_deg.size
        self.count = count
        self.orders = orders_for(count)
        self.wanted = slice(1, self.orders.size + 1)
        self.cycle = cycle
        self.around = np.concatenate((cycle[-1:], cycle, cycle[:1]))
        self.usual = usual
        self.spread = spread
        variance = MODEL_ERROR**2 + (0.0 if noise is None else noise)
        self.weight = np.ones(self.orders.size) / np.sqrt(variance)
        self.turn = self.weight * np.exp(-2j * np.pi / 720.0 * np.outer(angles_deg, self.orders))
        low, high, lost = torque_orders()
        self.low, self.step, self.lost = low[self.wanted], (high - low)[self.wanted], lost[self.wanted]
        # of the torque of one compression, as an order of it would be
        self.amplitude = float(np.abs(0.5 * (low + high)[self.wanted]).max())
        # a bin's mean stands at its middle and is damped by the averaging over it
        self.centre = np.exp(-1j * np.pi * self.orders / BINS) / (np.sinc(self.orders / BINS) * BINS)
        self.rho = rho
        self.prior = np.zeros((2 * count, count), dtype=np.complex128)

    def set_size(self, size: float) -> None:
        """Fix the scale of a cylinder's strength that the prior on unlike cylinders and losses is relative to."""
        n = self.count
        prior = self.prior.view(np.float64)
        prior[:n, :n] = (np.eye(n) - 1.0 / n) / (UNLIKE_SPREAD * size)
        prior[n:, n:] = np.eye(n) / (LOSS_SPREAD * size)

    def speed(self, v: Array, x: Array) -> Array:
        """Speed in parts of its mean at ripple `v`, before the mean is set to 1."""
        kappa, series = float(x[1]), float(x[4])
        current = np.maximum(1.0 - self.rho * v, LEAST_CURRENT)
        return np.asarray(np.maximum(1.0 + (kappa - series * self.rho) * v, LEAST_SPEED) * current**-series)

    def middles(self, x: Array) -> tuple[Array, float]:
        """At which share of the cycle's crank angle each evenly timed bin's middle lies, the last bin of the cycle
        before and the first of the next one with them, and the mean speed by which all are measured."""
        speed = self.speed(self.cycle, x)
        turned = speed.cumsum()
        whole = float(turned[-1])
        middle = np.empty(BINS + 2)
        np.divide(turned - 0.5 * speed, whole, out=middle[1:-1])
        middle[0], middle[-1] = middle[-2] - 1.0, middle[1] + 1.0
        return middle, whole / BINS

    def seen_by(self, v: Array, mean_speed: float, x: Array) -> Complex:
        """Orders of q1 and q2 from the ripple in bins of even crank angle, shape (2, ..., orders)."""
        kappa, series = float(x[1]), float(x[4])
        both = np.empty((2, *v.shape))
        current = np.maximum(1.0 - self.rho * v, LEAST_CURRENT)
        flux = current**series
        speed = np.maximum(1.0 + (kappa - series * self.rho) * v, LEAST_SPEED) / flux
        both[0] = (1.0 - current * flux) * (1.0 / ((1.0 + series) * self.rho))
        both[1] = speed * speed * (0.5 / (kappa * mean_speed * mean_speed))
        return np.asarray(np.fft.rfft(both)[..., self.wanted] * self.centre)

    def seen(self, x: Array) -> Complex:
        """`seen_by` the mean cycle."""
        middle, mean_speed = self.middles(x)
        return self.seen_by(np.interp(MIDDLES, middle, self.around), mean_speed, x)

    def seen_each(self, cycles: Array, x: Array) -> Complex:
        """`seen_by` each of some cycles, with the mean cycle's speed, shape (2, cycles, orders)."""
        middle, mean_speed = self.middles(x)
        at = np.interp(MIDDLES, middle, PLACES)
        before = np.floor(at).astype(np.int64)
        share = at - before
        v = cycles[:, before % BINS] * (1.0 - share) + cycles[:, (before + 1) % BINS] * share
        return self.seen_by(v, mean_speed, x)

    def observed(self, x: Array, seen: Complex) -> Complex:
        """What the linear part has to explain, weighted: the motor's torque less what turns the rotor faster, both
        behind the starter's memory."""
        memory = 1j * self.orders * np.exp(x[0])
        return np.asarray((seen[0] + memory * seen[1]) * (self.weight / (1.0 + memory)))

    def lag(self, x: Array) -> Complex:
        """What turning by the phase and the starter's memory do to each order."""
        return np.asarray(
            np.exp((-2j * np.pi / 720.0 * x[2]) * self.orders) / (1.0 + 1j * self.orders * np.exp(x[0]))
        )

    def rows(self, x: Array) -> Complex:
        """See `State.rows`."""
        n, orders, lag = self.count, self.orders.size, self.lag(x)
        rows = np.empty((2 * n, orders + n), dtype=np.complex128)
        np.multiply(self.turn, (self.low + x[3] * self.step) * lag, out=rows[:n, :orders])
        np.multiply(self.turn, self.lost * lag, out=rows[n:, :orders])
        rows[:, orders:] = self.prior
        return rows

    def at(self, x: Array, seen: Complex | None = None) -> State:
        """Solve the linear part at given parameters."""
        if seen is None:
            seen = self.seen(x)
        n, orders, rows = self.count, self.orders.size, self.rows(x)
        target = np.zeros(orders + n, dtype=np.complex128)
        target[:orders] = self.observed(x, seen)
        predicted, wanted = rows.view(np.float64), target.view(np.float64)
        normal = predicted @ predicted.T
        normal.flat[:: 2 * n + 1] += 1e-9 * normal.trace()
        linear = np.asarray(np.linalg.solve(normal, predicted @ wanted), dtype=np.float64)
        left = wanted - linear @ predicted
        pull = (x - self.usual) / self.spread
        return State(x, seen, rows, linear, left, normal, float(left @ left + pull @ pull))

    def plain_slopes(self, state: State) -> Array:
        """Derivatives of the residual with the linear part held, shape (5, 2 orders + 2 cylinders)."""
        x, n, orders = state.x, self.count, self.orders.size
        slope = np.zeros((x.size, orders + n), dtype=np.complex128)
        memory = 1j * self.orders * np.exp(x[0])
        behind = self.weight / (1.0 + memory)
        for j, step in ((1, 2e-3), (4, 5e-3)):  # what is observed is linear in what is seen
            stepped = x.copy()
            stepped[j] += step
            q1, q2 = self.seen(stepped) - state.seen
            slope[j, :orders] = (q1 + memory * q2) * (behind / step)
        explained = state.linear @ state.rows[:, :orders]
        slope[0, :orders] = ((state.seen[1] - state.seen[0]) * behind + explained) * (memory / (1.0 + memory))
        slope[2, :orders] = explained * (2j * np.pi / 720.0 * self.orders)
        slope[3, :orders] = (state.linear[:n] @ self.turn) * (-self.step * self.lag(x))
        return slope.view(np.float64)

    def slopes(self, state: State) -> Array:
        """`plain_slopes` with the linear part free to follow."""
        plain, predicted = self.plain_slopes(state), state.predicted
        return np.asarray(plain - np.linalg.solve(state.normal, predicted @ plain.T).T @ predicted)

    def at_bound(self, x: Array) -> npt.NDArray[np.bool_]:
        """Which parameters cannot follow."""
        return np.asarray((x <= LOWEST) | (x >= HIGHEST))

    def likeliest_memory(self, seen: Complex) -> tuple[float, float]:
        """Which of a few memories explains the cycle best at the usual values of all else, without the prior on
        strengths, and the median strength it gives: all of them solved in one stack."""
        n, x = self.count, self.usual
        memory = 1j * np.exp(STARTS)[:, None] * self.orders
        behind = 1.0 / (1.0 + memory)
        lag = np.exp((-2j * np.pi / 720.0 * x[2]) * self.orders) * behind
        rows = np.empty((STARTS.size, 2 * n, self.orders.size), dtype=np.complex128)
        np.multiply(self.turn, ((self.low + x[3] * self.step) * lag)[:, None], out=rows[:, :n])
        np.multiply(self.turn, (self.lost * lag)[:, None], out=rows[:, n:])
        wanted = ((seen[0] + memory * seen[1]) * (self.weight * behind)).view(np.float64)
        predicted = rows.view(np.float64)
        normal = predicted @ predicted.transpose(0, 2, 1)
        normal += 1e-9 * normal.trace(axis1=1, axis2=2)[:, None, None] * np.eye(2 * n)
        towards = (predicted @ wanted[:, :, None])[:, :, 0]
        linear = np.linalg.solve(normal, towards[:, :, None])[:, :, 0]
        pull = (STARTS - x[0]) / self.spread[0]
        # at the least squares' solution the residual's square is |b|^2 - x . A'b
        cost = (wanted**2).sum(axis=1) - (linear * towards).sum(axis=1) + pull**2
        best = int(np.argmin(cost))
        return float(STARTS[best]), middle_of(linear[best, :n])

    def solve(self) -> State:
        """Gauss-Newton with damping, from the best of a few memories."""
        seen = self.seen(self.usual)
        start = self.usual.copy()
        start[0], size = self.likeliest_memory(seen)
        self.set_size(max(size, 0.02))
        state = self.at(start, seen)
        damping = 0.02
        reach = 1.5 * self.spread
        held = 1.0 / self.spread**2
        for _ in range(STEPS):
            slope = self.slopes(state)
            normal = slope @ slope.T
            normal.flat[:: state.x.size + 1] += held
            gradient = slope @ state.left + (state.x - self.usual) * held
            before = state.cost
            for _ in range(4):
                damped = normal + damping * np.diag(normal.diagonal())
                step = np.linalg.solve(damped, -gradient)
                # np.clip takes several times as long on so few numbers
                trial = state.x + np.minimum(np.maximum(step, -reach), reach)
                trial = np.minimum(np.maximum(trial, LOWEST), HIGHEST)
                tried = self.at(trial)
                if tried.cost <= before:
                    state = tried
                    break
                damping *= 6.0
            damping *= 0.25
            if before - state.cost < ENOUGH * before:
                break
        return state
