"""Starter motor, battery and ignition load of a cranking run: plain lumped models, referred to 12 V practice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np


@dataclass(frozen=True, slots=True)
class Starter:
    """A starter with its whole gearing.

    Attributes:
        kind: `permanent_magnet` (constant flux) or `series` (flux saturates with current as
            `1 - exp(-I / saturation_a)`).
        emf_v_s: back-EMF per rad/s of the motor shaft at full flux, in V s (equals torque per ampere in N m/A).
        gear_ratio: motor turns per crank turn.
        resistance_ohm: armature, brushes' ohmic part and cables.
        brush_drop_v: constant part of the brush drop.
        inductance_h: of the armature circuit.
        rotor_inertia_kg_m2: of the motor's rotor, at the motor shaft.
        efficiency: of the gearing.
        free_current_a: current that the freewheeling motor draws.
        saturation_a: only for `series`.
    """

    kind: Literal["permanent_magnet", "series"] = "permanent_magnet"
    emf_v_s: float = 0.0075
    gear_ratio: float = 44.0
    resistance_ohm: float = 0.012
    brush_drop_v: float = 1.0
    inductance_h: float = 40e-6
    rotor_inertia_kg_m2: float = 8e-5
    efficiency: float = 0.85
    free_current_a: float = 40.0
    saturation_a: float = 160.0


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery as open-circuit voltage behind resistance and two slow voltages.

    Attributes:
        rest_v: open-circuit voltage.
        resistance_ohm: internal resistance as it is now (age and cold included).
        fast_ohm, fast_s: first slow element, its resistance and time constant.
        slow_ohm, slow_s: second slow element.
        load_a: what the vehicle draws besides the starter and the coils.
    """

    rest_v: float = 12.6
    resistance_ohm: float = 0.006
    fast_ohm: float = 0.0012
    fast_s: float = 0.25
    slow_ohm: float = 0.002
    slow_s: float = 8.0
    load_a: float = 8.0


@dataclass(frozen=True, slots=True)
class CoilLoad:
    """How the ignition loads the battery.

    Attributes:
        kind: `coil_on_plug`, `waste_spark` or `distributor`; all three draw before every firing,
            waste spark also before the companion's exhaust stroke firing (which is another cylinder's firing
            on an even-fire engine).
        dwell_s: how long current builds up before a firing.
        current_a: at the end of the dwell.
        strikes: sparks per firing while cranking.
        strike_gap_s: from one strike to the next.
        advance_deg: firing before top dead centre while cranking.
        advance_jitter_deg: its standard deviation.
        ready_deg: crank angle after which the control unit knows where the engine stands and fires.
    """

    kind: Literal["coil_on_plug", "waste_spark", "distributor"] = "coil_on_plug"
    dwell_s: float = 0.004
    current_a: float = 6.5
    strikes: int = 1
    strike_gap_s: float = 0.0025
    advance_deg: float = 8.0
    advance_jitter_deg: float = 0.15
    ready_deg: float = 300.0


def emf_for_speed(
    speed_rpm: float,
    load_nm: float,
    *,
    supply_v: float,
    resistance_ohm: float,
    gear_ratio: float,
    efficiency: float,
) -> float:
    """Motor constant in V s with which a steady load turns at the wanted speed.

    Solves `k^2 w - V k + R T / eff = 0` (`V` behind the whole resistance `R`, `k` referred to the crank) for
    the solution with the lower current; where the load asks for more power than the battery has, the constant
    of greatest power, `V / 2w`, is given.
    """
    speed_rad_s = speed_rpm * np.pi / 30.0
    room = supply_v**2 - 4.0 * speed_rad_s * resistance_ohm * load_nm / efficiency
    at_crank = (supply_v + np.sqrt(max(room, 0.0))) / (2.0 * speed_rad_s)
    return float(at_crank / gear_ratio)
