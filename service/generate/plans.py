"""One order and its units before anything is written: who, what, when, and what goes wrong."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from service.generate.draws import Draws
from service.generate.people import DOCTORS, NURSES, SCIENTISTS, Person, person
from service.generate.traffic import Traffic
from service.generate.words import FACILITY_NUMBER, GROUPS, ZONE, Worker
from service.scan.isbt128 import check_character

BEGIN = datetime(2027, 1, 4, tzinfo=UTC)
DAILY = 137  # units a day: 50,000 a year
DAY_FROM, DAY_TO = 8, 20  # hours
ROUTINE, URGENT, EMERGENCY = "routine", "urgent", "life-threatening"
SLOW = timedelta(minutes=15)
MINUTE = timedelta(minutes=1)
PRODUCTS = {  # E3046 is irradiated; E2684 was read on a laboratory forum, E3587 is from memory
    "red_cells": ("E0398",),
    "platelets": ("E3046", "E7003"),
    "plasma": ("E2684",),
    "cryoprecipitate": ("E3587",),
}
CELLULAR = ("red_cells", "platelets")
VOLUMES = {  # mL: middle, and furthest from it; VOL-01, cryoprecipitate from memory
    "red_cells": (280, 40),
    "platelets": (260, 60),
    "plasma": (260, 40),
    "cryoprecipitate": (100, 20),
}
RATES = {  # mL/h: first, then; 90 to 120, 30 to 60, about 30 minutes (VOL-03 to VOL-05)
    "red_cells": (50, 165),
    "platelets": (450, 450),
    "plasma": (500, 500),
    "cryoprecipitate": (240, 240),
}
CHILD_DOSES = {"red_cells": 15, "platelets": 10, "plasma": 15, "cryoprecipitate": 8}  # mL/kg
CHILD_RATES = {  # mL/kg/h: first, then; VOL-09, no faster than PRE-10 lets run unwarmed
    "red_cells": (2.5, 5),
    "platelets": (15, 15),
    "plasma": (15, 15),
    "cryoprecipitate": (15, 15),
}
MOST_FOR_A_CHILD = {"red_cells": (50, 150)}  # mL/h
EMERGENCY_RATE = 1200  # mL/h
CHILD_EMERGENCY_RATE = 14  # mL/kg/h: faster asks for a warmer (PRE-10)
EXPIRES_AFTER = {"plasma": 20, "cryoprecipitate": 4}  # h from thawing
SHELF = {"red_cells": (4, 34), "platelets": (1, 4)}  # days left
HANDED_OVER = (7, 12)  # min before the start
MILD_LASTS = timedelta(hours=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bag:
    """An invented unit. volume in mL. kell_negative: typed K negative."""

    component: str
    product: str
    group: str
    din: str
    expires: datetime
    volume: int
    kell_negative: bool

    @property
    def sid(self) -> str:
        """The unit in our own identifier system."""
        return f"{self.din}/{self.product}/000000"

    @property
    def printed(self) -> str:
        """The donation number as printed, with its check character."""
        return f"{self.din}{check_character(self.din)}"

    @property
    def scans(self) -> tuple[str, str, str, str]:
        """What a scanner reads from the bag: donation, product, group, expiry."""
        code, _, _ = GROUPS[self.group]
        local = self.expires.astimezone(ZONE)
        return (
            f"={self.din}00",
            f"=<{self.product}V00",
            f"=%{code}00",
            f"&>0{local:%y%j%H%M}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaction:
    """A reaction: its category, whether it is severe, and when the first sign shows."""

    category: str
    severe: bool
    onset: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitPlan:
    """The course of one unit. rates in mL/h. defects: what is not recorded.

    ends: when the bag is down, early when a reaction stopped it.
    """

    index: int
    bag: Bag
    nurses: tuple[Worker, Worker]
    issued: datetime
    start: datetime
    rates: tuple[int, int]
    ends: datetime
    defects: frozenset[str] = frozenset()
    reaction: Reaction | None = None

    @property
    def checked(self) -> datetime:
        """When the check was done."""
        return self.start - 3 * MINUTE

    @property
    def stopped(self) -> bool:
        """True when a reaction began while the unit ran."""
        return self.reaction is not None and self.reaction.onset < self.ends

    @property
    def given(self) -> int:
        """mL that ran in."""
        slow = min(SLOW, self.ends - self.start)
        rest = self.ends - self.start - slow
        ran = (self.rates[0] * slow + self.rates[1] * rest) / timedelta(hours=1)
        return min(self.bag.volume, round(ran))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One patient with one order and its units. rate: as ordered, mL/h."""

    index: int
    person: Person
    component: str
    urgency: str
    crossmatched: bool
    irradiated: bool
    ordered: datetime
    sampled: datetime
    doctor: Worker
    scientist: Worker
    units: tuple[UnitPlan, ...]
    wanted: int

    @property
    def order(self) -> str:
        """The order's number."""
        return f"TO-{self.index}"


