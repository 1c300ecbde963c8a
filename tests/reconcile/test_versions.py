"""Versions of a fact: what is new, what comes again, what contradicts, and which one holds."""

import itertools
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from service.facts.case import Case
from tests.support.apps import FACILITY, House, Json, problem, read_json
from tests.support.apps import house as opened
from tests.support.authoring.words import concept
from tests.support.worlds import (
    WREN,
    a_check,
    a_start,
    admission,
    answered,
    baseline,
    ready,
    tell,
    token,
    vitals,
)


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at="2027-06-08T09:30:00+00:00") as found:
        yield found


def a_reading(release: str, temperature: float, **fields: Any) -> Json:
    return vitals(WREN, "09:00", temperature=temperature)[release] | fields


def post(house: House, release: str, resource: Json, **said: Any) -> int:
    where = f"/fhir/{release.lower()}/{resource['resourceType']}"
    return house.post(where, resource, **said).status_code


def case_of(house: House) -> Case:
    case, _ = house.app.reconciler.look(FACILITY, house.person(token(WREN)))
    return case


def temperatures(house: House) -> list[str]:
    """The temperatures in force."""
    return [
        str(reading.value)
        for fact in case_of(house).facts
        if fact.kind == "vitals"
        for reading in fact.body.readings
        if reading.vital.value == "temperature"
    ]


class TestANewVersion:
    """A status that says so, or a later stamp of the sender's, makes a new version."""

    @pytest.mark.parametrize("status", ["amended", "corrected", "cancelled", "entered-in-error"])
    def test_by_status(self, house: House, release: str, status: str) -> None:
        house.create(release, a_reading(release, 39.6))
        house.clock.set(house.clock.now() + timedelta(minutes=1))
        assert post(house, release, a_reading(release, 36.9, status=status)) == 200
        held = temperatures(house)
        assert held == (["36.9"] if status in ("amended", "corrected") else [])

    @pytest.mark.parametrize("place", ["issued", "meta"])
    def test_by_stamp(self, house: House, release: str, place: str) -> None:
        def stamped(value: float, at: str) -> Json:
            said: Json = {"issued": at} if place == "issued" else {"meta": {"lastUpdated": at}}
            return a_reading(release, value, **said)

        house.create(release, stamped(39.6, "2027-06-08T09:00:00Z"))
        assert post(house, release, stamped(36.9, "2027-06-08T09:00:01Z")) == 200
        assert temperatures(house) == ["36.9"]
        assert post(house, release, stamped(38.0, "2027-06-08T08:59:59Z")) == 409
        assert temperatures(house) == ["36.9"]

    def test_by_the_version_it_replaces(self, house: House, release: str) -> None:
        """A client that reads, changes and sends back; its meta is ours and no stamp."""
        made = house.create(release, a_reading(release, 39.6))
        where = f"/fhir/{release.lower()}/Observation/{made['id']}"
        for number_, value in enumerate((36.9, 37.0, 37.1), start=1):
            read = read_json(house.get(where))
            changed = a_reading(release, value) | {"id": made["id"], "meta": read["meta"]}
            assert house.put(where, changed, if_match=f'W/"{number_}"').status_code == 200
            assert temperatures(house) == [str(value)]

    def test_that_our_own_meta_gives_no_reason(self, house: House, release: str) -> None:
        made = house.create(release, a_reading(release, 39.6))
        where = f"/fhir/{release.lower()}/Observation/{made['id']}"
        changed = a_reading(release, 36.9) | {"id": made["id"], "meta": made["meta"]}
        assert problem(house.put(where, changed))[:2] == (409, "conflict")

    def test_that_a_correction_sent_back_with_our_meta_holds(
        self, house: House, release: str
    ) -> None:
        house.clock.set(house.clock.now() + timedelta(microseconds=654_321))
        made = house.create(release, a_reading(release, 39.6))
        where = f"/fhir/{release.lower()}/Observation/{made['id']}"
        changed = a_reading(release, 36.9, status="corrected")
        changed |= {"id": made["id"], "meta": made["meta"]}
        house.clock.set(house.clock.now() + timedelta(minutes=1))
        assert house.put(where, changed).status_code == 200
        assert temperatures(house) == ["36.9"]

    def test_that_a_correction_with_an_unchanged_stamp_holds(
        self, house: House, release: str
    ) -> None:
        """Senders correct a result and leave ``issued`` as it was."""
        for value in (36.9, 37.4, 38.2):
            with opened(at="2027-06-08T09:30:00+00:00") as other:
                same = "2027-06-08T09:05:00Z"
                other.create(release, a_reading(release, 39.6, issued=same))
                corrected = a_reading(release, value, issued=same, status="corrected")
                assert post(other, release, corrected) == 200
                assert temperatures(other) == [str(value)]

    def test_that_what_is_no_longer_stated_holds_no_longer(
        self, house: House, release: str
    ) -> None:
        """A version that states fewer facts takes the others back."""
        step = a_start()[release]
        tell(house, ready(), release)
        made = house.create(release, step)
        where = f"/fhir/{release.lower()}/Task/{made['id']}"
        withdrawn = step | {"id": made["id"], "status": "entered-in-error"}
        assert house.put(where, withdrawn, if_match='W/"1"').status_code == 200
        assert case_of(house).steps == ()


