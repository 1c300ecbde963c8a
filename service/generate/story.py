"""A plan told as messages: which system sends what, and when it arrives."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial

from service.generate import records, steps, vitals
from service.generate.draws import Draws
from service.generate.plans import EMERGENCY, MINUTE, SLOW, Plan, UnitPlan
from service.generate.traffic import Traffic
from service.generate.words import Json, of_worker, transaction

RECORD_SYSTEM = "record-system"
BEDSIDE = "bedside"
LABORATORY = "laboratory"
BASELINE = 9 * MINUTE  # before the start
HOURLY = timedelta(minutes=60)
TELLING = 3 * MINUTE  # until the correction of what was mistyped
AFTER_ONSET = (1, 15, 45)  # min
EMERGENCY_RULES = ("COMP-15",)

Made = Callable[[str], Json]  # release -> resource


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message: when it arrives, from whom, about which order and unit (None: no one unit)."""

    at: datetime
    source: str
    name: str
    order: int
    unit: int | None
    resources: tuple[Made, ...]

    def body(self, release: str) -> Json:
        """The one resource, or a transaction of several."""
        made = [resource(release) for resource in self.resources]
        return made[0] if len(made) == 1 else transaction(made)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How a hospital observes: the time between later sets of vital signs."""

    between: timedelta = HOURLY


def told(
    plan: Plan, seed: int, traffic: Traffic, habits: Habits, *, routine: bool
) -> Iterator[Message]:
    """Every message of one order, by the time at which it arrives."""
    found = [*_before(plan)]
    for unit in plan.units:
        teller = _Teller(plan, unit, seed, traffic, habits, routine=routine)
        found += teller.messages()
    if plan.urgency == EMERGENCY:
        over = max(unit.ends for unit in plan.units) + timedelta(hours=1)
        ended = steps.emergency(plan, "end-emergency", over)
        found.append(_one(plan, over, BEDSIDE, "end-emergency", _same(ended)))
    yield from sorted(found, key=lambda message: message.at)


def _same(made: Json) -> Made:
    """What is written alike in both releases."""
    return lambda _: made


def _one(plan: Plan, when: datetime, source: str, name: str, *made: Made) -> Message:
    """A message about the order."""
    return Message(at=when, source=source, name=name, order=plan.index, unit=None, resources=made)


def _before(plan: Plan) -> Iterator[Message]:
    """The order and the laboratory's work."""
    lacking = "consent" in plan.units[0].defects
    made = [partial(records.patient, plan.person), partial(records.order, plan)]
    made += [] if lacking else [partial(records.consent, plan)]
    yield _one(plan, plan.ordered, RECORD_SYSTEM, "order", *made)
    if plan.urgency == EMERGENCY:
        when = plan.ordered + 2 * MINUTE
        declared = steps.emergency(plan, "declare-emergency", when)
        yield _one(plan, when, BEDSIDE, "declare-emergency", _same(declared))
    tested = [records.sample, records.group, records.antibody_screen]
    tested += [records.allowed_groups] if plan.person.newborn else []
    reported = max(plan.ordered + 3 * MINUTE, min(plan.sampled + 31 * MINUTE, _first_issue(plan)))
    results = (partial(made, plan) for made in tested)
    yield _one(plan, reported, LABORATORY, "sample-and-group", *results)


def _first_issue(plan: Plan) -> datetime:
    return plan.units[0].issued - MINUTE