def plans(seed: int, traffic: Traffic, *, routine: bool) -> Iterator[Plan]:
    """Orders without end, in the order of their first start; the n-th is the same in every run.

    routine: no emergencies, no defects, no late, missing or mistyped data and no reactions.
    """
    unit = index = 0
    while True:
        plan = _plan(seed, traffic, index, unit, routine=routine)
        yield plan
        unit += len(plan.units)
        index += 1


def hung_at(unit: int, traffic: Traffic) -> datetime:
    """When the n-th unit is hung, were it the first of its order: more by day than by night."""
    day, place = divmod(unit, DAILY)
    night = traffic.of("night")["night"] / 100
    before, daytime = night * DAY_FROM / 12, 1 - night
    share = (place + 0.5) / DAILY
    if share < before:
        hour = share / before * DAY_FROM
    elif share < before + daytime:
        hour = DAY_FROM + (share - before) / daytime * (DAY_TO - DAY_FROM)
    else:
        hour = DAY_TO + (share - before - daytime) / (night - before) * (24 - DAY_TO)
    return BEGIN + timedelta(days=day, minutes=round(hour * 60))


def _plan(seed: int, traffic: Traffic, index: int, unit: int, *, routine: bool) -> Plan:
    draws = Draws(seed, "order", index)
    component = draws.weighted(traffic.of("component"))
    first = hung_at(unit, traffic)
    who = person(Draws(seed, "person", index), traffic, index, component, first.date())
    urgency = draws.weighted(traffic.of("urgency"))
    urgency = URGENT if who.newborn and urgency == EMERGENCY else urgency
    urgency = ROUTINE if routine else urgency
    irradiated = component in CELLULAR and draws.weighted(traffic.of("requirement")) != "none"
    several = draws.weighted(traffic.of("units"))
    emergency = urgency == EMERGENCY
    wanted = 1 if who.child or emergency else int(several)
    lead = timedelta(minutes=draws.whole(35, 50) if emergency else draws.whole(120, 360))
    plan = Plan(
        index=index,
        person=who,
        component=component,
        urgency=urgency,
        crossmatched=not emergency or draws.chance(50),
        irradiated=irradiated,
        ordered=first - lead,
        sampled=first - (lead - 5 * MINUTE if emergency else timedelta(hours=draws.whole(7, 40))),
        doctor=draws.among(DOCTORS),
        scientist=draws.among(SCIENTISTS),
        units=(),
        wanted=wanted,
    )
    return replace(plan, units=tuple(_units(seed, traffic, plan, unit, first, routine=routine)))


def _units(
    seed: int, traffic: Traffic, plan: Plan, unit: int, first: datetime, *, routine: bool
) -> Iterator[UnitPlan]:
    """One after the other; after a reaction no further one is hung."""
    start, issued = first, None
    for index in range(unit, unit + plan.wanted):
        draws = Draws(seed, "unit", index)
        made = _unit(draws, traffic, plan, index, start, issued, routine=routine)
        yield made
        if made.reaction is not None:
            return
        start, issued = made.ends + 12 * MINUTE, made.ends - 2 * MINUTE


