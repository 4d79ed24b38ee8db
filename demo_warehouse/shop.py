"""A year of repair orders in the invented shop, with comebacks whose true dependence on scoping is known.

Harder jobs (misfire, no start, vehicles that were here before, three families) are scoped more often *and* come back
more often, so the plain difference between scoped and other jobs misleads; everything that both depend on is in the
records, so an adjusted difference can find the truth.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import count

import numpy as np

from demo_warehouse.first_lesson import BY_NAME, FAMILIES, Fault, FaultKind
from demo_warehouse.people import FIRST_DAY, LAST_DAY, PEOPLE, Person, at

ELIGIBLE = ("misfire", "no_start", "rough_idle", "check_light")
COMPLAINTS = ("misfire", "no_start", "rough_idle", "check_light", "service", "brakes", "tyres")
FIRST_VISIT = (0.13, 0.06, 0.15, 0.30, 0.19, 0.10, 0.07)
LATER_VISIT = (0.19, 0.09, 0.18, 0.27, 0.15, 0.08, 0.04)
FAULT_CHANCE = {"misfire": 0.5, "no_start": 0.4, "rough_idle": 0.35, "check_light": 0.15}
FAULT_KINDS: tuple[FaultKind, ...] = ("leak", "low_trapped", "late_valve", "gasket", "dead")
FAULT_SHARES = (0.45, 0.2, 0.17, 0.08, 0.1)
RIGHT_FACTOR = 0.5
"""What a usable capture with a right call multiplies the comeback risk by."""
WRONG_FACTOR = 0.90
"""The same for a wrong call or an unusable capture."""
LATE_RETURN = 0.015
"""Chance that a vehicle returns for the same complaint only after the window, whatever was done."""


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle of the shop; `seed` draws what is its own (scatter, battery, drag)."""

    name: str
    family: str
    seed: int
    visits: float


@dataclass(frozen=True, slots=True)
class Call:
    """What the technician would say of a capture, and whether the truth bears it out."""

    call: str
    elements: tuple[int, ...]
    right: bool


@dataclass(frozen=True, slots=True)
class Order:
    """A repair order with its truth.

    Attributes:
        risk_scoped, risk_not_scoped: true comeback risk of this job with a capture and without.
        slip: the mistake in its capture (`""` = none), whether or not a capture was taken.
    """

    name: str
    opened_at: datetime
    closed_at: datetime
    technician: Person
    vehicle: Vehicle
    complaint: str
    eligible: bool
    comeback_of: str
    labour_h: float
    parts_cost: float
    parts_returned: int
    scoped: bool
    fault: Fault | None
    call: Call
    slip: str
    risk_scoped: float
    risk_not_scoped: float


def draw_slip(rng: np.random.Generator, person: Person, on: date) -> str:
    """At most one mistake, by the technician's probabilities of the day; `""` = none."""
    chances = person.slips_on(on)
    kinds, weights = list(chances), np.array(list(chances.values()))
    draw = rng.random()
    passed = np.cumsum(weights) > draw
    return kinds[int(passed.argmax())] if passed.any() else ""


def draw_call(rng: np.random.Generator, person: Person, fault: Fault | None, elements: int) -> Call:
    """What the technician says of the engine; a small fault is harder to see than a large one."""
    if rng.random() < 0.06:
        return Call("unsure", (), False)
    if fault is None:
        if rng.random() < person.false_odd:
            return Call("odd", (int(rng.integers(1, elements + 1)),), False)
        return Call("even", (), True)
    plain = 1.0 - np.exp(-fault.loss / 0.08)
    if rng.random() >= person.sensitivity * plain:
        return Call("even", (), False)
    if rng.random() < person.names_right:
        return Call("odd", fault.elements, True)
    others = [c for c in range(1, elements + 1) if c not in fault.elements]
    return Call("odd", (int(rng.choice(others)),), False)


