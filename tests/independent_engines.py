"""Ten invented engine families for the independent simulator, and how single vehicles differ from them.

Every number here is an invented but ordinary one (common practice, no source); the families stand for layouts,
not for any maker's engine. Firing orders are ones openly listed for the layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from pipelines.kinds.engine import EngineFamily, SyncKind
from tests.independent_cranking import Array, CrankRun, Engines, crank

CYLINDER_COLUMNS = 8
FAULT_MODES = ("ring", "exhaust_seat", "intake_seat", "flat_intake_lobe", "late_closing", "gasket")
LEVELS = np.linspace(0.0, 1.0, 10)
LEAST_LOSS = 0.15


@dataclass(frozen=True, slots=True)
class Layout:
    """One invented family; `starter` is permanent_magnet, series or compound."""

    name: str
    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]
    swept_cc: float
    ratio: float
    intake_close_deg: float
    inertia_kgm2: float
    starter: str
    target_rpm: float
    friction_kpa: float
    battery_mohm: float

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.firing_order)

    @property
    def has_companions(self) -> bool:
        """Whether each cylinder has one that reaches its top exactly 360 degrees apart."""
        tops = np.array(self.family("coil_on_plug").firing_angles_deg)
        return all(np.isclose((tops + 360) % 720, top).any() for top in tops)

    def family(self, sync_kind: SyncKind) -> EngineFamily:
        """What the shop would have on file."""
        return EngineFamily(self.name, self.cylinders, self.firing_order, self.intervals_deg, sync_kind)


LAYOUTS: tuple[Layout, ...] = (
    Layout("three_small", (1, 2, 3), (), 333, 10.5, 52, 0.12, "permanent_magnet", 235, 125, 7.5),
    Layout("four_even", (1, 3, 4, 2), (), 499, 10.8, 58, 0.20, "permanent_magnet", 215, 125, 6.5),
    Layout("four_long", (1, 3, 4, 2), (), 610, 9.6, 48, 0.26, "series", 185, 140, 6.0),
    Layout("four_uneven", (1, 3, 2, 4), (270, 180, 90, 180), 250, 12.2, 50, 0.09, "permanent_magnet", 260, 150, 9.0),
    Layout("five_even", (1, 2, 4, 5, 3), (), 495, 10.0, 55, 0.24, "compound", 200, 125, 5.5),
    Layout("six_inline", (1, 5, 3, 6, 2, 4), (), 498, 10.4, 56, 0.24, "permanent_magnet", 205, 120, 5.0),
    Layout("six_vee", (1, 2, 3, 4, 5, 6), (), 583, 10.6, 60, 0.22, "permanent_magnet", 200, 120, 5.0),
    Layout("six_odd", (1, 6, 5, 4, 3, 2), (150, 90) * 3, 630, 8.8, 50, 0.32, "series", 175, 135, 5.0),
    Layout("eight_a", (1, 8, 4, 3, 6, 5, 7, 2), (), 660, 10.0, 58, 0.34, "permanent_magnet", 190, 115, 4.2),
    Layout("eight_b", (1, 3, 7, 2, 6, 5, 4, 8), (), 620, 9.4, 54, 0.36, "compound", 180, 120, 4.4),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fault:
    """A planted fault: the mode, the cylinders it strikes, and its level between 0 and 1."""

    mode: str
    cylinders: tuple[int, ...]
    level: float


@dataclass(frozen=True, slots=True)
class Conditions:
    """Ranges a vehicle's state is drawn from; `charge` is the state of charge, `flywheel` a
    factor on the inertia."""

    oil_c: tuple[float, float] = (5.0, 80.0)
    charge: tuple[float, float] = (0.65, 1.0)
    battery_wear: tuple[float, float] = (0.8, 1.35)
    starter_wear: tuple[float, float] = (0.92, 1.06)
    flywheel: tuple[float, float] = (1.0, 1.0)


def open_circuit_v(charge: float) -> float:
    """Rest voltage of a flooded 12 V battery at 26.7 C against its state of charge.

    The knots are a table credited to Battery Council International: 12.65 V full, 12.45 at 75 %, 12.24 at
    50 %, 12.06 at 25 %, 11.89 empty.
    """
    return float(np.interp(charge, [0, 0.25, 0.5, 0.75, 1], [11.89, 12.06, 12.24, 12.45, 12.65]))


def apply_fault(columns: dict[str, Array], row: int, fault: Fault) -> None:
    """Plant `fault` in row `row` of the draft arrays (in place)."""
    for cylinder in fault.cylinders:
        c = cylinder - 1
        swept = columns["swept_m3"][row, c]
        if fault.mode in ("ring", "exhaust_seat", "intake_seat"):
            # Area grows with the bore; the square spreads the small levels where 15 % of peak is lost.
            columns[f"{fault.mode}_m2"][row, c] += 40e-6 * fault.level**2 * (swept / 500e-6)
        elif fault.mode == "flat_intake_lobe":
            columns["intake_area_m2"][row, c] *= 10 ** (-2.9 * fault.level)
        elif fault.mode == "late_closing":
            columns["intake_close_deg"][row, c] += 75.0 * fault.level
        elif fault.mode == "gasket":
            columns["gasket_m2"][row, c] += 40e-6 * fault.level**2 * (swept / 500e-6)
        else:
            raise ValueError(f"no fault mode {fault.mode!r}")


def draw_engines(
    layouts: list[Layout],
    faults: list[Fault | None],
    rng: np.random.Generator,
    conditions: Conditions | None = None,
    *,
    exact: bool = False,
) -> Engines:
    """Vehicles of these layouts, one a row, with their own wear, battery, oil and cylinder scatter.

    With `exact` all scatter is off (the nominal engine of the layout).
    """
    here = conditions or Conditions()
    b, cyl = len(layouts), CYLINDER_COLUMNS
    names = [
        "tdc_deg",
        "swept_m3",
        "ratio",
        "intake_close_deg",
        "intake_area_m2",
        "exhaust_area_m2",
        "ring_m2",
        "intake_seat_m2",
        "exhaust_seat_m2",
        "gasket_m2",
    ]
    wide = {name: np.zeros((b, cyl)) for name in names}
    wide["swept_m3"][:] = 1e-5
    wide["ratio"][:] = 9.0
    flat: dict[str, list[float]] = {}
    exists = np.zeros((b, cyl), dtype=bool)
    branch_ohm, branch_s = np.zeros((b, 2)), np.zeros((b, 2))
    off = 0.0 if exact else 1.0

    def put(name: str, value: float) -> None:
        flat.setdefault(name, []).append(float(value))

    for row, (layout, fault) in enumerate(zip(layouts, faults, strict=True)):
        n = layout.cylinders
        own = np.random.default_rng(sum(map(ord, layout.name)))  # the family's lasting pattern
        pattern = own.standard_normal((3, n))
        pattern -= pattern.mean(1, keepdims=True)
        z = rng.standard_normal((4, n)) * off
        exists[row, :n] = True
        tops = dict(zip(layout.firing_order, layout.family("coil_on_plug").firing_angles_deg, strict=True))
        wide["tdc_deg"][row, :n] = [tops[c + 1] for c in range(n)]
        swept = layout.swept_cc * 1e-6
        wide["swept_m3"][row, :n] = swept
        wide["ratio"][row, :n] = layout.ratio * (1 + 0.006 * pattern[0] + 0.006 * z[0])
        wide["intake_close_deg"][row, :n] = layout.intake_close_deg + 0.8 * pattern[1] + 0.8 * z[1]
        port = 5.0e-4 * (swept / 500e-6) ** 0.67
        wide["intake_area_m2"][row, :n] = port * (1 + 0.03 * z[2])
        wide["exhaust_area_m2"][row, :n] = 0.8 * port
        wear = np.exp(0.3 * rng.standard_normal() * off)
        scale = 0.30e-6 * wear * swept / 500e-6
        wide["ring_m2"][row, :n] = scale * np.exp(0.10 * pattern[2] + 0.18 * z[3])
        if fault is not None:
            apply_fault(wide, row, fault)

        oil_c = rng.uniform(*here.oil_c) if off else 40.0
        charge = rng.uniform(*here.charge) if off else 0.9
        worn = rng.uniform(*here.battery_wear) if off else 1.0
        starter = rng.uniform(*here.starter_wear) if off else 1.0
        heavy = 1.25 * (rng.uniform(*here.flywheel) if here.flywheel != (1.0, 1.0) else 1.0)
        thick = np.exp(-(oil_c - 40) / 55.0)  # oil viscosity against 40 C, a plain exponential
        volume = swept * n
        friction = layout.friction_kpa * 1e3 * volume / (4 * np.pi)
        target = layout.target_rpm * np.pi / 30
        battery = 0.8e-3 * layout.battery_mohm * worn * (1 + max(0.0, 20 - oil_c) * 0.012)
        armature, cable = 0.9e-3 * layout.battery_mohm, 0.4e-3 * layout.battery_mohm
        loop = armature + cable + 0.8e-3 * layout.battery_mohm * 1.3
        load = friction * 1.15 + 9e3 * volume  # rough work lost to heat and leakage, in N m
        volts = 11.4
        k = (volts + np.sqrt(max(volts**2 - 4 * target * loop * load / 0.85, 0.1))) / (2 * target)
        amps = load / (0.85 * k)
        share = {"permanent_magnet": 0.0, "compound": 0.45, "series": 1.0}[layout.starter]
        saturation = 0.55 * amps
        put("rod_ratio", 3.3)
        put("start_deg", rng.uniform(0, 720) if off else 0.0)
        put("gamma", 1.39 + 0.005 * rng.standard_normal() * off)
        put("wall_k", 273.0 + max(oil_c, -25))
        put("heat_w_m2k", 70 * np.exp(0.2 * rng.standard_normal() * off))
        put("leak_scatter", rng.uniform(0.03, 0.12) if off else 0.0)
        put("throttle_m2", 16e-6 * volume / 2e-3 * np.exp(0.4 * rng.standard_normal() * off))
        put("manifold_m3", 1.3 * volume)
        put("inertia_kgm2", heavy * layout.inertia_kgm2 * np.exp(0.05 * rng.standard_normal() * off))
        put("reciprocating_kg", 0.9 * swept / 500e-6)
        put("crank_radius_m", 0.043 * (swept / 500e-6) ** (1 / 3))
        put("fric_coulomb_nm", friction * (0.75 + 0.25 * thick**0.5))
        put("fric_breakaway_nm", friction * 1.5)
        put("stribeck_rad_s", 2.5)
        put("fric_viscous_nms", 0.25 * friction / target * thick)
        put("ring_friction", 0.035 * np.exp(0.2 * rng.standard_normal() * off))
        put("starter_k", k * starter * (1 - share + share * (amps + saturation) / amps))
        put("field_series", share)
        put("field_sat_a", saturation)
        put("starter_inertia_kgm2", 0.5 * layout.inertia_kgm2 * np.exp(0.15 * rng.standard_normal() * off))
        put("starter_drag_nm", 0.04 * friction)
        put("gear_efficiency", 0.85 * (1 + 0.03 * rng.standard_normal() * off))
        put("lash_deg", rng.uniform(0.2, 0.8) if off else 0.4)
        put("inductance_h", loop * rng.uniform(0.004, 0.012) if off else loop * 0.008)
        put("armature_ohm", armature * np.exp(0.10 * rng.standard_normal() * off))
        put("cable_ohm", cable * np.exp(0.25 * rng.standard_normal() * off))
        put("brush_v", 0.9)
        put("ocv_v", open_circuit_v(charge))
        put("battery_ohm", battery)
        put("accessory_a", rng.uniform(4, 14) if off else 8.0)
        branch_ohm[row] = battery * np.array([0.35, 0.25]) * (rng.uniform(0.7, 1.4) if off else 1.0)
        branch_s[row] = [rng.uniform(0.05, 0.25), rng.uniform(1.5, 8.0)] if off else [0.1, 4.0]
        put("solenoid_a", rng.uniform(25, 50) if off else 35.0)
        put("solenoid_s", rng.uniform(0.012, 0.035) if off else 0.02)
        put("release_s", np.inf)
        put("fire_s", np.inf)
    return Engines(
        exists=exists,
        branch_ohm=branch_ohm,
        branch_s=branch_s,
        **wide,
        **{name: np.array(values) for name, values in flat.items()},
    )


def _median_peaks(e: Engines, run: CrankRun) -> Array:
    """Median peak pressure (B, C) over whole motored cycles after the first two, NaN where none exist."""
    usable = run.cycle_end_s < np.minimum(e.release_s, e.fire_s)
    usable[:2] = False
    peak = np.where(usable[:, :, None] & e.exists[None], run.peak_pa, np.nan)
    middle = np.full(e.exists.shape, np.nan)
    seen = np.isfinite(peak).any(axis=0)
    middle[seen] = np.nanmedian(peak[:, seen], axis=0)
    return middle


@cache
def usual_peaks() -> dict[str, Array]:
    """Peak pressure of each cylinder of each layout's nominal engine over their median: the lasting pattern."""
    rng = np.random.default_rng(0)
    e = draw_engines(list(LAYOUTS), [None] * len(LAYOUTS), rng, exact=True)
    middle = _median_peaks(e, crank(e, rng, end_s=np.full(len(LAYOUTS), 6.0)))
    middle = middle / np.nanmedian(middle, axis=1, keepdims=True)
    return {layout.name: middle[i] for i, layout in enumerate(LAYOUTS)}