class _Teller:
    """Tells one unit of a plan."""

    def __init__(
        self,
        plan: Plan,
        unit: UnitPlan,
        seed: int,
        traffic: Traffic,
        habits: Habits,
        *,
        routine: bool,
    ) -> None:
        self.plan, self.unit, self.habits = plan, unit, habits
        self.usual = vitals.usual(Draws(seed, "usual", plan.index), plan)
        self.draws = Draws(seed, "observed", unit.index)
        self.late = {} if routine else traffic.of("late")
        self.corrected = 0.0 if routine else traffic.of("corrected")["share"]
        self.sets = 0

    def messages(self) -> Iterator[Message]:
        """Every message about the unit, in no order."""
        unit = self.unit
        yield self._issue()
        yield from self._baseline()
        yield self._done("check", unit.checked, steps.check(self.plan, unit))
        if not self.plan.crossmatched:
            allowed = steps.authorise(self.plan, unit, EMERGENCY_RULES)
            yield self._done("authorise", unit.start - MINUTE, allowed)
        yield self._done("start", unit.start, steps.start(self.plan, unit))
        yield from self._running()
        if unit.reaction is not None:
            yield from self._reacting()
        yield self._done("end", unit.ends, steps.end(self.plan, unit))
        if "final-observations" not in unit.defects:
            yield from self._observed("final-observations", unit.ends + 4 * MINUTE)

    def _done(self, name: str, when: datetime, task: Json) -> Message:
        return self._one(when, BEDSIDE, name, _same(task))

    def _one(self, when: datetime, source: str, name: str, *made: Made) -> Message:
        found = _one(self.plan, when, source, name, *made)
        return replace(found, unit=self.unit.index)

    def _issue(self) -> Message:
        plan, unit = self.plan, self.unit
        made: list[Made] = [partial(records.unit, unit)]
        if plan.component == "red_cells" and plan.crossmatched:
            made.append(partial(records.crossmatch, plan, unit))
        made.append(partial(records.issue, plan, unit))
        return self._one(unit.issued, LABORATORY, "issue", *made)

    def _baseline(self) -> Iterator[Message]:
        """Of the first unit; the next ones have the last set of the unit before."""
        if self.unit is self.plan.units[0] and "baseline" not in self.unit.defects:
            left_out = ("respiratory_rate",) if "baseline-rate" in self.unit.defects else ()
            yield from self._observed("baseline", self.unit.start - BASELINE, left_out=left_out)

    def _running(self) -> Iterator[Message]:
        unit, draws = self.unit, self.draws
        first = unit.start + draws.whole(12, 16) * MINUTE
        if first < unit.ends and "first-observations" not in unit.defects:
            yield from self._observed("first-observations", first)
        change = unit.start + SLOW + draws.whole(0, 2) * MINUTE
        if unit.rates[0] != unit.rates[1] and change < unit.ends:
            yield self._done("rate", change, steps.change_rate(self.plan, unit, change))
        later = unit.start + self.habits.between
        while later < unit.ends - 5 * MINUTE:
            when = later + draws.whole(-4, 4) * MINUTE
            if "hourly-observations" not in unit.defects:
                yield from self._observed("hourly-observations", when)
            later += self.habits.between

    def _reacting(self) -> Iterator[Message]:
        """Observations at the onset and after it, the ward's report, and the doctor's word."""
        unit, reaction = self.unit, self.unit.reaction
        if reaction is None:
            return
        for after in AFTER_ONSET:
            yield from self._observed("reaction-observations", reaction.onset + after * MINUTE)
        if unit.stopped:
            held = reaction.onset + 2 * MINUTE
            yield self._done("interrupt", held, steps.interrupt(self.plan, unit, held))
        when = reaction.onset + 5 * MINUTE
        report = steps.suspect(self.plan, unit, vitals.signs(reaction), when)
        yield self._done("suspect-reaction", when, report)
        when = reaction.onset + timedelta(minutes=90)
        said = steps.confirm(self.plan, unit, vitals.TITLES[reaction.category], when)
        yield self._done("confirm-reaction", when, said)

    def _observed(
        self, name: str, when: datetime, *, left_out: tuple[str, ...] = ()
    ) -> Iterator[Message]:
        """One set, perhaps late, perhaps mistyped and corrected."""
        found = vitals.readings(self.draws, self.usual, self.unit, when)
        found = {word: value for word, value in found.items() if word not in left_out}
        if self.plan.person.child and name == "baseline":
            found["weight"] = self.plan.person.weight
        arrives = when + MINUTE + (timedelta() if name == "baseline" else self._delay())
        self.sets += 1
        value = f"V-{self.unit.index}-{self.sets}"
        wrong = found | {"temperature": vitals.mistyped(found["temperature"])}
        if self.draws.chance(self.corrected) and wrong != found:
            yield self._set(name, arrives, value, when, wrong, "final")
            yield self._set("correction", arrives + TELLING, value, when, found, "corrected")
        else:
            yield self._set(name, arrives, value, when, found, "final")

    def _set(
        self,
        name: str,
        arrives: datetime,
        value: str,
        when: datetime,
        found: dict[str, float],
        status: str,
    ) -> Message:
        nurse = of_worker(self.unit.nurses[0])
        made = partial(records.vitals, self.plan.person, value, when, found, nurse, status)
        return self._one(arrives, BEDSIDE, name, made)

    def _delay(self) -> timedelta:
        if not self.late or not self.draws.chance(self.late["share"]):
            return timedelta()
        quartiles = [self.late[name] for name in ("quartile-1", "median", "quartile-3")]
        minutes = self.draws.along((5.0, *quartiles, 2 * quartiles[-1]))
        return round(minutes) * MINUTE
