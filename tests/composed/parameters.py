"""What is drawn for one cranking capture: plain numbers, in groups that are drawn apart and combined at random.

Nothing here is a label of a trouble: a trouble is a number far from its usual place (`troubles.py` says which), and
what is true of the capture is computed from what happened (`truth.py`). Ranges are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass


@dataclass(frozen=True, slots=True)
class EngineDraw:
    """Engine and its faults.

    `rod_ratio` is rod length over crank radius. A cylinder loses the share `leak_per_s` of its charge a second at
    ambient pressure, times its pressure (`engine.py`); the faulty ones lose `fault_leak_per_s` on top while the fault
    is there (`fault_when`), above `fault_seats_rpm` less and less, and draw in `fault_fill` of the charge.
    `cycle_scatter` is the share by which a cylinder's pressure differs from cycle to cycle (standard deviation).
    `tight_nm` is extra friction once a turn.
    """

    cylinders: int
    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...]
    bore_m: float
    stroke_m: float
    rod_ratio: float
    compression_ratio: float
    polytropic_n: float
    ivc_abdc_deg: float
    evo_bbdc_deg: float
    manifold_kpa: float
    leak_per_s: tuple[float, ...]
    fill: tuple[float, ...]
    fault_cylinders: tuple[int, ...]
    fault_leak_per_s: float
    fault_fill: float
    fault_seats_rpm: float
    fault_when: str
    fault_share: float
    cycle_scatter: float
    oil_c: float
    friction_nm: float
    viscous_nms: float
    tight_nm: float
    tight_deg: float
    inertia_kgm2: float
    rest_deg: float


@dataclass(frozen=True, slots=True)
class StarterDraw:
    """Starter; its constant follows from the speed it would reach (`crank.py`). `gear` is motor turns a crank turn."""

    series: bool
    target_rpm: float
    saturation_a: float
    gear: float
    circuit_ohm: float
    inductance_h: float
    brush_v: float
    free_a: float
    efficiency: float
    bars: int
    commutation_share: float
    brush_noise_share: float


@dataclass(frozen=True, slots=True)
class BatteryDraw:
    """Battery and alternator; `dying_*` grow while the starter turns."""

    open_v: float
    ohm: float
    polarisation_ohm: float
    polarisation_s: float
    dying_v_per_s: float
    dying_ohm_per_s: float
    alternator_v: float
    alternator_a: float
    alternator_delay_s: float


@dataclass(frozen=True, slots=True)
class LoadsDraw:
    """Other consumers, in A; steps are (time from the start of the record in s, change in A)."""

    base_a: float
    steps: tuple[tuple[float, float], ...]
    prime_a: float
    prime_s: float
    pwm_a: float
    pwm_hz: float
    pwm_duty: float


@dataclass(frozen=True, slots=True)
class CrankDraw:
    """What the driver does; seconds from the start of the record.

    `engaged_s` are (key to start, key released) spans, the first may begin before the record; `starts_s` is when the
    engine begins to fire (None: never), each firing coming with chance `fire_share`; `idle_rpm` is what it then
    settles at; `release_s` how long after that the key is let go; `ran_until_s` is when an engine that ran before the
    test is switched off (None: it stood still).
    """

    engaged_s: tuple[tuple[float, float], ...]
    duration_s: float
    starts_s: float | None
    fire_share: float
    idle_rpm: float
    release_s: float
    ran_until_s: float | None


@dataclass(frozen=True, slots=True)
class IgnitionDraw:
    """Ignition and the channel that watches it.

    `watched` is `primary`, `pickup`, `trigger` (logic, 0 and 5 V), `injector` or `none`; `style` what the engine has.
    `quiet_s` are spans in which the controller gives no spark; for the first `blind_turns` it fires every 360 deg;
    `neighbours` is the height of the other cylinders' pulses against the own one's.
    """

    watched: str
    style: str
    sync_cylinder: int
    advance_deg: float
    dwell_s: float
    burn_s: float
    kick_v: float
    pulse_s: float
    ring_hz: float
    ring_decay_s: float
    missing_share: float
    quiet_s: tuple[tuple[float, float], ...]
    blind_turns: float
    first_spark_turns: float
    neighbours: float
    key_step: bool
    on_time_s: float


@dataclass(frozen=True, slots=True)
class ChannelDraw:
    """One input of the scope; `low` and `high` are the screen's edges in volts or amperes as measured.

    `ac_tau_s` 0 is DC; `taken_off` is subtracted on the screen; `sign` -1 is leads or clamp the wrong way round;
    `clip_nan` writes what is off the screen as nothing; `dead_bits` of the converter never move.
    """

    low: float
    high: float
    bits: int
    dead_bits: int
    taken_off: float
    sign: int
    ac_tau_s: float
    bandwidth_hz: float
    noise: float
    hum: float
    hum_hz: float
    clip_nan: bool
    scale_error: float


@dataclass(frozen=True, slots=True)
class ScopeDraw:
    """Which signals are on screen and how; `supply` is `voltage`, `current` or `both`."""

    rate_hz: float
    supply: str
    clamp_on_battery: bool
    clamp_zeroed_while_on: bool
    voltage: ChannelDraw
    current: ChannelDraw
    ignition: ChannelDraw
    sync_first: bool


@dataclass(frozen=True, slots=True)
class FileDraw:
    """What saving did: gaps, jitter as a share of a step, each row `repeats` times, channels in alternate rows."""

    gap_share: float
    gap_samples: int
    jitter_share: float
    repeats: int
    alternate: bool
    start_s: float


@dataclass(frozen=True, slots=True)
class LogDraw:
    """What the log says wrongly; 0 and empty: nothing. `swapped`: the supply's and the ignition's names exchanged."""

    swapped: bool
    cylinders: int
    style: str
    sync_cylinder: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """All that was drawn for one capture; `str` gives it in one line."""

    seed: int
    engine: EngineDraw
    starter: StarterDraw
    battery: BatteryDraw
    loads: LoadsDraw
    crank: CrankDraw
    ignition: IgnitionDraw
    scope: ScopeDraw
    file: FileDraw
    log: LogDraw

    def __str__(self) -> str:
        return f"seed {self.seed} " + " ".join(
            f"{group.name}({_line(getattr(self, group.name))})" for group in fields(self)[1:]
        )


def _short(value: object) -> str:
    if is_dataclass(value):
        return f"({_line(value)})"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, tuple):
        return "[" + ",".join(_short(part) for part in value) + "]"
    return str(value)


def _line(group: object) -> str:
    return " ".join(f"{f.name}={_short(getattr(group, f.name))}" for f in fields(group))  # type: ignore[arg-type]
