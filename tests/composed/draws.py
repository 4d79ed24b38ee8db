"""Draws one capture's numbers from its seed: each group by itself, from wide ranges, so that they combine at random.

Chances and ranges are set by what can happen in a shop (common practice, no source), never by what a reader does.
"""

from __future__ import annotations

import math

import numpy as np

from tests.composed.parameters import (
    BatteryDraw,
    CrankDraw,
    Drawn,
    EngineDraw,
    FileDraw,
    IgnitionDraw,
    LoadsDraw,
    LogDraw,
    StarterDraw,
)
from tests.composed.scope_draws import draw_scope

# Crank angles from firing to firing of uneven engines, by number of cylinders.
UNEVEN: dict[int, tuple[tuple[float, ...], ...]] = {
    3: ((180.0, 180.0, 360.0),),
    4: ((270.0, 180.0, 90.0, 180.0), (284.0, 180.0, 76.0, 180.0), (90.0, 270.0) * 2),
    6: ((150.0, 90.0) * 3, (132.0, 108.0) * 3),
    10: ((90.0, 54.0) * 5,),
    12: ((75.0, 45.0) * 6,),
}


def often(rng: np.random.Generator, chance: float) -> bool:
    """True with that chance."""
    return bool(rng.random() < chance)


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform."""
    return float(rng.uniform(low, high))


def over(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform in the logarithm, for what spans decades."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def draw(seed: int) -> Drawn:
    """All numbers of capture `seed`; the same seed gives the same capture."""
    streams = [np.random.default_rng([seed, group]) for group in range(8)]
    crank = _draw_crank(streams[0])
    engine = _draw_engine(streams[1])
    ignition = _draw_ignition(streams[2], engine.cylinders, crank)
    return Drawn(
        seed=seed,
        engine=engine,
        starter=_draw_starter(streams[3]),
        battery=_draw_battery(streams[4]),
        loads=_draw_loads(streams[5], crank),
        crank=crank,
        ignition=ignition,
        scope=draw_scope(np.random.default_rng([seed, 8])),
        file=_draw_file(streams[6]),
        log=_draw_log(streams[7], engine.cylinders, ignition),
    )


def _draw_crank(rng: np.random.Generator) -> CrankDraw:
    mid_crank = often(rng, 0.1)
    on = -between(rng, 0.5, 4.0) if mid_crank else between(rng, 0.2, 2.5)
    length = between(rng, 2.5, 9.0)
    if often(rng, 0.06):
        length = between(rng, 11.0, 19.0)
    elif often(rng, 0.1):
        length = between(rng, 0.7, 2.5)
    engaged = [(on, max(on, 0.0) + length)]
    if often(rng, 0.08):
        for _ in range(int(rng.integers(1, 3))):
            again = engaged[-1][1] + between(rng, 0.5, 2.0)
            engaged.append((again, again + between(rng, 0.8, 3.0)))
    end = engaged[-1][1]
    tail = -between(rng, 0.0, 0.6) if often(rng, 0.12) else between(rng, 0.1, 1.5)
    starts = None
    if often(rng, 0.14):
        first, last = max(engaged[-1][0], 0.0) + 0.5, end
        starts = between(rng, first, last)
    return CrankDraw(
        engaged_s=tuple(engaged),
        duration_s=end + tail,
        starts_s=starts,
        fire_share=between(rng, 0.1, 0.5) if often(rng, 0.2) else between(rng, 0.8, 1.0),
        idle_rpm=between(rng, 600.0, 1300.0),
        release_s=between(rng, 0.2, 1.5),
        ran_until_s=engaged[0][0] - between(rng, 0.6, 2.0) if not mid_crank and often(rng, 0.04) else None,
    )


def _draw_intervals(rng: np.random.Generator, cylinders: int) -> tuple[float, ...]:
    even = (720.0 / cylinders,) * cylinders
    if cylinders in UNEVEN and often(rng, 0.3):
        choices = UNEVEN[cylinders]
        return choices[int(rng.integers(len(choices)))]
    if cylinders % 2 == 0 and often(rng, 0.04):
        split = round(even[0] * between(rng, 0.65, 0.95), 1)
        return (split, round(2 * even[0] - split, 1)) * (cylinders // 2)
    return even


def _draw_engine(rng: np.random.Generator) -> EngineDraw:
    cylinders = int(rng.choice([3, 4, 5, 6, 8, 10, 12], p=[0.12, 0.3, 0.08, 0.2, 0.18, 0.06, 0.06]))
    order = (1, *(int(c) for c in rng.permutation(np.arange(2, cylinders + 1))))
    faults = int(rng.choice([0, 1, 2], p=[0.45, 0.43, 0.12]))
    place = int(rng.integers(cylinders))
    step = 1 if often(rng, 0.5) else int(rng.integers(1, cylinders))
    leaks = often(rng, 0.7)
    cold = between(rng, -25.0, 5.0) if often(rng, 0.15) else between(rng, 10.0, 95.0)
    litre = between(rng, 0.25, 0.75)
    bore = (litre * 1e-3 * 4 / math.pi / between(rng, 0.85, 1.25)) ** (1 / 3)
    thick = math.exp(-0.018 * (cold - 20.0))
    return EngineDraw(
        cylinders=cylinders,
        firing_order=order,
        intervals_deg=_draw_intervals(rng, cylinders),
        bore_m=bore,
        stroke_m=litre * 1e-3 / (math.pi / 4 * bore**2),
        rod_ratio=between(rng, 2.9, 4.2),
        compression_ratio=between(rng, 8.0, 13.5),
        polytropic_n=between(rng, 1.25, 1.36),
        ivc_abdc_deg=between(rng, 25.0, 80.0),
        evo_bbdc_deg=between(rng, 25.0, 70.0),
        manifold_kpa=between(rng, 60.0, 101.0),
        leak_per_s=tuple(
            float(v) for v in over(rng, 0.01, 0.08) * np.exp(0.3 * rng.standard_normal(cylinders))
        ),
        fill=tuple(float(v) for v in 1 + over(rng, 0.002, 0.02) * rng.standard_normal(cylinders)),
        fault_cylinders=tuple(order[(place + step * k) % cylinders] for k in range(faults)),
        fault_leak_per_s=over(rng, 0.1, 6.0) if leaks else 0.0,
        fault_fill=1.0 if leaks else between(rng, 0.1, 0.95),
        fault_seats_rpm=between(rng, 80.0, 250.0) if often(rng, 0.15) else 0.0,
        fault_when=str(rng.choice(["always", "first", "kicks"], p=[0.8, 0.1, 0.1])),
        fault_share=between(rng, 0.1, 0.5),
        cycle_scatter=over(rng, 0.001, 0.02),
        oil_c=cold,
        friction_nm=between(rng, 9.0, 20.0) * litre * cylinders * (0.6 + 0.4 * thick),
        viscous_nms=between(rng, 0.15, 0.5) * litre * cylinders * thick,
        tight_nm=between(rng, 10.0, 60.0) if often(rng, 0.06) else 0.0,
        tight_deg=between(rng, 0.0, 360.0),
        inertia_kgm2=over(rng, 0.06, 0.45) * (0.6 + litre * cylinders / 5),
        rest_deg=between(rng, 0.0, 720.0),
    )


def _draw_starter(rng: np.random.Generator) -> StarterDraw:
    series = often(rng, 0.5)
    return StarterDraw(
        series=series,
        target_rpm=between(rng, 50.0, 85.0) if often(rng, 0.08) else between(rng, 110.0, 330.0),
        saturation_a=between(rng, 80.0, 400.0),
        gear=between(rng, 10.0, 15.0) * (1.0 if often(rng, 0.4) else between(rng, 3.2, 5.0)),
        circuit_ohm=over(rng, 0.004, 0.014),
        inductance_h=over(rng, 3e-5, 3e-4),
        brush_v=between(rng, 0.6, 1.8),
        free_a=between(rng, 25.0, 80.0),
        efficiency=between(rng, 0.75, 0.95),
        bars=int(rng.integers(19, 36)),
        commutation_share=over(rng, 0.001, 0.06),
        brush_noise_share=over(rng, 0.001, 0.06 if often(rng, 0.1) else 0.015),
    )


def _draw_battery(rng: np.random.Generator) -> BatteryDraw:
    dying = often(rng, 0.07)
    return BatteryDraw(
        open_v=between(rng, 11.4, 12.2) if often(rng, 0.12) else between(rng, 12.2, 13.0),
        ohm=over(rng, 0.010, 0.025) if often(rng, 0.1) else over(rng, 0.003, 0.009),
        polarisation_ohm=over(rng, 0.0005, 0.004),
        polarisation_s=over(rng, 0.05, 3.0),
        dying_v_per_s=between(rng, 0.05, 0.5) if dying else 0.0,
        dying_ohm_per_s=between(rng, 0.0, 0.0015) if dying else 0.0,
        alternator_v=between(rng, 13.4, 14.8),
        alternator_a=between(rng, 50.0, 150.0),
        alternator_delay_s=0.0 if often(rng, 0.4) else between(rng, 0.2, 6.0),
    )


def _draw_loads(rng: np.random.Generator, crank: CrankDraw) -> LoadsDraw:
    steps: list[tuple[float, float]] = []
    if often(rng, 0.18):
        for _ in range(int(rng.integers(1, 4))):
            on = between(rng, 0.0, crank.duration_s)
            size = between(rng, 5.0, 45.0)
            steps += [(on, size), (on + between(rng, 0.3, 4.0), -size)]
    pwm = often(rng, 0.08)
    return LoadsDraw(
        base_a=between(rng, 1.0, 35.0),
        steps=tuple(steps),
        prime_a=between(rng, 4.0, 12.0) if often(rng, 0.3) else 0.0,
        prime_s=between(rng, 0.8, 3.0),
        pwm_a=between(rng, 5.0, 30.0) if pwm else 0.0,
        pwm_hz=over(rng, 8.0, 400.0),
        pwm_duty=between(rng, 0.2, 0.8),
    )


def _draw_ignition(rng: np.random.Generator, cylinders: int, crank: CrankDraw) -> IgnitionDraw:
    watched = str(
        rng.choice(["primary", "pickup", "trigger", "injector", "none"], p=[0.5, 0.27, 0.1, 0.03, 0.1])
    )
    style = str(rng.choice(["coil_on_plug", "waste_spark", "distributor"], p=[0.6, 0.3, 0.1]))
    quiet: list[tuple[float, float]] = []
    if often(rng, 0.1):
        begin = max(crank.engaged_s[0][0], 0.0)
        for _ in range(int(rng.integers(1, 3))):
            on = between(rng, begin, crank.engaged_s[-1][1])
            quiet.append((on, crank.duration_s if often(rng, 0.35) else on + between(rng, 0.4, 3.0)))
    return IgnitionDraw(
        watched=watched,
        style=style,
        sync_cylinder=1 if often(rng, 0.6) else int(rng.integers(1, cylinders + 1)),
        advance_deg=between(rng, -15.0, 0.0) if often(rng, 0.15) else between(rng, 0.0, 18.0),
        dwell_s=over(rng, 1.5e-3, 9e-3),
        burn_s=between(rng, 0.6e-3, 2.2e-3),
        kick_v=between(rng, 180.0, 430.0),
        pulse_s=over(rng, 3e-5, 1.5e-3),
        ring_hz=over(rng, 2e3, 5e4),
        ring_decay_s=over(rng, 5e-5, 1e-3),
        missing_share=between(rng, 0.03, 0.5) if often(rng, 0.08) else 0.0,
        quiet_s=tuple(quiet),
        blind_turns=between(rng, 1.0, 8.0) if style == "coil_on_plug" and often(rng, 0.12) else 0.0,
        first_spark_turns=between(rng, 0.0, 2.0),
        neighbours=between(rng, 0.15, 0.6) if watched in ("pickup", "primary") and often(rng, 0.12) else 0.0,
        key_step=often(rng, 0.35),
        on_time_s=between(rng, 2e-3, 12e-3),
    )


def _draw_file(rng: np.random.Generator) -> FileDraw:
    gaps, alternate = often(rng, 0.06), often(rng, 0.03)
    return FileDraw(
        gap_share=over(rng, 0.002, 0.08) if gaps else 0.0,
        gap_samples=int(over(rng, 1.0, 60.0)),
        jitter_share=between(rng, 0.05, 0.3) if often(rng, 0.08) else 0.0,
        repeats=int(rng.integers(2, 6)) if often(rng, 0.03) else 1,
        alternate=alternate,
        start_s=between(rng, -10.0, 0.0) if often(rng, 0.5) else 0.0,
    )


def _draw_log(rng: np.random.Generator, cylinders: int, ignition: IgnitionDraw) -> LogDraw:
    count, style, sync = 0, "", 0
    if often(rng, 0.03):
        count = int(rng.choice([c for c in (3, 4, 5, 6, 8, 10, 12) if c != cylinders]))
    elif often(rng, 0.02) and ignition.style != "distributor":
        style = "coil_on_plug" if ignition.style == "waste_spark" else "waste_spark"
    elif often(rng, 0.02):
        sync = ignition.sync_cylinder % cylinders + 1
    return LogDraw(swapped=often(rng, 0.06), cylinders=count, style=style, sync_cylinder=sync)
