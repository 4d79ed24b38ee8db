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

from pipelines.kinds.relative_compression.angle import BINS
from pipelines.kinds.relative_compression.doubt import weighed
from pipelines.kinds.relative_compression.grey_box import SPREAD, USUAL, Fit, Ints, orders_for
from pipelines.kinds.relative_compression.values import Array

USUAL_RHO, RHO_RANGE = 0.35, (0.05, 0.65)


@dataclass(frozen=True, slots=True)
class Inversion:
    """Compression of each firing position and how it was found.

    Attributes:
        strength: by firing position, in units of the ripple; only ratios mean anything, shape (cylinders,).
        by_cycle: the same from each cycle alone, shape (cycles, cylinders).
        tau, kappa, phase_deg, mix, series: the fitted starter memory (in cycles / 2 pi), speed swing, angle from the
            cycle's start to top dead centre of position 1, shape, and exponent m of the flux.
        misfit: RMS of what the model leaves of the mean cycle, in units of the ripple's RMS.
        left_by_cycle: RMS misfit of each cycle alone, in units of the ripple's RMS, shape (cycles,).
        cost: what was minimised; differences of cost compare rotations of the firing sequence.
        weighed: the strengths that bear out what looks odd, see `doubt.py`, shape (cylinders,).
        doubt_pct: how far each position's figure may be out for what the model leaves, in per cent of the median, as a
            standard deviation, shape (cylinders,).
    """

    strength: Array
    by_cycle: Array
    tau: float
    kappa: float
    phase_deg: float
    mix: float
    series: float
    misfit: float
    left_by_cycle: Array
    cost: float
    weighed: Array
    doubt_pct: Array


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
    fit = Fit(
        mean / size,
        angles_deg,
        usual,
        spread,
        _noise(scaled, orders_for(angles_deg.size)),
        rho_of(size, drop),
    )
    state = fit.solve()
    x = state.x
    # each cycle alone, by the same motor and the same straight-line estimator
    each = np.ascontiguousarray(fit.observed(x, fit.seen_each(scaled, x))).view(np.float64)
    rows = each.shape[1]
    linear = np.linalg.solve(state.normal, state.predicted[:, :rows] @ each.T).T
    looked_at = fit.observed(x, state.seen).view(np.float64)
    power = max(float((looked_at**2).sum()), 1e-12)
    misfit = float(np.sqrt((state.left[:rows] ** 2).sum() / power))
    sure = weighed(fit, state)
    left = ((each - linear @ state.predicted[:, :rows]) ** 2).sum(axis=1)
    return Inversion(
        strength=np.asarray(state.linear[: angles_deg.size]),
        by_cycle=np.ascontiguousarray(linear[:, : angles_deg.size]),
        tau=float(np.exp(x[0])),
        kappa=float(x[1]),
        phase_deg=float(x[2]),
        mix=float(x[3]),
        series=float(x[4]),
        misfit=misfit,
        left_by_cycle=np.sqrt(left / power),
        cost=state.cost,
        weighed=sure.strength,
        doubt_pct=sure.doubt_pct,
    )


def _noise(cycles: Array, orders: Ints) -> Array | None:
    """Variance of the real (or imaginary) part of each order of the mean cycle, from the cycles' scatter."""
    count = cycles.shape[0]
    if count < 3:
        return None
    parts = np.fft.rfft(cycles, axis=1)[:, orders] / BINS
    apart = parts - parts.mean(axis=0)
    return np.asarray((apart.real**2 + apart.imag**2).sum(axis=0) / (2.0 * count * (count - 1)))