def _unit(
    draws: Draws,
    traffic: Traffic,
    plan: Plan,
    index: int,
    start: datetime,
    issued: datetime | None,
    *,
    routine: bool,
) -> UnitPlan:
    bag = _bag(draws, plan, index, start, routine=routine)
    rates = _rates(plan)
    first, second = draws.whole(0, len(NURSES) - 1), draws.whole(1, len(NURSES) - 1)
    made = UnitPlan(
        index=index,
        bag=bag,
        nurses=(NURSES[first], NURSES[(first + second) % len(NURSES)]),
        issued=issued or start - draws.whole(*HANDED_OVER) * MINUTE,
        start=start,
        rates=rates,
        ends=start + _lasts(bag.volume - 2, rates),
        defects=frozenset() if routine else _defects(draws, traffic.of("defect")),
    )
    return made if routine else _reacting(draws, traffic, plan, made)


def _reacting(draws: Draws, traffic: Traffic, plan: Plan, unit: UnitPlan) -> UnitPlan:
    category = traffic.reaction(plan.component, draws.share())
    if category is None:
        return unit
    severe = draws.chance(traffic.of("severe")[category])
    middle = traffic.of("onset")[category]
    after = draws.along((2, middle / 2, middle, middle * 1.8, middle * 3.5))
    latest = unit.ends + MILD_LASTS - unit.start
    onset = unit.start + min(round(after) * MINUTE, latest)
    reaction = Reaction(category=category, severe=severe, onset=onset)
    ends = onset + 12 * MINUTE if onset < unit.ends else unit.ends
    return replace(unit, reaction=reaction, ends=ends)


def _defects(draws: Draws, shares: Mapping[str, float]) -> frozenset[str]:
    return frozenset(name for name, percent in shares.items() if draws.chance(percent))


def _bag(draws: Draws, plan: Plan, index: int, start: datetime, *, routine: bool) -> Bag:
    who, component = plan.person, plan.component
    products = PRODUCTS[component]
    product = products[0] if plan.irradiated else draws.among(products)
    identical = routine or not draws.chance(12)
    return Bag(
        component=component,
        product=product,
        group=_group(plan, identical=identical),
        din=f"{FACILITY_NUMBER}{start:%y}{index % 1_000_000:06d}",
        expires=_expires(draws, component, start),
        volume=_volume(draws, who, component),
        kell_negative=component == "red_cells" and who.may_bear_children,
    )


def _group(plan: Plan, *, identical: bool) -> str:
    """The group that a blood bank picks: identical, else one that the tables allow."""
    who, rhd = plan.person, plan.person.group.partition(" ")[2]
    if plan.component == "red_cells":
        spared = who.may_bear_children or (who.child and not who.female)
        if plan.urgency == EMERGENCY and not plan.crossmatched:
            return f"O {'RhD negative' if spared else rhd}"
        if who.newborn:
            return "O RhD negative"
        return who.group if identical else f"O {rhd}"
    return who.group if identical or who.newborn else f"AB {rhd}"


def _expires(draws: Draws, component: str, start: datetime) -> datetime:
    if component in EXPIRES_AFTER:
        thawed = start - draws.whole(20, 40) * MINUTE
        return thawed + timedelta(hours=EXPIRES_AFTER[component])
    day = (start + timedelta(days=draws.whole(*SHELF[component]))).astimezone(ZONE)
    return day.replace(hour=23, minute=59, second=0)


def _volume(draws: Draws, who: Person, component: str) -> int:
    whole = round(draws.near(*VOLUMES[component]))
    return min(whole, max(8, round(who.weight * CHILD_DOSES[component]))) if who.child else whole


def _rates(plan: Plan) -> tuple[int, int]:
    if plan.urgency == EMERGENCY:
        fast = min(EMERGENCY_RATE, round(CHILD_EMERGENCY_RATE * plan.person.weight))
        return (fast, fast) if plan.person.child else (EMERGENCY_RATE, EMERGENCY_RATE)
    if not plan.person.child:
        return RATES[plan.component]
    most = MOST_FOR_A_CHILD.get(plan.component, RATES[plan.component])
    by_weight = [max(1, int(rate * plan.person.weight)) for rate in CHILD_RATES[plan.component]]
    return min(by_weight[0], most[0]), min(by_weight[1], most[1])


def _lasts(volume: int, rates: tuple[int, int]) -> timedelta:
    """To the whole minute; the second rate begins when the slow start is over."""
    hours = SLOW / timedelta(hours=1)
    slow = rates[0] * hours
    rest = max(0.0, volume - slow) / rates[1]
    span = hours + rest if volume > slow else volume / rates[0]
    return max(1, round(span * 60)) * MINUTE
