"""Many at once: nothing is lost, one start holds a unit, other cases are reached by nudges."""

import asyncio
from collections.abc import Iterator
from typing import Any

import pytest

from service.assessment.desired import Issue
from tests.support.apps import FACILITY, House, Json, beside, read_json
from tests.support.apps import house as opened
from tests.support.authoring import resources
from tests.support.authoring.scene import bundle
from tests.support.authoring.words import Bag, Both, Person
from tests.support.worlds import (
    BAG,
    PIKE,
    WREN,
    a_check,
    a_start,
    admission,
    ready,
    tell,
    token,
    vitals,
    with_fields,
)


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at="2027-06-08T09:30:00+00:00") as found:
        yield found


async def sent(house: House, release: str, *said: Both) -> Json:
    """One transaction, all of it accepted."""
    answer = await house.asking("POST", f"/fhir/{release.lower()}", bundle(list(said), release))
    assert answer.status_code == 200, answer.text
    return read_json(answer)


def together(house: House, release: str, *messages: tuple[Both, ...]) -> list[Json]:
    """Several transactions at the same instant."""

    async def all_of_them() -> list[Json]:
        return list(await asyncio.gather(*(sent(house, release, *one) for one in messages)))

    return house.run(all_of_them())


class TestOnePatient:
    """Rule 8: whoever read an older case does it again; both land."""

    def test_thirty_readings_at_once(self, house: House, release: str) -> None:
        tell(house, (*ready(), a_check(), a_start()), release)
        said = [(vitals(WREN, f"10:{minute:02d}"),) for minute in range(10, 40)]
        together(house, release, *said)
        case, _ = house.app.reconciler.look(FACILITY, house.person(token(WREN)))
        assert len([fact for fact in case.facts if fact.kind == "vitals"]) == 31

    def test_that_both_bear_on_what_is_desired(self, house: House, release: str) -> None:
        """Two that together raise a notice, sent at the same instant, raise one."""
        tell(house, (*ready(), a_check(), a_start()), release)
        fever, other = (
            vitals(WREN, "10:20", temperature=39.4),
            vitals(WREN, "10:21", heart_rate=130),
        )
        together(house, release, (fever,), (other,))
        house.settle()
        raised = [key for key in house.acts(token(WREN)) if key.startswith("notice-raised:")]
        assert raised == [f"notice-raised:{BAG.sid}/1"]

    def test_the_first_words_about_a_patient(self, house: House, release: str) -> None:
        """Nobody knows the patient yet, and ten senders speak at once: one case."""
        said: list[tuple[Both, ...]] = [(one,) for one in admission()]
        together(house, release, *said)
        people = {person for _, person in house.rows("SELECT token, person FROM subject")}
        assert len(people) == 1
        kinds = {fact.kind for fact in house.stored(token(WREN)).facts}
        assert kinds == {"patient", "order", "consent", "sample", "group", "antibodies"}

    def test_that_equal_messages_at_once_are_one(self, house: House, release: str) -> None:
        answers = together(house, release, *[ready()] * 5)
        statuses = sorted(e["response"]["status"] for one in answers for e in one["entry"])
        assert statuses.count("201 Created") == len(ready())
        assert house.counts()["received"] == 1


class TestTwoPatients:
    """Messages about several patients lock cases in one order, and all of them land."""

    def test_crossing(self, house: House, release: str) -> None:
        def two(first: Person, second: Person, minute: int) -> tuple[Both, ...]:
            return tuple(
                with_fields(vitals(who, f"09:{minute:02d}"), note=None) for who in (first, second)
            )

        messages = [
            two(*((WREN, PIKE) if n % 2 else (PIKE, WREN)), minute=n) for n in range(10, 26)
        ]
        together(house, release, *messages)
        for who in (WREN, PIKE):
            assert len(house.stored(token(who)).facts) == 16


class TestNudges:
    """Rule 9: what is said of a unit reaches every other case that speaks of it."""

    def test_that_news_of_the_unit_reaches_the_case(self, house: House, release: str) -> None:
        """Its expiry is corrected while it runs: its record is sent again."""
        entries = tell(house, (*ready(), a_check(), a_start()), release)
        (unit,) = [
            one["resource"]
            for one in entries
            if one["resource"]["resourceType"] == "BiologicallyDerivedProduct"
        ]
        assert house.counts()["nudge"] == 0
        later = "2027-07-01T23:59:00+01:00"
        changed: dict[str, Any] = {k: v for k, v in unit.items() if k != "meta"}
        if release == "R4":
            changed["extension"] = [
                one | {"valueDateTime": later} if one["url"].endswith(".expirationDate") else one
                for one in changed["extension"]
            ]
        else:
            changed["expirationDate"] = later
        where = f"/fhir/{release.lower()}/BiologicallyDerivedProduct/{unit['id']}"
        answer = house.put(where, changed, if_match='W/"1"')
        assert answer.status_code == 200, answer.text
        before = house.person(token(WREN))
        assert house.rows("SELECT person, done FROM nudge") == [(before, 0)]
        told = house.told(token(WREN))
        house.settle()
        assert house.rows("SELECT person, done FROM nudge") == [(before, 1)]
        assert house.told(token(WREN)) != told

    def test_that_a_case_is_not_nudged_about_itself(self, house: House, release: str) -> None:
        tell(house, (*ready(), a_check(), a_start()), release)
        assert house.counts()["nudge"] == 0


