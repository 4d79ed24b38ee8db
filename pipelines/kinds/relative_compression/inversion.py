"""What each cylinder's compression does to the crank, from the mean cycle of the supply signal: a grey box.

A starter on a battery obeys, with i = I / mean I, w = speed / mean speed and v the ripple of the voltage V in units of
its own size,

    i = 1 - rho v                           V = V_oc - R I, rho from the level at rest and while cranking
    motor torque ~ i^(1 + m)                flux ~ I^m: m = 0 permanent magnet, 1 a series winding far from saturation
    flux w ~ V - R_m I - L dI/dt            kappa = dw/dv at the mean, lambda = L / R in parts of a cycle / 2 pi:
    w = (1 + (kappa - m rho) v + kappa lambda dv/dt) / i^m
    J w dw/da = motor torque - load         in crank angle a

so that, exactly,

    load = const - c [q1 + tau dq2/da],     q1 = (1 - i^(1+m)) / ((1+m) rho),     q2 = (w^2 - 1) / (2 kappa)

with `tau` the starter's electromechanical memory; for small ripples q1 = v and q2 = v + lambda dv/dt: the winding's
inductance makes the signal lag the load the more, the faster the firings come. The load is the gas torque of the
cylinders,

    load = sum_c P_c g(a - a_c - phase) + E_c e(a - a_c - phase)

with g the torque of one slider-crank cylinder that compresses and expands by p V^n = const (Heywood J. B. (1988),
*Internal Combustion Engine Fundamentals*, section 2.2 for the geometry) and e = -|g| what it loses on the way
(leakage, heat), held small. In the orders q of the 720-deg cycle the whole is linear in P_c and E_c for given
(tau, kappa, phase, shape, m, lambda), so those six are fitted by Gauss-Newton with the linear ones eliminated
(variable projection with Kaufman's simplification: Golub G. & Pereyra V. (2003), *Inverse Problems* 19:R1-R26),
all held near usual values by a weak prior that real data outweigh.
"""

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
# log tau (in cycles / 2 pi), kappa, phase in deg, mix of the two shapes, m, log lambda (2 to 30 ms, common practice,
# no source, in cycles of 0.4 to 1.2 s)
USUAL = np.array([np.log(0.5), 0.15, 8.0, 0.5, 0.5, np.log(0.07)])
SPREAD = np.array([0.9, 0.12, 6.0, 0.45, 0.4, 0.8])
LOWEST = np.array([-4.0, 0.02, -np.inf, -1.0, 0.0, -5.0])
HIGHEST = np.array([3.0, 0.45, np.inf, 2.0, 1.0, 0.0])
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
        tau, kappa, phase_deg, mix, series, lag: the fitted starter memory (in cycles / 2 pi), speed swing, angle from
            the cycle's start to top dead centre of position 1, shape, exponent m of the flux, and the winding's lag
            lambda (in cycles / 2 pi).
        misfit: RMS of what the model leaves of the mean cycle, in units of the ripple's RMS.
        left_by_cycle: RMS misfit of each cycle alone, in units of the ripple's RMS, shape (cycles,).
        cost: what was minimised; differences of cost compare rotations of the firing sequence.
    """

    strength: Array
    by_cycle: Array
    tau: float
    kappa: float
    phase_deg: float
    mix: float
    series: float
    lag: float
    misfit: float
    left_by_cycle: Array
    cost: float


@dataclass(slots=True)
class _State:
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


class _Fit:
    """One mean cycle against one firing sequence."""

    def __init__(
        self, cycle: Array, angles_deg: Array, usual: Array, spread: Array, noise: Array | None, rho: float
    ) -> None:
        count = angles_deg.size
        self.count = count
        self.orders = orders_for(count)
        self.wanted = slice(1, self.orders.size + 1)
        self.cycle = cycle
        self.rising = self.slope_of(cycle)
        self.around = np.concatenate((cycle[-1:], cycle, cycle[:1]))
        self.rising_around = np.concatenate((self.rising[-1:], self.rising, self.rising[:1]))
        self.usual = usual
        self.spread = spread
        variance = MODEL_ERROR**2 + (0.0 if noise is None else noise)
        self.weight = np.ones(self.orders.size) / np.sqrt(variance)
        self.turn = self.weight * np.exp(-2j * np.pi / 720.0 * np.outer(angles_deg, self.orders))
        low, high, lost = torque_orders()
        self.low, self.step, self.lost = low[self.wanted], (high - low)[self.wanted], lost[self.wanted]
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

    def slope_of(self, cycles: Array) -> Array:
        """dv/dt over evenly timed bins, in units of v per cycle / 2 pi, of the orders the fit looks at."""
        parts = np.fft.rfft(cycles)
        out = np.zeros_like(parts)
        out[..., self.wanted] = parts[..., self.wanted] * (1j * self.orders)
        return np.asarray(np.fft.irfft(out, BINS))

    def speed(self, v: Array, rising: Array, current: Array, x: Array) -> Array:
        """Speed in parts of its mean at ripple `v` that is `rising` so fast, before the mean is set to 1."""
        kappa, series, lag = float(x[1]), float(x[4]), float(np.exp(x[5]))
        voltage = 1.0 + (kappa - series * self.rho) * v + (kappa * lag) * rising
        return np.asarray(np.maximum(voltage, LEAST_SPEED) * current**-series)

    def middles(self, x: Array) -> tuple[Array, float]:
        """At which share of the cycle's crank angle each evenly timed bin's middle lies, the last bin of the cycle
        before and the first of the next one with them, and the mean speed by which all are measured."""
        current = np.maximum(1.0 - self.rho * self.cycle, LEAST_CURRENT)
        speed = self.speed(self.cycle, self.rising, current, x)
        turned = speed.cumsum()
        whole = float(turned[-1])
        middle = np.empty(BINS + 2)
        np.divide(turned - 0.5 * speed, whole, out=middle[1:-1])
        middle[0], middle[-1] = middle[-2] - 1.0, middle[1] + 1.0
        return middle, whole / BINS

    def seen_by(self, v: Array, rising: Array, mean_speed: float, x: Array) -> Complex:
        """Orders of q1 and q2 from the ripple in bins of even crank angle, shape (2, ..., orders)."""
        kappa, series = float(x[1]), float(x[4])
        both = np.empty((2, *v.shape))
        current = np.maximum(1.0 - self.rho * v, LEAST_CURRENT)
        speed = self.speed(v, rising, current, x)
        both[0] = (1.0 - current ** (1.0 + series)) * (1.0 / ((1.0 + series) * self.rho))
        both[1] = speed * speed * (0.5 / (kappa * mean_speed * mean_speed))
        return np.asarray(np.fft.rfft(both)[..., self.wanted] * self.centre)

    def seen(self, x: Array) -> Complex:
        """`seen_by` the mean cycle."""
        middle, mean_speed = self.middles(x)
        v, rising = np.interp(MIDDLES, middle, self.around), np.interp(MIDDLES, middle, self.rising_around)
        return self.seen_by(v, rising, mean_speed, x)

    def seen_each(self, cycles: Array, x: Array) -> Complex:
        """`seen_by` each of some cycles, with the mean cycle's speed, shape (2, cycles, orders)."""
        middle, mean_speed = self.middles(x)
        at = np.interp(MIDDLES, middle, PLACES)
        before = np.floor(at).astype(np.int64)
        share = at - before
        first, second = before % BINS, (before + 1) % BINS
        rising = self.slope_of(cycles)
        v = cycles[:, first] * (1.0 - share) + cycles[:, second] * share
        return self.seen_by(v, rising[:, first] * (1.0 - share) + rising[:, second] * share, mean_speed, x)

    def memory(self, x: Array) -> tuple[Complex, Complex]:
        """By order: what the rotor's inertia does to a torque, and that with the winding's inductance, less 1."""
        inertia = 1j * self.orders * np.exp(x[0])
        return inertia, inertia * (1.0 + 1j * self.orders * np.exp(x[5]))

    def observed(self, x: Array, seen: Complex) -> Complex:
        """What the linear part has to explain, weighted: the motor's torque less what turns the rotor faster, both
        behind the starter's memory."""
        inertia, memory = self.memory(x)
        return np.asarray((seen[0] + inertia * seen[1]) * (self.weight / (1.0 + memory)))

    def lag(self, x: Array) -> Complex:
        """What turning by the phase and the starter's memory do to each order."""
        _, memory = self.memory(x)
        return np.asarray(np.exp((-2j * np.pi / 720.0 * x[2]) * self.orders) / (1.0 + memory))

    def rows(self, x: Array) -> Complex:
        """See `_State.rows`."""
        n, orders, lag = self.count, self.orders.size, self.lag(x)
        rows = np.empty((2 * n, orders + n), dtype=np.complex128)
        np.multiply(self.turn, (self.low + x[3] * self.step) * lag, out=rows[:n, :orders])
        np.multiply(self.turn, self.lost * lag, out=rows[n:, :orders])
        rows[:, orders:] = self.prior
        return rows

    def at(self, x: Array, seen: Complex | None = None) -> _State:
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
        return _State(x, seen, rows, linear, left, normal, float(left @ left + pull @ pull))

    def slopes(self, state: _State) -> Array:
        """Derivatives of the residual with the linear part free to follow, shape (6, 2 orders + 2 cylinders)."""
        x, n, orders = state.x, self.count, self.orders.size
        slope = np.zeros((x.size, orders + n), dtype=np.complex128)
        inertia, memory = self.memory(x)
        behind = self.weight / (1.0 + memory)
        for j, step in ((1, 2e-3), (4, 5e-3), (5, 2e-2)):  # what is observed is linear in what is seen
            stepped = x.copy()
            stepped[j] += step
            q1, q2 = self.seen(stepped) - state.seen
            slope[j, :orders] = (q1 + inertia * q2) * (behind / step)
        explained = state.linear @ state.rows[:, :orders]
        wound = memory / inertia
        slope[0, :orders] = ((state.seen[1] - wound * state.seen[0]) * behind + explained * wound) * (
            inertia / (1.0 + memory)
        )
        unexplained = explained - self.observed(x, state.seen)
        slope[5, :orders] += unexplained * ((memory - inertia) / (1.0 + memory))
        slope[2, :orders] = explained * (2j * np.pi / 720.0 * self.orders)
        slope[3, :orders] = (state.linear[:n] @ self.turn) * (-self.step * self.lag(x))
        plain, predicted = slope.view(np.float64), state.predicted
        return np.asarray(plain - np.linalg.solve(state.normal, predicted @ plain.T).T @ predicted)

    def likeliest_memory(self, seen: Complex) -> tuple[float, float]:
        """Which of a few memories explains the cycle best at the usual values of all else, without the prior on
        strengths, and the median strength it gives: all of them solved in one stack."""
        n, x = self.count, self.usual
        inertia = 1j * np.exp(STARTS)[:, None] * self.orders
        behind = 1.0 / (1.0 + inertia * (1.0 + 1j * self.orders * np.exp(x[5])))
        lag = np.exp((-2j * np.pi / 720.0 * x[2]) * self.orders) * behind
        rows = np.empty((STARTS.size, 2 * n, self.orders.size), dtype=np.complex128)
        np.multiply(self.turn, ((self.low + x[3] * self.step) * lag)[:, None], out=rows[:, :n])
        np.multiply(self.turn, (self.lost * lag)[:, None], out=rows[:, n:])
        wanted = ((seen[0] + inertia * seen[1]) * (self.weight * behind)).view(np.float64)
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

    def solve(self) -> _State:
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
    each = np.ascontiguousarray(fit.observed(x, fit.seen_each(scaled, x))).view(np.float64)
    rows = each.shape[1]
    linear = np.linalg.solve(state.normal, state.predicted[:, :rows] @ each.T).T
    looked_at = fit.observed(x, state.seen).view(np.float64)
    power = max(float((looked_at**2).sum()), 1e-12)
    misfit = float(np.sqrt((state.left[:rows] ** 2).sum() / power))
    left = ((each - linear @ state.predicted[:, :rows]) ** 2).sum(axis=1)
    return Inversion(
        strength=np.asarray(state.linear[:count]),
        by_cycle=np.ascontiguousarray(linear[:, :count]),
        tau=float(np.exp(x[0])),
        kappa=float(x[1]),
        phase_deg=float(x[2]),
        mix=float(x[3]),
        series=float(x[4]),
        lag=float(np.exp(x[5])),
        misfit=misfit,
        left_by_cycle=np.sqrt(left / power),
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
