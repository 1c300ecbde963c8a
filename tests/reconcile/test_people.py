"""Who is one person: equal identity-bearing numbers and links, never names; joins and splits."""

from collections.abc import Iterator
from typing import Any

import pytest

from service.facts.acts import NoticeRaised, NoticeWithdrawn
from tests.support.apps import FACILITY, HOSPITAL, House, Json
from tests.support.apps import house as opened
from tests.support.authoring import resources
from tests.support.authoring.words import number
from tests.support.worlds import (
    BAG,
    OTHER_BAG,
    PIKE,
    WREN,
    a_check,
    a_start,
    answered,
    baseline,
    ready,
    supply,
    tell,
    token,
    vitals,
)

LOCAL = f"{HOSPITAL}/clinic-number"
TEMPORARY = f"{HOSPITAL}/temporary"


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at="2027-06-08T09:30:00+00:00") as found:
        yield found


def a_patient(release: str, *numbers: tuple[str, str], **fields: Any) -> Json:
    """A record that bears these numbers, (system, value)."""
    held = [{"system": system, "value": value} for system, value in numbers]
    return resources.patient(WREN)[release] | {"identifier": held} | fields


def person(house: House, made: Json) -> str:
    return house.person(f"Patient/{made['id']}")


class TestJoins:
    """Only an equal system and value in an identity-bearing system, or an active link, joins."""

    def test_equal_hospital_numbers(self, house: House, release: str) -> None:
        first = house.create(release, a_patient(release, (f"{HOSPITAL}/patient", "1")))
        second = house.create(
            release, a_patient(release, (f"{HOSPITAL}/patient", "1")), source="lab"
        )
        assert first["id"] != second["id"]
        assert (
            person(house, first) == person(house, second) == house.person(f"{HOSPITAL}/patient|1")
        )

    def test_across_releases(self, house: House) -> None:
        first = house.create("R4", a_patient("R4", (f"{HOSPITAL}/patient", "1")))
        second = house.create("R5", a_patient("R5", (f"{HOSPITAL}/patient", "1")), source="lab")
        assert person(house, first) == person(house, second)

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ((f"{HOSPITAL}/patient", "1"), (f"{HOSPITAL}/patient", "2")),
            ((LOCAL, "1"), (LOCAL, "1")),
            ((f"{HOSPITAL}/patient", "1"), (LOCAL, "1")),
            ((f"{HOSPITAL}/patient", "1"), (f"{HOSPITAL}/patient", "01")),
            ((f"{HOSPITAL}/patient", "a1"), (f"{HOSPITAL}/patient", "A1")),
            ((f"{HOSPITAL}/patient", "1"), (f"{HOSPITAL}/patient", "１")),
        ],
    )
    def test_never_on_name_and_birth_date(
        self, house: House, release: str, one: tuple[str, str], other: tuple[str, str]
    ) -> None:
        """FUZ-11: numbers are compared byte for byte."""
        first = house.create(release, a_patient(release, one))
        second = house.create(release, a_patient(release, other), source="lab")
        assert person(house, first) != person(house, second)

    def test_a_third_record_that_ties_two_together(self, house: House, release: str) -> None:
        first = house.create(release, a_patient(release, (f"{HOSPITAL}/patient", "1")))
        second = house.create(release, a_patient(release, (f"{HOSPITAL}/patient", "2")))
        assert person(house, first) != person(house, second)
        both = [(f"{HOSPITAL}/patient", "1"), (f"{HOSPITAL}/patient", "2")]
        house.create(release, a_patient(release, *both), source="lab")
        assert person(house, first) == person(house, second)

    def test_a_number_of_another_facility(self, house: House, release: str) -> None:
        sent = a_patient(release, (f"{HOSPITAL}/patient", "1"))
        house.create(release, sent)
        house.create(release, sent, source="elsewhere")
        held = [house.person(f"{HOSPITAL}/patient|1", place) for place in (FACILITY, "other-place")]
        assert held[0] != held[1]

    def test_facts_by_number_alone(self, house: House, release: str) -> None:
        """What the laboratory sent before the patient was known belongs to the patient."""
        tell(house, [resources.sample(WREN)], release, source="lab")
        made = house.create(release, resources.patient(WREN)[release])
        assert person(house, made) == house.person(token(WREN))
        kinds = {fact.kind for fact in house.stored(token(WREN)).facts}
        assert kinds == {"patient", "sample"}

    def test_a_number_that_identifies_nobody_ties_no_step_to_two(
        self, house: House, release: str
    ) -> None:
        """A record and a fact that share a local number only are two cases, each with its own."""
        made = house.create(release, a_patient(release, (LOCAL, "7")))
        about = {"type": "Patient", "identifier": {"system": LOCAL, "value": "7"}}
        house.create(release, vitals(WREN, "09:00")[release] | {"subject": about})
        assert person(house, made) != house.person(f"{LOCAL}|7")
        kinds = [fact.kind for fact in house.stored(f"{LOCAL}|7").facts]
        assert kinds == ["vitals"]


