"""One injector pulse in closed form: the current's rise in two pieces, joined where the pintle reaches its stop.

* rise: i(t) = V/R (1 - exp(-t R/L)) with the inductance of the shut pintle; while the pintle moves, its motion takes
  `back_v` off the supply; after it has opened the inductance is the larger one of the closed gap;
* end: the clamp drives the current to nothing: i(t) = (i_0 + U/R) exp(-t R/L) - U/R with U = clamp less supply;
* decay: the voltage sinks to the supply with the time constant of the eddy currents, and the pintle that lands takes
  a hump off it.

All numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Solenoid:
    """One injector: ohms, henries, seconds and volts.

    Attributes:
        open_henry: with the pintle open. moves_a: current at which the pintle leaves its seat. travel_s: how long it
            moves. back_v: what its motion takes off the supply. shuts_s: from the end to the landing; hump_v: what
            that shows.
    """

    ohm: float = 13.5
    henry: float = 9e-3
    open_henry: float = 13e-3
    moves_a: float = 0.5
    travel_s: float = 5e-4
    back_v: float = 7.0
    on_s: float = 3.2e-3
    clamp_v: float = 70.0
    driver_v: float = 0.4
    shuts_s: float = 9e-4
    hump_v: float = 1.6
    eddy_s: float = 4e-4

    def leaves_s(self, supply_v: float) -> float:
        """When the pintle leaves its seat, from the beginning."""
        share = min(self.moves_a * self.ohm / (supply_v - self.driver_v), 0.98)
        return float(-self.henry / self.ohm * np.log1p(-share))

    def opens_s(self, supply_v: float) -> float:
        """When it reaches its stop; later than the pulse where it does not open."""
        return self.leaves_s(supply_v) + self.travel_s

    def current(self, time_s: Floats, supply_v: float) -> Floats:
        """Current in A at times after the beginning, shape of `time_s`."""
        leaves, opens = self.leaves_s(supply_v), self.opens_s(supply_v)
        pieces = ((0.0, leaves, supply_v, self.henry), (leaves, opens, supply_v - self.back_v, self.henry),
                  (opens, np.inf, supply_v, self.open_henry))  # fmt: skip
        amps, start = np.zeros_like(time_s), 0.0
        for begin, end, volts, henry in pieces:
            final, tau = (volts - self.driver_v) / self.ohm, henry / self.ohm
            inside = (time_s >= begin) & (time_s < min(end, self.on_s))
            amps[inside] = final + (start - final) * np.exp(-(time_s[inside] - begin) / tau)
            last = min(end, self.on_s)
            if last > begin:
                start = final + (start - final) * float(np.exp(-(last - begin) / tau))
        after = time_s >= self.on_s
        against, tau = (self.clamp_v - supply_v) / self.ohm, self.open_henry / self.ohm
        amps[after] = np.maximum(
            (start + against) * np.exp(-(time_s[after] - self.on_s) / tau) - against, 0.0
        )
        return amps

    def voltage(self, time_s: Floats, supply_v: float) -> Floats:
        """Voltage at the driver's pin in V at times after the beginning, shape of `time_s`."""
        amps = self.current(time_s, supply_v)
        since = time_s - self.on_s
        flowing = (since >= 0) & (amps > 0)
        gone = float(since[flowing].max()) if flowing.any() else 0.0
        later = np.maximum(since - gone, 0.0)
        tail = 0.35 * (self.clamp_v - supply_v) * np.exp(-later / (0.5 * self.eddy_s))
        # the moving pintle pulls the decay down until it lands
        landing = (since > 0.5 * self.shuts_s) & (since < self.shuts_s)
        pulled = np.where(landing, self.hump_v * (since / self.shuts_s - 0.5) * 2, 0.0)
        off = np.where(flowing, self.clamp_v, supply_v + tail - pulled)
        volts = np.where(time_s < self.on_s, self.driver_v, off)
        return np.asarray(np.where(time_s < 0, supply_v, volts))