def draw_fault(rng: np.random.Generator, elements: int) -> Fault:
    """A fault: mostly one element that lost 12 to 60 % of its peak pressure, now and then all of it."""
    kind = FAULT_KINDS[int(rng.choice(len(FAULT_KINDS), p=FAULT_SHARES))]
    if kind == "gasket":
        first = int(rng.integers(1, elements))
        return Fault(kind, (first, first + 1), float(rng.uniform(0.2, 0.6)))
    loss = 1.0 if kind == "dead" else float(rng.uniform(0.12, 0.6))
    return Fault(kind, (int(rng.integers(1, elements + 1)),), loss)


def workday(rng: np.random.Generator, first: date, last: date) -> datetime:
    """A moment in opening hours of a weekday, uniform between two days."""
    while True:
        day = first + timedelta(days=int(rng.integers(0, (last - first).days + 1)))
        if day.weekday() < 5:
            return datetime.combine(day, time(8)) + timedelta(minutes=int(rng.integers(0, 510)))


def make_vehicles(rng: np.random.Generator, number: int) -> list[Vehicle]:
    """Vehicles over the families by share; some come far more often than others."""
    shares = np.array([family.share for family in FAMILIES])
    chosen = rng.choice(len(FAMILIES), size=number, p=shares / shares.sum())
    return [
        Vehicle(
            f"veh-{n + 1:04d}",
            FAMILIES[int(family)].name,
            int(rng.integers(2**31)),
            float(rng.gamma(0.8) + 0.15),
        )
        for n, family in enumerate(chosen)
    ]


def _risk(complaint: str, visits: int, hard_family: bool) -> float:
    """Comeback risk of an eligible job without a capture."""
    hard = complaint in ("misfire", "no_start")
    return (
        0.035 + 0.15 * hard + 0.04 * (complaint == "rough_idle") + 0.035 * min(visits, 3) + 0.05 * hard_family
    )


def _scope_chance(person: Person, on: date, complaint: str, visits: int, hard_family: bool) -> float:
    usual = at(person.adoption, on)
    logit = np.log(usual / (1.0 - usual)) - 2.65
    logit += 2.0 * (complaint in ("misfire", "no_start")) + 0.6 * (complaint == "rough_idle")
    logit += 0.5 * min(visits, 3) + 0.8 * hard_family
    return float(1.0 / (1.0 + np.exp(-logit)))


def make_orders(rng: np.random.Generator, number: int, vehicles: list[Vehicle]) -> list[Order]:
    """About `number` repair orders, comebacks among them, in order of opening."""
    weights = np.array([v.visits for v in vehicles])
    weights /= weights.sum()
    tie = count()
    # (opened, tie breaker, vehicle, complaint or "", order it returns for, technician before, fault it still has)
    queue: list[tuple[datetime, int, Vehicle, str, str, Person | None, Fault | None]] = []
    for _ in range(round(0.91 * number)):
        vehicle = vehicles[int(rng.choice(len(vehicles), p=weights))]
        heapq.heappush(queue, (workday(rng, FIRST_DAY, LAST_DAY), next(tie), vehicle, "", "", None, None))
    seen: dict[str, int] = {}
    orders: list[Order] = []
    while queue:
        opened, _, vehicle, complaint, back, before, left = heapq.heappop(queue)
        visits = seen.get(vehicle.name, 0)
        seen[vehicle.name] = visits + 1
        person = before or _who(rng, opened.date())
        order = _one(rng, f"ro-{len(orders) + 1:05d}", opened, vehicle, complaint, back, person, visits, left)
        orders.append(order)
        again = _returns(rng, order)
        if again is not None and again.date() <= LAST_DAY:
            still = order.fault if rng.random() < 0.6 else None
            same = person if rng.random() < 0.8 else None
            heapq.heappush(queue, (again, next(tie), vehicle, order.complaint, order.name, same, still))
    return orders


def _who(rng: np.random.Generator, on: date) -> Person:
    here = [person for person in PEOPLE if person.started_on <= on]
    shares = np.array([person.share for person in here])
    return here[int(rng.choice(len(here), p=shares / shares.sum()))]