class TestTheSameAgain:
    """A repeated message stores nothing, also when a correction came in between."""

    def test_what_an_earlier_version_said(self, house: House, release: str) -> None:
        first = a_reading(release, 39.6, issued="2027-06-08T09:00:00Z")
        second = a_reading(release, 36.9, issued="2027-06-08T09:01:00Z", status="corrected")
        assert [post(house, release, one) for one in (first, second)] == [201, 200]
        before = house.counts()
        assert [post(house, release, one) for one in (first, second, first)] == [200, 200, 200]
        assert house.counts() == before
        assert temperatures(house) == ["36.9"]

    @pytest.mark.parametrize(
        "change", [{"text": {"status": "generated", "div": "<div/>"}}, {"id": "x"}]
    )
    def test_what_is_no_content(self, house: House, release: str, change: Json) -> None:
        """Narrative and id are not what a record says."""
        house.create(release, a_reading(release, 36.9))
        if "text" in change:
            div = '<div xmlns="http://www.w3.org/1999/xhtml">well</div>'
            change = {"text": {"status": "generated", "div": div}}
        before = house.counts()
        assert post(house, release, a_reading(release, 36.9) | change) == 200
        assert house.counts() == before

    def test_without_identifier(self, house: House, release: str) -> None:
        """The content is the key; the same values twice are one reading."""
        plain = {k: v for k, v in a_reading(release, 36.9).items() if k != "identifier"}
        assert [post(house, release, plain) for _ in range(3)] == [201, 200, 200]
        assert temperatures(house) == ["36.9"]

    def test_same_time_other_values_no_identifier(self, house: House, release: str) -> None:
        """Keep both: which is right nobody can know."""
        for value in (36.9, 39.1):
            plain = {k: v for k, v in a_reading(release, value).items() if k != "identifier"}
            assert post(house, release, plain) == 201
        assert sorted(temperatures(house)) == ["36.9", "39.1"]


class TestOrderOfArrival:
    """The version in force does not depend on the order in which stamped versions arrive."""

    def test_every_order(self, release: str) -> None:
        versions = [
            a_reading(release, 39.6, issued="2027-06-08T09:00:00Z"),
            a_reading(release, 36.9, issued="2027-06-08T09:01:00Z", status="amended"),
            a_reading(release, 37.2, issued="2027-06-08T09:02:00Z", status="corrected"),
        ]
        held = []
        for order in itertools.permutations(versions):
            with opened(at="2027-06-08T09:30:00+00:00") as house:
                for one in order:
                    # a final version that comes after its correction contradicts: 409, no harm
                    assert post(house, release, one) in (200, 201, 409)
                held.append(temperatures(house))
        assert held == [["37.2"]] * 6


