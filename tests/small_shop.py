"""A drop folder of a few constructed captures, for tests of the way through the pipeline.

The voltage is built, not simulated: at rest, then one smooth dip a cylinder, each as deep as we say.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

FAMILIES = (
    "engine_family,cylinders,firing_order,firing_intervals_deg,sync_kind\n"
    "plain-4,4,1-3-4-2,,coil_on_plug\n"
    "plain-6,6,1-5-3-6-2-4,,coil_on_plug\n"
)
RATE_HZ = 2000.0


def crank_voltage(
    strengths: tuple[float, ...], *, rpm: float = 200.0, seconds: float = 9.0, seed: int = 0
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """time_s, battery_v, primary_v of a crank whose firing positions have these relative strengths.

    The battery is lowest where a piston is at the top of its compression stroke, and the coil of that
    cylinder fires just before (common practice, no source). The sync is on firing position one.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, seconds, 1 / RATE_HZ)
    cranking = (time_s > 1.0) & (time_s < seconds - 1.0)
    angle_deg = np.where(cranking, (time_s - 1.0) * rpm * 6.0, 0.0) - 200.0
    step_deg = 720.0 / len(strengths)
    battery_v = np.full(time_s.shape, 12.6)
    battery_v[cranking] = 10.2
    for position, strength in enumerate(strengths):
        offset_deg = (angle_deg - position * step_deg + 360.0) % 720.0 - 360.0
        battery_v[cranking] -= (0.5 * strength * np.exp(-((offset_deg / (0.22 * step_deg)) ** 2)))[cranking]
    battery_v += rng.normal(0, 0.004, time_s.shape)
    primary_v = np.where(cranking, 10.0, 12.6)
    to_fire_deg = (angle_deg + 8.0 + 360.0) % 720.0 - 360.0
    primary_v[cranking & (to_fire_deg > -12.0) & (to_fire_deg < 0.0)] = 0.4
    primary_v[cranking & (to_fire_deg >= 0.0) & (to_fire_deg < 2.0)] = 300.0
    return time_s, battery_v, primary_v


def write_capture(path: Path, strengths: tuple[float, ...], *, seed: int = 0) -> None:
    """Write one constructed capture as plain comma-separated text."""
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = np.column_stack(crank_voltage(strengths, seed=seed))
    np.savetxt(
        path, columns, delimiter=",", fmt="%.6g", header="time (s),channel 1 (V),channel 2 (V)", comments=""
    )


def log_row(capture_file: str, **changes: str) -> str:
    """One row of captures.csv."""
    row = {
        "capture_file": capture_file,
        "captured_at": "2026-03-02T10:00:00",
        "technician": "ada",
        "repair_order": "",
        "vehicle": "v1",
        "engine_family": "plain-4",
        "test": "relative_compression",
        "purpose": "drill",
        "ch1_signal": "battery_voltage",
        "ch1_scale": "1",
        "ch2_signal": "ignition_primary",
        "ch2_scale": "1",
        "sync_cylinder": "1",
        "call": "even",
        "call_cylinders": "",
    }
    return ",".join((row | changes).values())


HEADER = (
    "capture_file,captured_at,technician,repair_order,vehicle,engine_family,test,purpose,"
    "ch1_signal,ch1_scale,ch2_signal,ch2_scale,sync_cylinder,call,call_cylinders"
)


def write_log(drop: Path, *rows: str) -> None:
    """Write captures.csv."""
    (drop / "captures.csv").write_text("\n".join((HEADER, *rows)) + "\n", encoding="utf-8")


def small_drop(drop: Path) -> None:
    """Three even engines and one whose cylinder 4 (third to fire of 1-3-4-2) is weak."""
    drop.mkdir(parents=True, exist_ok=True)
    (drop / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    (drop / "technicians.csv").write_text("technician,started_on\nada,2025-11-03\n", encoding="utf-8")
    for number in range(3):
        write_capture(drop / f"week1/even{number}.csv", (1, 1, 1, 1), seed=number)
    write_capture(drop / "week1/weak.csv", (1, 1, 0.6, 1), seed=9)
    write_log(
        drop,
        *(log_row(f"week1/even{number}.csv", vehicle=f"v{number}") for number in range(3)),
        log_row("week1/weak.csv", vehicle="v9", call="odd", call_cylinders="4"),
    )