class TestLinks:
    """An active link joins; taking it back parts them, and each keeps what was said of it."""

    @pytest.mark.parametrize("kind", ["replaced-by", "seealso", "replaces"])
    def test_joined_and_parted(self, house: House, release: str, kind: str) -> None:
        old = house.create(release, a_patient(release, (f"{HOSPITAL}/patient", "1")))
        new = house.create(release, a_patient(release, (f"{HOSPITAL}/patient", "2")))
        house.create(
            release,
            vitals(WREN, "09:00")[release]
            | {"subject": {"reference": f"Patient/{old['id']}", "type": "Patient"}},
        )
        link = {"other": {"reference": f"Patient/{new['id']}", "type": "Patient"}, "type": kind}
        where = f"/fhir/{release.lower()}/Patient/{old['id']}"
        house.put(where, old | {"link": [link]}, if_match='W/"1"')
        assert person(house, old) == person(house, new)
        house.put(where, old, if_match='W/"2"')
        assert person(house, old) != person(house, new)
        kinds = {
            name: sorted({fact.kind for fact in house.stored(f"Patient/{made['id']}").facts})
            for name, made in (("old", old), ("new", new))
        }
        assert kinds == {"old": ["patient", "vitals"], "new": ["patient"]}


class TestParted:
    """Whoever turns out to be two is watched as two from that moment on."""

    def test_that_both_are_still_watched(self, house: House, release: str) -> None:
        """Joined by a record of a third system by mistake, each with a unit running."""
        for who, bag in ((WREN, BAG), (PIKE, OTHER_BAG)):
            tell(house, (*ready(who, bag), a_check(who, bag), a_start(who, bag)), release)
        index = (f"{HOSPITAL}/index", "X-1")
        numbers = [(f"{HOSPITAL}/patient", who.number) for who in (WREN, PIKE)]
        made = house.create(release, a_patient(release, index, *numbers), source="lab")
        house.settle()
        assert house.person(token(WREN)) == house.person(token(PIKE))
        where = f"/fhir/{release.lower()}/Patient/{made['id']}"
        parted = a_patient(release, index) | {"id": made["id"]}
        assert house.put(where, parted, source="lab", if_match='W/"1"').status_code == 200
        assert house.person(token(WREN)) != house.person(token(PIKE))
        house.settle()
        for who, bag, other in ((WREN, BAG, OTHER_BAG), (PIKE, OTHER_BAG, BAG)):
            held = house.told(token(who))
            assert any(key.startswith(f"procedure/{bag.sid}") for key in held), held.keys()
            assert not any(other.sid in key for key in held)
            assert house.stored(token(who)).state.next_wake is not None
        house.until("2027-06-08T14:30:00+00:00")
        for who in (WREN, PIKE):
            assert any("bag-down" in key for key in house.told(token(who)))