class TestEchoes:
    """What bears our own emitted identifier is an echo of ours, never a fact."""

    OURS = "https://transfusion-events.example/fhir/sid/emitted"

    @pytest.mark.parametrize("place", ["identifier", "tag"])
    def test_a_reading_that_we_sent(self, house: House, release: str, place: str) -> None:
        tell(house, admission(), release)
        mark: Json = {"system": self.OURS, "value": "0d6f5e0c-5a3e-4f5b-9c55-3a6a1c7d0001"}
        echo = a_reading(release, 39.9)
        if place == "identifier":
            echo["identifier"] = [*echo["identifier"], mark]
        else:
            echo["meta"] = {"tag": [{"system": self.OURS, "code": mark["value"]}]}
        assert post(house, release, echo) == 201
        assert temperatures(house) == []

    def test_every_resource_that_we_emit(self, house: House, release: str) -> None:
        """A partner that sends back all that it was sent tells us nothing."""
        tell(house, (*ready(), a_check(), a_start()), release)
        tell(house, [vitals(WREN, "10:20", temperature=39.4)], release)
        house.until("2027-06-08T10:00:00+00:00")
        facts, told = len(case_of(house).facts), house.told(token(WREN))
        served = {"Procedure", "Observation", "Task"}
        sent = [row for row in house.outbox() if row.type in served]
        assert {row.type for row in sent} == served
        for row in sent:
            base = "r4" if row.partner == "chart" else "r5"
            status = house.post(f"/fhir/{base}/{row.type}", row.body, source="lab").status_code
            assert status in (200, 201, 409), (row.key, status)
        house.settle()
        replies = [fact for fact in case_of(house).facts if fact.kind == "reply"]
        assert len(case_of(house).facts) - len(replies) == facts
        assert house.told(token(WREN)) == told


class TestOurAnswerOnATask:
    """businessStatus and output are ours; sent back they are neither content nor a claim."""

    def test_sent_back_as_it_was_read(self, house: House, release: str) -> None:
        tell(house, ready(), release)
        made = house.create(release, a_check()[release])
        assert made["businessStatus"]
        assert made["output"]
        before = house.counts()
        where = f"/fhir/{release.lower()}/Task/{made['id']}"
        answer = house.put(where, made, if_match='W/"1"')
        assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')
        assert post(house, release, made) == 200
        assert house.counts() == before

    def test_that_a_forged_answer_is_not_kept(self, house: House, release: str) -> None:
        tell(house, ready(), release)
        verdict = "https://transfusion-events.example/fhir/CodeSystem/verdict"
        forged = a_check(leave_out=("spoken-confirmed",))[release] | {
            "businessStatus": concept(verdict, "no-objection")
        }
        made = house.create(release, forged)
        assert answered({"resource": made}) == "refuse"

    def test_that_a_senders_own_status_and_output_stay(self, house: House, release: str) -> None:
        own = {"type": {"text": "Our printout"}, "valueString": "page 3"}
        status = {"text": "seen by the charge nurse"}
        step = a_start()[release] | {"output": [own]}
        made = house.create(release, step)
        assert own in made["output"]
        other = a_start(began="10:20")[release] | {"businessStatus": status}
        stored = house.create(release, other)
        raw = house.rows("SELECT body FROM resource WHERE id = ? AND current = 1", stored["id"])[0][
            0
        ]
        assert b"seen by the charge nurse" in raw


class TestAnswersAsGiven:
    """A step's answer is what it was told; what is known later does not change it."""

    def test_that_later_facts_change_no_answer(self, house: House, release: str) -> None:
        without = [one for one in ready() if one["R4"]["resourceType"] != "Consent"]
        tell(house, without, release)
        made = house.create(release, a_check()[release])
        assert answered({"resource": made}) == "authorise"
        where = f"/fhir/{release.lower()}/Task/{made['id']}"
        tell(house, [one for one in ready() if one["R4"]["resourceType"] == "Consent"], release)
        house.until("2027-06-08T10:00:00+00:00")
        assert read_json(house.get(where)) == made
        again = house.post(f"/fhir/{release.lower()}/Task", a_check()[release])
        assert answered({"resource": read_json(again)}) == "authorise"

    def test_that_a_corrected_step_gets_an_answer_of_its_own(
        self, house: House, release: str
    ) -> None:
        tell(house, ready(), release)
        made = house.create(release, a_check(leave_out=("spoken-confirmed",))[release])
        where = f"/fhir/{release.lower()}/Task/{made['id']}"
        whole = a_check()[release] | {"id": made["id"]}
        answer = read_json(house.put(where, whole, if_match='W/"1"'))
        first = read_json(house.get(f"{where}/_history/1"))
        words = [answered({"resource": one}) for one in (made, first, answer)]
        assert words == ["refuse", "refuse", "no-objection"]


class TestSourcesApart:
    """The same identifier from another source is another record, and both count."""

    def test_two_sources(self, house: House, release: str) -> None:
        house.create(release, baseline()[release], source="ward")
        house.create(release, baseline(temperature=38.8)[release], source="lab")
        assert sorted(temperatures(house)) == ["36.8", "38.8"]
