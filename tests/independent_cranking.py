"""A second cranking simulator, used only to judge the reader and never to train or tune it.

Its physics and its numerics are its own: it steps in crank angle rather than in time, each cylinder keeps a
mass and an energy balance (wall heat, blow-by and ports through an orifice law, choked where it must be), the
intake manifold breathes, friction follows a Stribeck curve, the starter has inductance, a saturating field
and an overrunning clutch, the battery two relaxation branches. Many engines are stepped at once as columns.

All pressures are absolute in Pa, angles in degrees of crank, temperatures in K. Cylinder columns follow
cylinder number (column 0 = cylinder one); unused columns of a smaller engine are switched off by `exists`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tests.independent_gas import GAS_CONSTANT, lift, orifice_flow, relative_volume

Array = npt.NDArray[np.float64]

STEP_DEG = 1.5
CREEP_RAD_S = 0.4  # the slowest crank speed that is stepped; below it an engine has stalled or stopped
AMBIENT_PA = 100_000.0


@dataclass(frozen=True, slots=True)
class Engines:
    """A batch of B engines with up to C cylinders each.

    Arrays of shape (B, C) unless said otherwise. Areas are effective orifice areas (discharge coefficient
    included) in m2.

    Attributes:
        exists: whether the column holds a cylinder.
        tdc_deg: crank angle of compression top dead centre, 0 to 720.
        swept_m3, ratio: swept volume; geometric compression ratio.
        intake_close_deg: crank angle after bottom dead centre where the intake valve seats.
        intake_area_m2, exhaust_area_m2: largest port areas (a flat cam lobe shows here).
        ring_m2: blow-by to the crankcase; intake_seat_m2, exhaust_seat_m2: leaking seats.
        gasket_m2: (B, C) passage between column c and column c + 1.
        rod_ratio, start_deg, gamma, wall_k, heat_w_m2k, leak_scatter: (B,).
        throttle_m2, manifold_m3: (B,) leakage past the closed throttle, manifold volume.
        inertia_kgm2, reciprocating_kg, crank_radius_m: (B,).
        fric_coulomb_nm, fric_breakaway_nm, stribeck_rad_s, fric_viscous_nms, ring_friction: (B,);
            `ring_friction` is friction torque per N m of gas torque magnitude.
        starter_k: (B,) torque per ampere at the crank with the field fully on, in N m/A (= V s/rad).
        field_series: (B,) share of the field the armature current itself excites (0 permanent magnet,
            1 series); field_sat_a: (B,) its half-saturation current.
        starter_inertia_kgm2: (B,) referred to the crank; starter_drag_nm; gear_efficiency; lash_deg.
        inductance_h, armature_ohm, cable_ohm, brush_v: (B,).
        ocv_v, battery_ohm, accessory_a: (B,); branch_ohm, branch_s: (B, 2) relaxation branches.
        solenoid_a: (B,) pull-in current, solenoid_s: its duration.
        release_s: (B,) time the starter is switched off; fire_s: (B,) time combustion begins (inf: never).
    """

    exists: npt.NDArray[np.bool_]
    tdc_deg: Array
    swept_m3: Array
    ratio: Array
    intake_close_deg: Array
    intake_area_m2: Array
    exhaust_area_m2: Array
    ring_m2: Array
    intake_seat_m2: Array
    exhaust_seat_m2: Array
    gasket_m2: Array
    rod_ratio: Array
    start_deg: Array
    gamma: Array
    wall_k: Array
    heat_w_m2k: Array
    leak_scatter: Array
    throttle_m2: Array
    manifold_m3: Array
    inertia_kgm2: Array
    reciprocating_kg: Array
    crank_radius_m: Array
    fric_coulomb_nm: Array
    fric_breakaway_nm: Array
    stribeck_rad_s: Array
    fric_viscous_nms: Array
    ring_friction: Array
    starter_k: Array
    field_series: Array
    field_sat_a: Array
    starter_inertia_kgm2: Array
    starter_drag_nm: Array
    gear_efficiency: Array
    lash_deg: Array
    inductance_h: Array
    armature_ohm: Array
    cable_ohm: Array
    brush_v: Array
    ocv_v: Array
    battery_ohm: Array
    accessory_a: Array
    branch_ohm: Array
    branch_s: Array
    solenoid_a: Array
    solenoid_s: Array
    release_s: Array
    fire_s: Array


@dataclass(frozen=True, slots=True)
class CrankRun:
    """What the batch did: arrays of shape (steps, B) on each engine's own uneven time axis.

    Attributes:
        time_s, crank_deg, battery_v, starter_a, speed_rad_s: (steps, B); `crank_deg` grows without wrapping;
            the first ten rows are the current's rise before the crank breaks away.
        peak_pa: (cycles, B, C) highest pressure of each cylinder in each whole engine cycle.
        cycle_end_s: (cycles, B) time at which that cycle ended.
        branch_v: (B, 2) relaxation voltages left at the end, for the recovery after the record's motion.
    """

    time_s: Array
    crank_deg: Array
    battery_v: Array
    starter_a: Array
    speed_rad_s: Array
    peak_pa: Array
    cycle_end_s: Array
    branch_v: Array
    cylinder_pa: Array = field(default_factory=lambda: np.empty((0, 0, 0)))


def _tables(e: Engines, step_deg: float) -> dict[str, Array]:
    """Everything that repeats with the crank angle, shape (steps a cycle, B, C) or (steps a cycle, B)."""
    steps = round(720 / step_deg)
    theta = e.start_deg[None, :, None] + step_deg * np.arange(steps + 1)[:, None, None]
    local = (theta - e.tdc_deg[None]) % 720.0
    clearance = e.swept_m3 / (e.ratio - 1)
    volume = clearance * relative_volume(local, e.ratio, e.rod_ratio[:, None])
    # Intake opens 8 deg before the gas-exchange top dead centre (local 360); exhaust closes 8 deg after it.
    intake = e.intake_area_m2 * lift(local, np.full_like(local, 352.0), 540.0 + e.intake_close_deg[None])
    exhaust = e.exhaust_area_m2 * lift(local, np.full_like(local, 132.0), np.full_like(local, 368.0))
    speed = np.gradient(volume, axis=0) / np.deg2rad(step_deg)
    area = e.swept_m3 / (2 * e.crank_radius_m[:, None])
    reciprocating = (e.reciprocating_kg[:, None] * (speed / area) ** 2 * e.exists).sum(-1)
    bore = np.sqrt(4 * area / np.pi)
    burn = np.where((local > 2) & (local < 50), np.sin(np.pi * (local - 2) / 48) ** 2, 0.0)
    return {
        "volume": volume,
        "squeeze": (volume[:-1] / volume[1:]) ** (e.gamma[:, None] - 1),
        "intake": intake + e.intake_seat_m2,
        "exhaust": exhaust + e.exhaust_seat_m2,
        "inertia": e.inertia_kgm2 + reciprocating,
        "wall": 2 * area + np.pi * bore * (volume / area),
        "burn": burn,
    }


def _toward(flow_kg: Array, p_here: Array, p_there: Array, t_up: Array, volume: Array, gamma: Array) -> Array:
    """Limit a step's exchanged mass to what would just equalise the pressures (wide ports are stiff)."""
    return np.minimum(flow_kg, np.abs(p_there - p_here) * volume / (gamma * GAS_CONSTANT * t_up))


