"""One patient's bedside, told in FHIR: what is sent, and what was answered and is desired."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.assessment.desired import Event, Request
from tests.support.apps import House, Json
from tests.support.authoring import steps
from tests.support.authoring.words import (
    DAY,
    Bag,
    Both,
    Person,
    at,
    of_worker,
    own,
)
from tests.support.worlds import (
    BAG,
    WREN,
    admission,
    order_of,
    supply,
    tell,
    token,
    with_fields,
)

LONDON = ZoneInfo("Europe/London")
TODAY = datetime.fromisoformat(DAY)
GROUP = {"+": "RhD positive", "-": "RhD negative"}


@dataclass(slots=True, kw_only=True)
class Told:
    """What came out: the last answer, the verdict or advice of each rule, events, requests."""

    word: str
    rules: dict[str, set[str]] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    requests: dict[str, Request] = field(default_factory=dict)

    @property
    def candidates(self) -> tuple[Any, ...]:
        return tuple(one for event in self.events for one in event.candidates)


@dataclass(slots=True, kw_only=True)
class Bed:
    """One patient's bedside in one release."""

    house: House
    release: str
    person: Person = WREN
    bag: Bag = BAG

    def tell(self, *said: Both) -> list[Json]:
        return tell(self.house, said, self.release)

    def until(self, clock: str) -> None:
        self.house.until(moment(clock))

    def ready(
        self,
        *,
        without: Iterable[str] = (),
        order: Json | None = None,
        issue: Callable[[Both], Both] = lambda issue: issue,
    ) -> None:
        """Everything up to the check, without some kinds of resource, the issue as it is made."""
        unit, issued, crossmatch = supply(self.person, self.bag, "09:45")
        said = (*admission(self.person, **(order or {})), unit, issue(issued), crossmatch)
        left = set(without)
        self.tell(*(one for one in said if not left & {kind_of(one), label_of(one)}))

    def check(self, began: str = "10:00", ended: str = "10:04", **said: Any) -> Both:
        changed = said.pop("changed", {})
        value = f"CHK-{began}"
        made = steps.check(
            value, self.person, self.bag, began, ended, order_of(self.person), **said
        )
        return with_inputs(made, {"second-checked-at": ("DateTime", _half_later(began))} | changed)

    def start(self, began: str = "10:05", rate: float = 140, **said: Any) -> Both:
        by = said.pop("by", None)
        value = f"STA-{began}"
        order = order_of(self.person)
        made = steps.start(value, self.person, self.bag, began, order, rate=rate)  # type: ignore[arg-type]
        return with_fields(made, owner=of_worker(by)) if by else made

    def step(self, code: str, when: str, *inputs: Any, unit: bool = True) -> Both:
        bag = self.bag if unit else None
        return steps.step(code, f"{code}-{when}", self.person, when, *inputs, bag=bag)

    def told(self, entry: Json) -> Told:
        """What a step was answered, with what is desired by now."""
        contents = self.house.contents(token(self.person)).values()
        rules: dict[str, set[str]] = {}
        for output in entry["resource"].get("output", []):
            if "valueCodeableConcept" in output:
                (rule,) = [c["code"] for c in output["valueCodeableConcept"]["coding"]]
                words = [c["code"] for c in output["type"]["coding"]]
                rules.setdefault(rule, set()).update(words)
        status = entry["resource"].get("businessStatus")
        return Told(
            word=status["coding"][0]["code"] if status else "",
            rules=rules,
            events=tuple(c for c in contents if isinstance(c, Event)),
            requests={c.code: c for c in contents if isinstance(c, Request)},
        )

    def last(self, *said: Both) -> Told:
        return self.told(self.tell(*said)[-1])


def kind_of(both: Both) -> str:
    return str(both["R5"]["resourceType"])


def label_of(both: Both) -> str:
    """The LOINC code of an Observation."""
    return str(both["R5"].get("code", {}).get("coding", [{}])[0].get("code", ""))


def moment(clock: str) -> datetime:
    return datetime.fromisoformat(at(clock))


def _half_later(clock: str) -> str:
    return (moment(clock) + timedelta(seconds=30)).isoformat()


def with_inputs(both: Both, changed: dict[str, tuple[str, Any] | None]) -> Both:
    """A step with inputs replaced or added; None leaves one out."""

    def of(step: Json) -> Json:
        kept = [one for one in step["input"] if one["type"]["coding"][0]["code"] not in changed]
        new = [
            {"type": own("step-input", code), f"value{value[0]}": value[1]}
            for code, value in changed.items()
            if value is not None
        ]
        return step | {"input": [*kept, *new]}

    return {release: of(step) for release, step in both.items()}


def group_text(text: str) -> str:
    """``A+`` as it is printed."""
    return f"{text[:-1]} {GROUP[text[-1]]}"


def person_of(given: Json) -> Person:
    """A patient of a group, sex and age; a group that nobody knows is printed as the bag's."""
    age = given.get("age", given.get("age_y", 64))
    born = TODAY.replace(year=TODAY.year - age, month=1, day=1)
    recipient = given.get("recipient", "A+")
    printed = given["unit"] if recipient == "unknown" else recipient
    return replace(
        WREN,
        gender=given.get("sex", "female"),
        born=born.date().isoformat(),
        group=group_text(printed),
    )