def alike(number: int) -> tuple[Person, Person, Bag]:
    """Two invented patients of one group, and a bag."""
    people = [
        Person(
            number=f"00{number:03d}{n}",
            family=f"Larkham{number}",
            given=given,
            born="1970-02-03",
            gender="female",
            sample=f"HV27-4{number:03d}{n}",
            group="A RhD positive",
        )
        for n, given in enumerate(("Ash", "Rowan"))
    ]
    return (
        *people,
        Bag(din=f"A9999273{10000 + number}", group="A RhD positive", issue=f"I{number}"),
    )  # type: ignore[return-value]


class TestOneUnitInTwoPatients:
    """Two starts of one unit: both 2xx, one claim row, both cases refuse and are raised."""

    def test_twenty_rounds(self, house: House) -> None:
        for number in range(20):
            release = ("R4", "R5")[number % 2]
            first, second, bag = alike(number)
            tell(house, (*ready(first, bag), *admission(second)), release)
            starts = (
                (a_check(first, bag), a_start(first, bag, "10:05")),
                (a_start(second, bag, "10:06"),),
            )
            answers = together(house, release, *(starts if number % 3 else starts[::-1]))
            assert all(
                entry["response"]["status"] == "201 Created"
                for one in answers
                for entry in one["entry"]
            )
            house.settle()
            self._holds(house, first, second, bag)

    def _holds(self, house: House, first: Person, second: Person, bag: Bag) -> None:
        claims = house.rows("SELECT step FROM unit_claim WHERE unit = ?", bag.sid)
        assert len(claims) == 1
        holder = house.app.store.claim(FACILITY, bag.sid)
        assert holder is not None
        assert holder.person == house.person(token(first))
        for who in (first, second):
            refused = [
                content
                for content in house.contents(token(who)).values()
                if isinstance(content, Issue) and any(f.rule == "PRE-05" for f in content.findings)
            ]
            assert refused, who
            raised = [key for key in house.acts(token(who)) if key.startswith("notice-raised:")]
            assert len(raised) == 1
        held, other = (house.emitted(token(who)) for who in (first, second))
        assert not held.keys() & other.keys()

    def test_that_an_earlier_start_takes_the_claim(self, house: House, release: str) -> None:
        tell(house, (*ready(), *admission(PIKE)), release)
        tell(house, [a_start(PIKE, BAG, "10:06")], release)
        assert house.app.store.claim(FACILITY, BAG.sid).person == house.person(token(PIKE))  # type: ignore[union-attr]
        tell(house, [a_check(), a_start(WREN, BAG, "10:05")], release)
        assert house.app.store.claim(FACILITY, BAG.sid).person == house.person(token(WREN))  # type: ignore[union-attr]

    def test_that_a_start_in_error_gives_the_claim_back(self, house: House, release: str) -> None:
        tell(house, (*ready(), *admission(PIKE)), release)
        tell(house, [a_check(), a_start(WREN, BAG, "10:05")], release)
        tell(house, [a_start(PIKE, BAG, "10:06")], release)
        house.settle()
        assert any(key.startswith("notice-raised:") for key in house.acts(token(WREN)))
        tell(house, [with_fields(a_start(PIKE, BAG, "10:06"), status="entered-in-error")], release)
        house.settle()
        assert len(house.rows("SELECT step FROM unit_claim")) == 1
        standing = [
            content
            for content in house.contents(token(WREN)).values()
            if isinstance(content, Issue)
            and content.status == "final"
            and not content.mitigation
            and any(f.rule == "PRE-05" for f in content.findings)
        ]
        assert standing == []

    def test_that_neither_case_names_the_other_patient(self, house: House, release: str) -> None:
        """Rule 9: a finding says that the unit was started elsewhere and no more."""
        tell(house, (*ready(), *admission(PIKE)), release)
        together(house, release, (a_check(), a_start()), (a_start(PIKE, BAG, "10:06"),))
        house.settle()
        for who, other in ((WREN, PIKE), (PIKE, WREN)):
            record = resources.patient(other)["R4"]
            names = (other.number, other.family, record["birthDate"])
            for row in house.stored(token(who)).emitted:
                assert not any(name.encode() in row.content for name in names), row.key


class TestTwoProcesses:
    """Rule 8: two processes on one store are the same code, and neither loses what it accepted."""

    def test_both_write_one_case(self, house: House, release: str) -> None:
        with beside(house) as other:
            tell(house, (*ready(), a_check(), a_start()), release)
            said = [vitals(WREN, f"10:{minute:02d}") for minute in range(10, 40)]

            async def by_turns() -> None:
                asked = (
                    sent((house, other)[place % 2], release, one) for place, one in enumerate(said)
                )
                await asyncio.gather(*asked)

            house.run(by_turns())
            for each in (house, other):
                case, _ = each.app.reconciler.look(FACILITY, each.person(token(WREN)))
                assert len([fact for fact in case.facts if fact.kind == "vitals"]) == 31

    def test_two_starts_of_one_unit(self, house: House, release: str) -> None:
        with beside(house) as other:
            tell(house, (*ready(), *admission(PIKE), a_check()), release)

            async def both() -> None:
                await asyncio.gather(
                    sent(house, release, a_start()),
                    sent(other, release, a_start(PIKE, BAG, "10:06")),
                )

            house.run(both())
            house.settle()
            assert len(house.rows("SELECT step FROM unit_claim")) == 1
            for who in (WREN, PIKE):
                raised = [key for key in house.acts(token(who)) if key.startswith("notice-raised:")]
                assert len(raised) == 1