def _contact(e: Engines) -> tuple[Array, Array, Array, Array]:
    """Current (B,) when the crank breaks away, and time, current, voltage (10, B) up to there.

    Until then the armature stands still: the current rises in the inductance alone.
    """
    loop = e.armature_ohm + e.cable_ohm + e.battery_ohm
    stall = (e.ocv_v - e.brush_v - e.battery_ohm * e.accessory_a) / loop
    tau = e.inductance_h / loop
    t = np.linspace(0.0, 0.9, 10)[:, None] * tau
    a = stall * (1 - np.exp(-t / tau))
    return a[-1], t, a, e.ocv_v - e.battery_ohm * (a + e.accessory_a)


def crank(
    e: Engines,
    rng: np.random.Generator,
    *,
    end_s: Array,
    step_deg: float = STEP_DEG,
    fixed_rad_s: float | None = None,
    keep_pressure: bool = False,
    max_steps: int = 60_000,
) -> CrankRun:
    """Crank every engine of the batch until its own `end_s`.

    Args:
        e: the batch.
        rng: scatter of leakage and friction from cycle to cycle.
        end_s: (B,) end of each record in s, counted from closing the starter switch.
        step_deg: crank angle of a step; must divide 720.
        fixed_rad_s: turn the crank at this speed instead (no starter): the motored limit.
        keep_pressure: also keep the cylinder pressures (steps, B, C).
        max_steps: upper limit on the steps.

    Raises:
        ValueError: when `step_deg` does not divide 720.
    """
    cycle = round(720 / step_deg)
    if abs(cycle * step_deg - 720) > 1e-9:
        raise ValueError("step_deg must divide 720")
    tab = _tables(e, step_deg)
    batch, cyl = e.exists.shape
    g, exists = e.gamma[:, None], e.exists
    cv = GAS_CONSTANT / (g - 1)
    cp = g * cv
    d_theta = np.deg2rad(step_deg)

    p = np.full((batch, cyl), AMBIENT_PA)
    temp = np.repeat(e.wall_k[:, None], cyl, axis=1)
    mass = p * tab["volume"][0] / (GAS_CONSTANT * temp)
    p_man = np.full(batch, AMBIENT_PA)
    peak_now = np.zeros((batch, cyl))
    speed = np.full(batch, CREEP_RAD_S if fixed_rad_s is None else fixed_rad_s)
    starter = speed.copy()
    amps, rise_s, rise_a, rise_v = _contact(e)
    if fixed_rad_s is not None:
        amps = np.zeros(batch)
    branch = np.zeros((batch, 2))
    time = rise_s[-1].copy()
    engaged = np.ones(batch, dtype=bool)
    stopped = np.zeros(batch, dtype=bool)
    lash = np.zeros(batch)
    gasket = np.zeros((batch, cyl))
    gasket[:, :-1] = e.gasket_m2[:, :-1]
    has_gasket = bool(gasket.any())
    friction_noise = np.zeros(batch)
    leak_factor = np.ones((batch, cyl))
    out: dict[str, list[Array]] = {name: [] for name in ("t", "deg", "v", "a", "w", "p")}
    peaks: list[Array] = []
    ends: list[Array] = []

    for k in range(max_steps):
        j = k % cycle
        if j == 0 or j == cycle // 2:
            leak_factor = np.exp(e.leak_scatter[:, None] * rng.standard_normal((batch, cyl)))
        dt = d_theta / speed
        # 1. volume change, adiabatic and exact
        p_old = p
        temp = temp * tab["squeeze"][j]
        volume = tab["volume"][j + 1]
        p = mass * GAS_CONSTANT * temp / volume
        work_nm = (((p_old + p) / 2 - AMBIENT_PA) * (volume - tab["volume"][j]) * exists).sum(-1)
        peak_now = np.maximum(peak_now, p)
        # 2. exchange of mass with manifold, exhaust, crankcase, neighbour
        gain = np.zeros((batch, cyl))
        heat = np.zeros((batch, cyl))
        to_manifold = np.zeros(batch)
        sides = (
            (tab["intake"][j + 1], np.repeat(p_man[:, None], cyl, axis=1), True),
            (tab["exhaust"][j + 1] + e.ring_m2 * leak_factor, np.full((batch, cyl), AMBIENT_PA), False),
        )
        for area, p_out, is_intake in sides:
            inward = p_out > p
            t_up = np.where(inward, e.wall_k[:, None], temp)
            dm = orifice_flow(area, np.maximum(p, p_out), t_up, np.minimum(p, p_out), g) * dt[:, None]
            dm = _toward(dm, p, p_out, t_up, volume, g)
            signed = np.where(inward, dm, -dm) * exists
            gain += signed
            heat += signed * cp * t_up
            if is_intake:
                to_manifold = -signed.sum(-1)
        if has_gasket:
            p_next, t_next = np.roll(p, -1, axis=1), np.roll(temp, -1, axis=1)
            inward = p_next > p
            t_up = np.where(inward, t_next, temp)
            dm = orifice_flow(gasket, np.maximum(p, p_next), t_up, np.minimum(p, p_next), g) * dt[:, None]
            dm = _toward(dm, p, p_next, t_up, volume, g) / 2
            signed = np.where(inward, dm, -dm)
            gain += signed - np.roll(signed, 1, axis=1)
            heat += (signed * cp * t_up) - np.roll(signed * cp * t_up, 1, axis=1)
        energy = cv * mass * temp + heat
        mass = np.maximum(mass + gain, 1e-9)
        temp = np.clip(energy / (cv * mass), 150.0, 3000.0)
        # 3. wall heat as an exact exponential, combustion where it has begun
        decay = np.exp(-(e.heat_w_m2k * dt)[:, None] * tab["wall"][j + 1] / (cv * mass))
        temp = e.wall_k[:, None] + (temp - e.wall_k[:, None]) * decay
        firing = time > e.fire_s
        if firing.any():
            throttle = np.clip((95.0 - speed) / 40.0, 0.04, 1.0) * np.clip((time - e.fire_s) / 0.4, 0.3, 1.0)
            temp = temp + (firing * throttle)[:, None] * tab["burn"][j] * (2400.0 / 24.0 * step_deg)
        p = mass * GAS_CONSTANT * temp / volume
        # 4. manifold, isothermal; the closed throttle leaks
        dm = orifice_flow(e.throttle_m2, np.full(batch, AMBIENT_PA), e.wall_k, p_man, e.gamma) * dt
        stiffness = GAS_CONSTANT * e.wall_k / e.manifold_m3
        dm = np.minimum(dm, np.maximum(AMBIENT_PA - p_man, 0.0) / stiffness)
        p_man = np.clip(p_man + stiffness * (dm + to_manifold), 0.15 * AMBIENT_PA, 1.05 * AMBIENT_PA)

        if fixed_rad_s is None:
            live = (time < e.release_s) & ~stopped
            k_now = e.starter_k * (1 - e.field_series + e.field_series * amps / (amps + e.field_sat_a))
            drive_nm = e.gear_efficiency * k_now * amps
            friction_noise = 0.995 * friction_noise + 0.002 * rng.standard_normal(batch)
            friction = (
                e.fric_coulomb_nm * (1 + friction_noise)
                + (e.fric_breakaway_nm - e.fric_coulomb_nm) * np.exp(-((speed / e.stribeck_rad_s) ** 2))
                + e.fric_viscous_nms * speed
                + e.ring_friction * np.abs(work_nm) / d_theta
            )
            inertia0, inertia1 = tab["inertia"][j], tab["inertia"][j + 1]
            carried = np.where(engaged, e.starter_inertia_kgm2, 0.0)
            pull = np.where(engaged, drive_nm - e.starter_drag_nm, 0.0)
            squared = ((inertia0 + carried) * speed**2 + 2 * (work_nm + (pull - friction) * d_theta)) / (
                inertia1 + carried
            )
            new_speed = np.sqrt(np.maximum(squared, CREEP_RAD_S**2))
            dt = 2 * d_theta / (speed + new_speed)
            stopped |= (time >= e.release_s) & (new_speed <= CREEP_RAD_S)
            dt = np.where(stopped, 0.004, dt)
            # Overrunning clutch: it lets go when the engine would have to drag the armature along.
            alpha = (new_speed**2 - speed**2) / (2 * d_theta)
            contact = drive_nm - e.starter_drag_nm - e.starter_inertia_kgm2 * alpha
            held = new_speed <= CREEP_RAD_S  # friction holds the crank: nothing to overrun
            lets_go = engaged & (((contact < 0) & ~held) | ~live)
            starter = np.where(
                engaged, new_speed, starter + (drive_nm - e.starter_drag_nm) / e.starter_inertia_kgm2 * dt
            )
            no_load = np.maximum(e.ocv_v - e.brush_v, 0.0) / np.maximum(k_now, 1e-3)
            starter = np.clip(starter, 0.0, np.maximum(no_load, new_speed))
            lash = np.where(lets_go, 0.0, lash + np.where(starter > new_speed, starter - new_speed, 0.0) * dt)
            meets = ~engaged & live & (starter >= new_speed) & (lash >= np.deg2rad(e.lash_deg))
            joint = (inertia1 * new_speed + e.starter_inertia_kgm2 * starter) / (
                inertia1 + e.starter_inertia_kgm2
            )
            new_speed = np.where(meets, joint, new_speed)
            starter = np.where(meets, joint, starter)
            engaged = (engaged & ~lets_go) | meets
            # 5. armature and battery, backward Euler on the inductance
            wanted_a = (14.2 - e.ocv_v) / (e.battery_ohm + e.branch_ohm[:, 0]) + e.accessory_a
            charging = np.where(speed > 55.0, np.clip((time - e.fire_s - 0.4) / 0.8, 0, 1) * wanted_a, 0.0)
            rest_a = e.accessory_a - charging
            open_v = e.ocv_v - branch.sum(-1) - e.battery_ohm * rest_a
            drive_v = open_v - e.brush_v * np.tanh(amps / 5.0) - k_now * starter
            loop = e.armature_ohm + e.cable_ohm + e.battery_ohm
            amps = np.where(
                live, (amps + dt / e.inductance_h * drive_v) / (1 + dt / e.inductance_h * loop), 0.0
            )
            amps = np.maximum(amps, 0.0)
            total = (amps + rest_a)[:, None]
            branch = total * e.branch_ohm + (branch - total * e.branch_ohm) * np.exp(
                -dt[:, None] / e.branch_s
            )
            volts = np.minimum(e.ocv_v - branch.sum(-1) - e.battery_ohm * total[:, 0], 14.4)
            speed = new_speed
        else:
            volts = e.ocv_v
        time = time + dt
        out["t"].append(time)
        out["deg"].append(np.where(stopped, np.nan, e.start_deg + (k + 1) * step_deg))
        out["v"].append(volts)
        out["a"].append(amps)
        out["w"].append(np.where(stopped, 0.0, speed))
        if keep_pressure:
            out["p"].append(p)
        if j == cycle - 1:
            peaks.append(peak_now)
            ends.append(time)
            peak_now = np.zeros((batch, cyl))
        if (time >= end_s).all():
            break
    degrees = np.stack(out["deg"])
    turned = np.fmax.accumulate(degrees, axis=0)  # a stopped crank keeps its angle
    still = np.zeros_like(rise_s)
    return CrankRun(
        np.concatenate([rise_s, np.stack(out["t"])]),
        np.concatenate([still + e.start_deg, turned]),
        np.concatenate([rise_v, np.stack(out["v"])]),
        np.concatenate([rise_a, np.stack(out["a"])]),
        np.concatenate([still + CREEP_RAD_S, np.stack(out["w"])]),
        np.stack(peaks) if peaks else np.empty((0, batch, cyl)),
        np.stack(ends) if ends else np.empty((0, batch)),
        branch,
        np.concatenate([np.full((10, batch, cyl), AMBIENT_PA), out["p"]])
        if keep_pressure
        else np.empty((0, 0, 0)),
    )
