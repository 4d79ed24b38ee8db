"""One strike of an ignition coil in closed form, everything referred to the primary.

* charging: i(t) = V/R (1 - exp(-t R/L)), held at the driver's limit (step response of R and L, any circuit textbook);
* burning: L di/dt = -(v_b + R_p i), so i(t) = (i_0 + v_b/R_p) exp(-t R_p/L) - v_b/R_p, which reaches nothing after
  L/R_p ln(1 + R_p i_0/v_b); the line shows v_b + R_p i above the supply;
* ringing: a damped cosine about the supply.

All numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PEAK_S = 3e-5


@dataclass(frozen=True, slots=True)
class Coil:
    """One coil and what it fires.

    Attributes:
        henry, ohm: of the primary. limit_a: the driver's. dwell_s: of charging.
        breakdown_v, burn_v: of the gap; path_ohm: of winding and lead; all referred to the primary.
        driver_v: left at the driver while it is on. ring_hz, ring_s: of what is left over after the spark.
    """

    henry: float = 4e-3
    ohm: float = 0.7
    limit_a: float = 9.0
    dwell_s: float = 3e-3
    breakdown_v: float = 150.0
    burn_v: float = 24.0
    path_ohm: float = 1.8
    driver_v: float = 0.8
    ring_hz: float = 3000.0
    ring_s: float = 4e-4

    def current(self, time_s: Floats, supply_v: float) -> Floats:
        """Current of the charge in A at times after its beginning, shape of `time_s`."""
        final = (supply_v - self.driver_v) / self.ohm
        return np.minimum(final * -np.expm1(-np.maximum(time_s, 0.0) * self.ohm / self.henry), self.limit_a)

    def cut_a(self, supply_v: float) -> float:
        """Current at the cut in A."""
        return float(self.current(np.array([self.dwell_s]), supply_v)[0])

    def burn_s(self, supply_v: float) -> float:
        """How long the spark burns, in s."""
        ratio = self.path_ohm * self.cut_a(supply_v) / self.burn_v
        return float(self.henry / self.path_ohm * np.log1p(ratio))

    def voltage(self, time_s: Floats, supply_v: float) -> Floats:
        """Collector voltage in V at times after the beginning of the charge, shape of `time_s`."""
        charging = time_s < self.dwell_s
        amps = self.current(time_s, supply_v)
        held = amps >= self.limit_a
        on = np.where(held, np.maximum(self.driver_v, supply_v - self.ohm * amps), self.driver_v)
        after = time_s - self.dwell_s
        burn = self.burn_s(supply_v)
        left = self.cut_a(supply_v) + self.burn_v / self.path_ohm
        line = self.path_ohm * left * np.exp(-np.maximum(after, 0.0) * self.path_ohm / self.henry)
        ring_at = np.maximum(after - burn, 0.0)
        ring = 0.7 * self.burn_v * np.exp(-ring_at / self.ring_s) * np.cos(2 * np.pi * self.ring_hz * ring_at)
        spark = np.where(after < PEAK_S, self.breakdown_v, np.where(after < burn, line, ring))
        return np.where(charging & (time_s >= 0), on, np.where(time_s < 0, supply_v, supply_v + spark))