def loss_of_peak(layouts: list[Layout], e: Engines, run: CrankRun, struck: list[tuple[int, ...]]) -> Array:
    """Loss of peak pressure (B, C), as a share of what that cylinder usually has in its family.

    The level is the median over the cylinders that are not struck. NaN where the engine has no such cylinder
    or the record holds no whole motored cycle after the first two.
    """
    middle = _median_peaks(e, run) / np.stack([usual_peaks()[layout.name] for layout in layouts])
    sound = middle.copy()
    for row, cylinders in enumerate(struck):
        for cylinder in cylinders:
            sound[row, cylinder - 1] = np.nan
    level = np.array([np.nanmedian(row) if np.isfinite(row).any() else np.nan for row in sound])
    return np.asarray(1 - middle / level[:, None])


@cache
def _severity_table() -> dict[tuple[str, str], Array]:
    """Loss of peak pressure against `LEVELS`, for each layout and mode, motored at its target speed."""
    keys = [(layout, mode) for layout in LAYOUTS for mode in FAULT_MODES]
    rows = [(layout, Fault(mode, (1,), float(level))) for layout, mode in keys for level in LEVELS]
    rng = np.random.default_rng(0)
    e = draw_engines([r[0] for r in rows], [r[1] for r in rows], rng, exact=True)
    speed = np.array([r[0].target_rpm for r in rows]) * np.pi / 30
    run = crank(
        e, rng, end_s=np.full(len(rows), np.inf), fixed_rad_s=float(np.median(speed)), max_steps=4 * 480
    )
    loss = loss_of_peak([r[0] for r in rows], e, run, [(1, 2)] * len(rows))[:, 0].reshape(
        len(keys), len(LEVELS)
    )
    return {(layout.name, mode): loss[i] for i, (layout, mode) in enumerate(keys)}


def fault_with_loss(layout: Layout, mode: str, cylinders: tuple[int, ...], loss: float) -> Fault:
    """A fault whose loss of peak pressure comes out near `loss` (as far as the mode can go)."""
    table = np.maximum.accumulate(_severity_table()[layout.name, mode])
    return Fault(mode, cylinders, float(np.interp(loss, table, LEVELS)))