class TestConflicts:
    """Joined records that differ in birth date or family name refuse every check (ID-10)."""

    @pytest.mark.parametrize(
        "change", [{"birthDate": "1961-04-13"}, {"name": [{"family": "Hollow", "given": ["Wren"]}]}]
    )
    def test_refused_until_resolved(self, house: House, release: str, change: Json) -> None:
        tell(house, ready(), release)
        other = resources.patient(WREN)[release] | change
        made = house.create(release, other, source="lab")
        (first,) = tell(house, [a_check(began="10:00", ended="10:02")], release)
        assert answered(first) == "refuse"
        where = f"/fhir/{release.lower()}/Patient/{made['id']}"
        right = resources.patient(WREN)[release] | {"id": made["id"]}
        assert house.put(where, right, source="lab", if_match='W/"1"').status_code == 200
        (second,) = tell(house, [a_check(began="10:03", ended="10:05")], release)
        assert answered(second) == "no-objection"

    def test_a_temporary_record_is_no_conflict(self, house: House, release: str) -> None:
        """rules.md ID-10: a patient who came unidentified is joined later."""
        nameless = {
            "resourceType": "Patient",
            "identifier": [
                {"system": TEMPORARY, "value": "T-9"},
                number("patient", WREN.number),
            ],
            "name": [{"family": "Unknown", "given": ["Oak Seven"]}],
            "gender": "female",
        }
        tell(house, ready(), release)
        house.create(release, nameless, source="lab")
        (entry,) = tell(house, [a_check()], release)
        assert answered(entry) == "no-objection"


def raised(house: House, key: str) -> list[str]:
    return [
        act.body.notice for act in house.acts(key).values() if isinstance(act.body, NoticeRaised)
    ]


def withdrawn(house: House, key: str) -> list[tuple[str, str]]:
    bodies = [act.body for act in house.acts(key).values()]
    return [(b.notice, b.why) for b in bodies if isinstance(b, NoticeWithdrawn)]


class TestNoticesOfJoinedPatients:
    """A notice keeps the identity it was raised with, whoever its patient turns out to be."""

    @pytest.fixture
    def two(self, house: House, release: str) -> House:
        """Two records of one person, each with a unit running and a fever."""
        for who, bag in ((WREN, BAG), (PIKE, OTHER_BAG)):
            tell(house, (*ready(who, bag), a_check(who, bag), a_start(who, bag)), release)
        house.until("2027-06-08T09:30:00+00:00")
        for who in (WREN, PIKE):
            tell(house, [vitals(who, "10:20", temperature=39.2)], release)
        return house

    def test_that_the_first_stays_and_the_other_is_merged(self, two: House, release: str) -> None:
        assert raised(two, token(WREN)) == [f"{BAG.sid}/1"]
        assert raised(two, token(PIKE)) == [f"{OTHER_BAG.sid}/1"]
        before = two.emitted(token(WREN))[f"event/{BAG.sid}/1/reaction/"]
        both = a_patient(
            release,
            (f"{HOSPITAL}/patient", WREN.number),
            (f"{HOSPITAL}/patient", PIKE.number),
        )
        two.create(release, both, source="lab")
        two.settle()
        joined = two.person(token(WREN))
        assert joined == two.person(token(PIKE))
        assert sorted(raised(two, token(WREN))) == sorted([f"{BAG.sid}/1", f"{OTHER_BAG.sid}/1"])
        assert withdrawn(two, token(WREN)) == [(f"{OTHER_BAG.sid}/1", "merged")]
        after = two.emitted(token(WREN))
        kept = after[f"event/{BAG.sid}/1/reaction/"]
        assert (kept.state, kept.version >= before.version) == ("active", True)
        assert after[f"event/{OTHER_BAG.sid}/1/reaction/"].state in ("active", "withdrawn")

    def test_that_a_second_unit_attaches_to_the_notice(self, two: House, release: str) -> None:
        third = type(BAG)(din="A999927300003", group="A RhD positive", issue="IS-9003")
        tell(two, (*supply(WREN, third), baseline(WREN, "10:22")), release)
        tell(two, [a_check(WREN, third, "10:23", "10:25"), a_start(WREN, third, "10:26")], release)
        two.settle()
        assert raised(two, token(WREN)) == [f"{BAG.sid}/1"]
        (event,) = [
            content
            for key, content in two.contents(token(WREN)).items()
            if key.text == f"event/{BAG.sid}/1/reaction/"
        ]
        assert [s.unit.key.text for s in event.suspects] == [BAG.sid, third.sid]  # type: ignore[union-attr]