def _one(
    rng: np.random.Generator,
    name: str,
    opened: datetime,
    vehicle: Vehicle,
    complaint: str,
    back: str,
    person: Person,
    visits: int,
    left: Fault | None,
) -> Order:
    family = BY_NAME[vehicle.family]
    if not complaint:
        complaint = str(rng.choice(COMPLAINTS, p=LATER_VISIT if visits else FIRST_VISIT))
    eligible = complaint in ELIGIBLE
    fault = left
    if fault is None and eligible and rng.random() < FAULT_CHANCE[complaint]:
        fault = draw_fault(rng, family.elements)
    slip = draw_slip(rng, person, opened.date())
    call = draw_call(rng, person, fault, family.elements)
    scoped, risk, risk_scoped = False, 0.02, 0.02
    if eligible:
        scoped = rng.random() < _scope_chance(person, opened.date(), complaint, visits, family.hard)
        risk = _risk(complaint, visits, family.hard)
        # without an index pulse or with hardly any cycles a capture helps as little as a wrong call
        helped = call.right and slip not in ("too_short", "no_sync", "low_sample_rate", "coarse_resolution")
        risk_scoped = risk * (RIGHT_FACTOR if helped else WRONG_FACTOR)
    # a wrong guess is fitted and goes back to the parts shelf
    guess = 0.03 if not eligible else 0.06 if scoped and call.right else 0.17
    return Order(
        name=name,
        opened_at=opened,
        closed_at=_closing(rng, opened),
        technician=person,
        vehicle=vehicle,
        complaint=complaint,
        eligible=eligible,
        comeback_of=back,
        labour_h=round(float(rng.gamma(3.0, 0.45)) + 0.4 + (0.3 if scoped else 0.0), 1),
        parts_cost=round(float(rng.gamma(1.4, 95.0)), 2),
        parts_returned=int(rng.binomial(2, guess)),
        scoped=scoped,
        fault=fault,
        call=call,
        slip=slip,
        risk_scoped=risk_scoped,
        risk_not_scoped=risk,
    )


def _closing(rng: np.random.Generator, opened: datetime) -> datetime:
    """When the vehicle leaves: the same afternoon or one of the next working days, in opening hours."""
    days = int(rng.choice([0, 1, 2, 4], p=[0.45, 0.3, 0.15, 0.1]))
    day = opened.date() + timedelta(days=days)
    if day.weekday() >= 5:
        day += timedelta(days=7 - day.weekday())
    evening = datetime.combine(day, time(17, 45))
    earliest = opened + timedelta(hours=2.5) if days == 0 else datetime.combine(day, time(9))
    return earliest + (evening - earliest) * float(rng.random()) if earliest < evening else evening


def _returns(rng: np.random.Generator, order: Order) -> datetime | None:
    """When the vehicle returns for the same complaint; None when it does not."""
    risk = order.risk_scoped if order.scoped else order.risk_not_scoped
    if rng.random() < risk:
        days = 2.0 + 24.0 * float(rng.beta(1.2, 2.0))
    elif rng.random() < LATE_RETURN:
        days = float(rng.uniform(34.0, 75.0))
    else:
        return None
    again = order.closed_at + timedelta(days=days)
    if again.weekday() >= 5:
        again += timedelta(days=7 - again.weekday())
    minute = int(rng.integers(0, 510))
    return datetime.combine(again.date(), time(8)) + timedelta(minutes=minute)


def comeback_truth(orders: list[Order]) -> dict[str, float]:
    """The planted effect: mean over all eligible jobs of the risk with a capture minus the risk without, and what
    the plain difference between the two groups is expected to show."""
    jobs = [order for order in orders if order.eligible]
    scoped = np.array([order.scoped for order in jobs], dtype=bool)
    with_capture = np.array([order.risk_scoped for order in jobs])
    without = np.array([order.risk_not_scoped for order in jobs])
    crude = (
        float(with_capture[scoped].mean() - without[~scoped].mean())
        if 0 < scoped.sum() < scoped.size
        else 0.0
    )
    return {
        "eligible_orders": float(scoped.size),
        "scoped_orders": float(scoped.sum()),
        "true_risk_difference": float((with_capture - without).mean()),
        "expected_crude_risk_difference": crude,
    }
