"""Which troubles a drawn capture has, and the same capture with one of them taken away.

A trouble is only a name for a group of drawn numbers away from their usual place: it serves to list and to explain
captures, never to decide what is true of them. `cured` sets these numbers back and leaves everything else, the
noise too, as it was drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.composed.parameters import ChannelDraw, Drawn


@dataclass(frozen=True, slots=True)
class Trouble:
    """How it is told from the drawn numbers, and how it is taken away."""

    there: Callable[[Drawn], bool]
    cure: Callable[[Drawn], Drawn]


def _setting(group: str, **usual: object) -> Callable[[Drawn], Drawn]:
    """Cure that sets numbers of one group back."""

    def cure(drawn: Drawn) -> Drawn:
        return replace(drawn, **{group: replace(getattr(drawn, group), **usual)})

    return cure


def supply(drawn: Drawn) -> ChannelDraw:
    """The channel the supply is read from first."""
    return drawn.scope.voltage if drawn.scope.supply != "current" else drawn.scope.current


def _of_supplies(**usual: object) -> Callable[[Drawn], Drawn]:
    def cure(drawn: Drawn) -> Drawn:
        scope = drawn.scope
        new = replace(
            scope,
            voltage=replace(scope.voltage, **usual),  # type: ignore[arg-type]
            current=replace(scope.current, **usual),  # type: ignore[arg-type]
        )
        return replace(drawn, scope=new)

    return cure


def _on_screen(drawn: Drawn) -> Drawn:
    """Screens that hold everything."""
    scope = drawn.scope
    new = replace(
        scope,
        voltage=replace(scope.voltage, low=-20.0, high=20.0, taken_off=0.0),
        current=replace(scope.current, low=-1500.0, high=1500.0, taken_off=0.0),
        clamp_zeroed_while_on=False,
    )
    return replace(drawn, scope=new)


def _one_crank(drawn: Drawn) -> Drawn:
    crank = drawn.crank
    on, off = crank.engaged_s[0]
    return replace(
        drawn, crank=replace(crank, engaged_s=((on, off),), duration_s=min(crank.duration_s, off + 0.5))
    )


def _from_rest(drawn: Drawn) -> Drawn:
    crank = drawn.crank
    later = 0.8 - crank.engaged_s[0][0]
    moved = tuple((a + later, b + later) for a, b in crank.engaged_s)
    starts = None if crank.starts_s is None else crank.starts_s + later
    return replace(
        drawn, crank=replace(crank, engaged_s=moved, duration_s=crank.duration_s + later, starts_s=starts)
    )


def _even(drawn: Drawn) -> Drawn:
    n = drawn.engine.cylinders
    return replace(drawn, engine=replace(drawn.engine, intervals_deg=(720.0 / n,) * n))


TROUBLES: dict[str, Trouble] = {
    "uneven firing": Trouble(lambda d: max(d.engine.intervals_deg) - min(d.engine.intervals_deg) > 1, _even),
    "comes and goes": Trouble(
        lambda d: bool(d.engine.fault_cylinders) and d.engine.fault_when != "always",
        _setting("engine", fault_when="always"),
    ),
    "leaks when slow": Trouble(
        lambda d: bool(d.engine.fault_cylinders and d.engine.fault_leak_per_s and d.engine.fault_seats_rpm),
        _setting("engine", fault_seats_rpm=0.0),
    ),
    "tight spot": Trouble(lambda d: d.engine.tight_nm > 0, _setting("engine", tight_nm=0.0)),
    "cold oil": Trouble(
        lambda d: d.engine.oil_c < 5, _setting("engine", oil_c=20.0, friction_nm=30.0, viscous_nms=0.5)
    ),
    "near stall": Trouble(lambda d: d.starter.target_rpm < 90, _setting("starter", target_rpm=190.0)),
    "rough brushes": Trouble(
        lambda d: d.starter.brush_noise_share > 0.012 or d.starter.commutation_share > 0.03,
        _setting("starter", brush_noise_share=0.002, commutation_share=0.002),
    ),
    "high battery ohms": Trouble(
        lambda d: d.battery.ohm > 0.01 or d.battery.open_v < 12.2, _setting("battery", ohm=0.006, open_v=12.6)
    ),
    "dying battery": Trouble(
        lambda d: d.battery.dying_v_per_s > 0, _setting("battery", dying_v_per_s=0.0, dying_ohm_per_s=0.0)
    ),
    "load steps": Trouble(lambda d: bool(d.loads.steps), _setting("loads", steps=())),
    "pulsed load": Trouble(lambda d: d.loads.pwm_a > 0, _setting("loads", pwm_a=0.0)),
    "begins mid-crank": Trouble(lambda d: d.crank.engaged_s[0][0] < 0, _from_rest),
    "several engagements": Trouble(lambda d: len(d.crank.engaged_s) > 1, _one_crank),
    "starts": Trouble(lambda d: d.crank.starts_s is not None, _setting("crank", starts_s=None)),
    "ran before": Trouble(lambda d: d.crank.ran_until_s is not None, _setting("crank", ran_until_s=None)),
    "no ignition channel": Trouble(
        lambda d: d.ignition.watched == "none", _setting("ignition", watched="primary", key_step=False)
    ),
    "pickup": Trouble(lambda d: d.ignition.watched == "pickup", _setting("ignition", watched="primary")),
    "trigger": Trouble(lambda d: d.ignition.watched == "trigger", _setting("ignition", watched="primary")),
    "injector": Trouble(lambda d: d.ignition.watched == "injector", _setting("ignition", watched="primary")),
    "waste spark": Trouble(
        lambda d: d.ignition.style == "waste_spark", _setting("ignition", style="coil_on_plug")
    ),
    "distributor": Trouble(
        lambda d: d.ignition.style == "distributor", _setting("ignition", style="coil_on_plug")
    ),
    "late spark": Trouble(lambda d: d.ignition.advance_deg < 0, _setting("ignition", advance_deg=5.0)),
    "missing sparks": Trouble(
        lambda d: d.ignition.missing_share > 0, _setting("ignition", missing_share=0.0)
    ),
    "quiet controller": Trouble(lambda d: bool(d.ignition.quiet_s), _setting("ignition", quiet_s=())),
    "blind controller": Trouble(lambda d: d.ignition.blind_turns > 0, _setting("ignition", blind_turns=0.0)),
    "neighbours' pulses": Trouble(lambda d: d.ignition.neighbours > 0, _setting("ignition", neighbours=0.0)),
    "coil steps with key": Trouble(
        lambda d: d.ignition.key_step and d.ignition.watched in ("primary", "injector"),
        _setting("ignition", key_step=False),
    ),
    "clamp": Trouble(lambda d: d.scope.supply == "current", _setting("scope", supply="voltage")),
    "AC coupled": Trouble(lambda d: supply(d).ac_tau_s > 0, _of_supplies(ac_tau_s=0.0)),
    "wrong way round": Trouble(lambda d: supply(d).sign < 0, _of_supplies(sign=1)),
    "narrow or shifted screen": Trouble(
        lambda d: bool(
            supply(d).taken_off
            or (d.scope.supply == "current" and (supply(d).high < 600 or d.scope.clamp_zeroed_while_on))
            or (d.scope.supply != "current" and 0 < supply(d).high < 15)
        ),
        _on_screen,
    ),
    "8 bits": Trouble(lambda d: supply(d).bits == 8, _of_supplies(bits=12)),
    "dead bits": Trouble(lambda d: supply(d).dead_bits > 0, _of_supplies(dead_bits=0)),
    "narrow band": Trouble(lambda d: supply(d).bandwidth_hz < 1e3, _of_supplies(bandwidth_hz=2e4)),
    "noise": Trouble(
        lambda d: supply(d).noise > (0.03 if d.scope.supply != "current" else 5.0), _of_supplies(noise=0.01)
    ),
    "hum": Trouble(lambda d: supply(d).hum > 0, _of_supplies(hum=0.0)),
    "wrong scale": Trouble(lambda d: supply(d).scale_error != 1.0, _of_supplies(scale_error=1.0)),
    "slow sampling": Trouble(lambda d: d.scope.rate_hz < 1e3, _setting("scope", rate_hz=5e3)),
    "fast sampling": Trouble(lambda d: d.scope.rate_hz > 2e5, _setting("scope", rate_hz=5e4)),
    "gaps": Trouble(lambda d: d.file.gap_share > 0, _setting("file", gap_share=0.0)),
    "jitter": Trouble(lambda d: d.file.jitter_share > 0, _setting("file", jitter_share=0.0)),
    "identical rows": Trouble(lambda d: d.file.repeats > 1, _setting("file", repeats=1)),
    "alternate rows": Trouble(lambda d: d.file.alternate, _setting("file", alternate=False)),
    "swapped": Trouble(lambda d: d.log.swapped, _setting("log", swapped=False)),
    "log: cylinders": Trouble(lambda d: d.log.cylinders > 0, _setting("log", cylinders=0)),
    "log: style": Trouble(lambda d: bool(d.log.style), _setting("log", style="")),
    "log: sync cylinder": Trouble(lambda d: d.log.sync_cylinder > 0, _setting("log", sync_cylinder=0)),
}


def troubles_of(drawn: Drawn) -> tuple[str, ...]:
    """Names of the troubles a capture has."""
    return tuple(name for name, trouble in TROUBLES.items() if trouble.there(drawn))


def cured(drawn: Drawn, name: str) -> Drawn:
    """The capture without that trouble.

    Raises:
        KeyError: no trouble of that name.
    """
    return TROUBLES[name].cure(drawn)
