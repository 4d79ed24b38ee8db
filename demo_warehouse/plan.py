"""Which captures the invented shop took in its year: diagnoses, drills, known-good references; and with what slips."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from demo_warehouse.first_lesson import planted
from demo_warehouse.people import DRILL_WEEKS, EVERYBODY_EVERY_WEEKS, FIRST_DAY, LAST_DAY, PEOPLE, Person
from demo_warehouse.shop import Call, Order, Vehicle, draw_call, draw_fault, draw_slip, workday

EVEN = Call("even", (), True)


@dataclass(frozen=True, slots=True)
class Planned:
    """A capture before it is simulated.

    Attributes:
        hookup: how it was connected, and logged so; see `planted.Wanted`.
        seed: of everything random in the capture itself.
    """

    taken_at: datetime
    technician: Person
    vehicle: Vehicle
    order: str
    purpose: str
    call: Call
    fault: planted.Fault | None
    slip: str
    hookup: str
    seed: int

    @property
    def family(self) -> planted.Family:
        """The vehicle's engine family."""
        return planted.BY_NAME[self.vehicle.family]

    @property
    def wanted(self) -> planted.Wanted:
        """The capture as the simulation takes it."""
        return planted.Wanted(
            self.family,
            self.vehicle.seed,
            self.taken_at,
            FIRST_DAY,
            self.fault,
            self.slip,
            self.hookup,
            self.seed,
        )


@dataclass(frozen=True, slots=True)
class DrillRow:
    """A row of `drills.csv`."""

    name: str
    technician: str
    week_of: date
    target: int


def _hookup(rng: np.random.Generator, person: Person, family: planted.Family) -> str:
    if rng.random() >= person.off_house:
        return "house"
    return planted.off_house_hookup(rng, family, clamp=person.role == "strong")


def drill_rows() -> list[DrillRow]:
    """All drills that were asked for."""
    rows = []
    for technician, monday, weeks, target, _ in DRILL_WEEKS:
        step = 1 if technician else EVERYBODY_EVERY_WEEKS
        for n in range(weeks):
            week = monday + timedelta(weeks=n * step)
            rows.append(DrillRow(f"drill-{technician or 'all'}-{n + 1:02d}", technician, week, target))
    return rows


def plan_captures(
    rng: np.random.Generator, orders: list[Order], vehicles: list[Vehicle], scale: float
) -> list[Planned]:
    """All captures in time order; `scale` thins the practice captures of a smaller shop."""
    planned = _diagnoses(rng, orders) + _drills(rng, vehicles, scale) + _references(rng, vehicles, scale)
    planned.sort(key=lambda capture: (capture.taken_at, capture.seed))
    taken: Counter[str] = Counter()
    kept = []
    for capture in planned:
        cap = capture.technician.capture_cap
        if cap is not None and taken[capture.technician.name] >= cap:
            continue
        taken[capture.technician.name] += 1
        kept.append(capture)
    return _lose_stretches(kept)


def _lose_stretches(planned: list[Planned]) -> list[Planned]:
    """The same captures, three of the practice ones with a stretch that got lost on the way to the file."""
    sound = [n for n, capture in enumerate(planned) if capture.purpose == "drill" and not capture.slip]
    spoiled = list(planned)
    for share in (0.3, 0.55, 0.8):
        if sound:
            n = sound[int(share * len(sound))]
            spoiled[n] = replace(spoiled[n], slip="dropouts")
    return spoiled


def _diagnoses(rng: np.random.Generator, orders: list[Order]) -> list[Planned]:
    planned = []
    for order in orders:
        if not order.scoped:
            continue
        family = planted.BY_NAME[order.vehicle.family]
        at = order.opened_at + timedelta(minutes=int(rng.integers(15, 120)))
        hookup = _hookup(rng, order.technician, family)
        planned.append(
            Planned(at, order.technician, order.vehicle, order.name, "diagnosis", order.call, order.fault,
                    order.slip, hookup, int(rng.integers(2**31)))
        )  # fmt: skip
        if (order.slip in ("too_short", "no_sync") and rng.random() < 0.25) or rng.random() < 0.09:
            # taken again on the same vehicle, a few minutes later, with the same call
            again = at + timedelta(minutes=int(rng.integers(4, 25)))
            slip = draw_slip(rng, order.technician, again.date())
            planned.append(
                Planned(again, order.technician, order.vehicle, order.name, "diagnosis", order.call,
                        order.fault, slip, hookup, int(rng.integers(2**31)))
            )  # fmt: skip
        if order.fault is not None and order.call.right and rng.random() < 0.2:
            # after the repair, as a reference
            after = order.closed_at - timedelta(minutes=30)
            planned.append(
                Planned(max(after, at + timedelta(minutes=40)), order.technician, order.vehicle, order.name,
                        "known_good", EVEN, None, "", "house", int(rng.integers(2**31)))
            )  # fmt: skip
    return planned


def _drills(rng: np.random.Generator, vehicles: list[Vehicle], scale: float) -> list[Planned]:
    planned = []
    # practice happens on the vehicles that stand around; the thin family stays thin
    pool = [v for v in vehicles if v.family != "fenland-2.5-i5"]
    for technician, monday, weeks, target, done in DRILL_WEEKS:
        who = [p for p in PEOPLE if p.name == technician or (not technician and p.role != "hardly scopes")]
        step = 1 if technician else EVERYBODY_EVERY_WEEKS
        for n in range(weeks):
            week = monday + timedelta(weeks=n * step)
            for person in who:
                if person.started_on > week + timedelta(days=4):
                    continue
                for _ in range(int(rng.binomial(target, min(done * scale, 1.0)))):
                    last = min(week + timedelta(days=4), LAST_DAY)
                    planned.append(_practice(rng, person, pool, workday(rng, week, last)))
    return planned


def _practice(rng: np.random.Generator, person: Person, pool: list[Vehicle], taken_at: datetime) -> Planned:
    vehicle = pool[int(rng.integers(len(pool)))]
    family = planted.BY_NAME[vehicle.family]
    fault = draw_fault(rng, family.elements) if rng.random() < 0.04 else None
    call = draw_call(rng, person, fault, family.elements)
    slip = draw_slip(rng, person, taken_at.date())
    hookup = _hookup(rng, person, family)
    return Planned(
        taken_at, person, vehicle, "", "drill", call, fault, slip, hookup, int(rng.integers(2**31))
    )


def _references(rng: np.random.Generator, vehicles: list[Vehicle], scale: float) -> list[Planned]:
    """Captures of engines known to be sound, taken by the strong and the steady technician."""
    planned = []
    careful = [person for person in PEOPLE if person.role in ("strong", "steady")]
    for family in planted.FAMILIES:
        own = [vehicle for vehicle in vehicles if vehicle.family == family.name]
        wanted = 1 if family.share < 0.05 else max(1, round(6 * scale))
        for _ in range(wanted if own else 0):
            person = careful[int(rng.integers(len(careful)))]
            vehicle = own[int(rng.integers(len(own)))]
            day = workday(rng, FIRST_DAY, LAST_DAY).date()
            at = datetime.combine(day, time(16, 40)) + timedelta(minutes=int(rng.integers(0, 45)))
            planned.append(
                Planned(at, person, vehicle, "", "known_good", EVEN, None, "", "house",
                        int(rng.integers(2**31)))
            )  # fmt: skip
    return planned
