"""Whose name, which number and which place an emitted resource bears, and a move while a unit runs.

Patient.link replaced-by: the record "must no longer be used", the other is used in lieu of it
(FHIR Patient); Procedure.location: where it actually happened (FHIR Procedure); owner of reminders
follows the location, deadlines unchanged, handover re-check (REC-21, this project's own reading).
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from service.assessment.assess import Assessment, assess
from service.assessment.clock import RecordingClock
from service.assessment.desired import Procedure, Request
from service.assessment.showing import callback_of, patient_shown, place_of
from service.facts.case import Case
from service.facts.fact import Fact
from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import Moment, at
from service.facts.records import EncounterRecord, LocationRecord, PatientRecord
from service.facts.steps import StepCode
from tests.support.cases import (
    HOSPITAL,
    MRN,
    PATIENT,
    PATIENT_SYSTEM,
    SITE,
    START_AT,
    TEMPORARY_SYSTEM,
    a_check,
    a_patient,
    a_start,
    a_step,
    an_end,
    an_issue,
    fact,
    some_facts,
)
from tests.support.policies import default_policy

POLICY = default_policy()
TEMPORARY = Identifier(PATIENT_SYSTEM, "0000417")
KNOWN = Identifier(PATIENT_SYSTEM, "0051743")
ADDER = PersonName(family="Adder", given="Unknown")
JORY = PersonName(family="Fallowmere", given="Jory")


def place(value: str) -> Ref:
    return Ref(kind="Location", identifier=Identifier(f"{HOSPITAL}/location", value), display=value)


LARCH, THEATRE, CRITICAL = place("larch"), place("theatre-2"), place("critical-care")


def after(minutes: float) -> datetime:
    return START_AT + timedelta(minutes=minutes)


def stay(where: Ref | None, since: float | None, key: str = "Encounter/e1", **more: Any) -> Any:
    """An encounter that began some minutes after the start; told then unless said otherwise."""
    began = at(after(since)) if since is not None else None
    body = EncounterRecord(location=where, start=began, placed=more.pop("placed", None))
    return fact(body, key, **more)


def assessed(
    *more: Fact[Any], facts: Iterable[Fact[Any]] | None = None, until: float = 60
) -> Assessment:
    held = some_facts(start={"location": LARCH}) if facts is None else facts
    case = Case("person-1", (*held, *more), (), PATIENT.tokens)
    return assess(case, POLICY, SITE, RecordingClock(after(until)))


def request(found: Assessment, code: str) -> Request | None:
    held = [
        one.content
        for one in found.desired
        if isinstance(one.content, Request) and one.content.code == code
    ]
    return held[0] if held else None


def where(found: Assessment) -> str | None:
    asked = request(found, "next-observation")
    assert asked is not None
    return asked.location.display if asked.location is not None else None


def procedure(found: Assessment) -> Procedure:
    (held,) = [one.content for one in found.desired if isinstance(one.content, Procedure)]
    return held


class TestWhoIsShown:
    """Number and name are of one record, and of the record in use."""

    def shown(self, *records: Fact[PatientRecord]) -> set[tuple[str, str | None]]:
        """The number and name, the same in every order the records came in."""
        found = set()
        for order in permutations(records):
            named = [replace(one, key=f"Patient/{n}") for n, one in enumerate(order)]
            ref = patient_shown(Case("person-1", named, (), PATIENT.tokens), SITE)
            assert ref.identifier is not None
            found.add((ref.identifier.value, ref.display))
        return found

    def temporary(self, **said: Any) -> Fact[PatientRecord]:
        token = frozenset({TEMPORARY.token})
        return a_patient(identifiers=(TEMPORARY,), names=(ADDER,), **({"temporary": token} | said))

    def known(self, **said: Any) -> Fact[PatientRecord]:
        return a_patient(**({"identifiers": (KNOWN,), "names": (JORY,)} | said))

    def test_a_replaced_record_is_no_longer_told(self) -> None:
        gone = self.temporary(active=False, replaced_by=(Ref(kind="Patient", id="new"),))
        assert self.shown(gone, self.known()) == {("0051743", "Fallowmere, Jory")}

    @pytest.mark.parametrize(
        "said",
        [{"active": False}, {"replaced_by": (Ref(kind="Patient", id="new"),)}, {}],
    )
    def test_each_of_what_speaks_against_a_record_counts(self, said: dict[str, Any]) -> None:
        plain: dict[str, Any] = {"temporary": frozenset()} if said else {}
        both = self.temporary(**plain, **said), self.known()
        assert self.shown(*both) == {("0051743", "Fallowmere, Jory")}

    def test_the_number_of_one_is_never_told_with_the_name_of_another(self) -> None:
        late = a_patient(identifiers=(TEMPORARY,), names=(PersonName(family="Zeal", given="Ann"),))
        assert self.shown(late, self.known()) == {("0000417", "Zeal, Ann")}

    def test_one_number_in_two_records_is_told_with_the_name_that_is_given(self) -> None:
        assert self.shown(self.known(names=()), self.known()) == {("0051743", "Fallowmere, Jory")}

    def test_the_temporary_number_stands_while_there_is_no_other(self) -> None:
        """A number that identifies nobody here, of a visit say, does not take its place."""
        visit = Identifier(f"{HOSPITAL}/visit", "1")
        number = Identifier(TEMPORARY_SYSTEM, "T-9")
        record = a_patient(
            identifiers=(visit, number), names=(ADDER,), temporary=frozenset({number.token})
        )
        assert self.shown(record) == {("T-9", "Adder, Unknown")}

    def test_without_a_number_on_record_the_one_that_was_pointed_at_is_told(self) -> None:
        for names in ((JORY,), ()):
            record = a_patient(identifiers=(), names=names)
            ref = patient_shown(Case("person-1", (record,), (), PATIENT.tokens), SITE)
            assert ref.identifier == MRN
            assert ref.display == ("Fallowmere, Jory" if names else None)
        bare = patient_shown(Case("person-1", (), (), frozenset({"Patient/p1"})), SITE)
        assert (bare.identifier, bare.display) == (None, None)


class TestWhereAUnitRan:
    """Procedure.location is of the unit's own steps."""

    def test_what_comes_later_elsewhere_does_not_move_it(self) -> None:
        facts = some_facts(start={"location": LARCH}, end={"location": LARCH})
        before = procedure(assessed(facts=facts, until=300))
        later = a_step(StepCode.DECLARE_EMERGENCY, "Task/far", after(200), location=THEATRE)
        assert before.location == LARCH
        assert procedure(assessed(later, facts=facts, until=300)) == before
        assert procedure(assessed(stay(THEATRE, 200), facts=facts, until=300)) == before

    def test_the_laboratory_that_took_it_back_is_not_where_it_ran(self) -> None:
        back = a_step(StepCode.DISCARD_UNIT, "Task/gone", after(130), location=place("laboratory"))
        facts = some_facts(start={"location": LARCH}, end={})
        assert procedure(assessed(back, facts=facts, until=300)).location == LARCH

    def test_it_ends_where_it_was_carried_on(self) -> None:
        facts = some_facts(start={"location": LARCH}, end={"location": THEATRE})
        assert procedure(assessed(facts=facts, until=300)).location == THEATRE

    def test_a_start_that_names_no_place_takes_that_of_its_check(self) -> None:
        facts = some_facts(check={"location": LARCH}, start={})
        assert procedure(assessed(facts=facts)).location == LARCH

    def test_else_where_the_patient_was_at_the_start(self) -> None:
        facts = some_facts(start={}, issue={"destination": CRITICAL})
        assert procedure(assessed(facts=facts)).location == CRITICAL
        assert procedure(assessed(stay(LARCH, -60), facts=facts)).location == LARCH
        assert procedure(assessed(stay(THEATRE, 10), facts=facts)).location == CRITICAL

    def test_of_a_unit_that_went_back_unused(self) -> None:
        back = a_step(StepCode.RETURN_UNIT, "Task/back", after(5), location=THEATRE)
        facts = [one for one in some_facts(issue={"destination": LARCH}) if one.key != "Task/start"]
        assert procedure(assessed(back, facts=facts)).location == LARCH


class TestAMoveWhileAUnitRuns:
    """REC-21: owner follows the location, deadlines unchanged, handover re-check task."""

    def test_asks_for_a_check_at_the_new_place_once(self) -> None:
        found = assessed(stay(THEATRE, 30))
        asked = request(found, "handover-recheck")
        assert asked is not None
        assert (asked.status, asked.location, asked.due) == ("requested", THEATRE, None)
        assert asked.owner == "ward"

    def test_takes_the_reminders_along_and_leaves_their_times(self) -> None:
        before, found = assessed(), assessed(stay(THEATRE, 30))
        assert (where(before), where(found)) == ("larch", "theatre-2")
        assert found.deadlines == before.deadlines
        asked, kept = (request(one, "next-observation") for one in (found, before))
        assert asked is not None
        assert kept is not None
        assert replace(asked, location=kept.location) == kept

    def test_is_answered_by_a_check_of_the_running_unit(self) -> None:
        again = a_check("Task/again", start=at(after(35)), end=at(after(38)))
        asked = request(assessed(stay(THEATRE, 30), again), "handover-recheck")
        assert asked is not None
        assert asked.status == "completed"
        early = request(assessed(stay(THEATRE, 40), again), "handover-recheck")
        assert early is not None
        assert early.status == "requested"

    def test_a_further_move_asks_again(self) -> None:
        again = a_check("Task/again", start=at(after(35)), end=at(after(38)))
        further = stay(CRITICAL, 45, "Encounter/e2")
        asked = request(assessed(stay(THEATRE, 30), again, further), "handover-recheck")
        assert asked is not None
        assert (asked.status, asked.location) == ("requested", CRITICAL)

    @pytest.mark.parametrize(
        "told",
        [
            (),
            (stay(LARCH, -60),),
            (stay(THEATRE, -60),),
            (stay(LARCH, 30),),
            (stay(None, 30),),
            (stay(place("larch-bed-4"), -60), stay(place("larch-bed-4"), 30, "Encounter/e2")),
        ],
    )
    def test_no_move_asks_for_nothing(self, told: tuple[Fact[Any], ...]) -> None:
        assert request(assessed(*told), "handover-recheck") is None

    def test_a_first_place_is_no_move(self) -> None:
        facts = some_facts(start={})
        assert request(assessed(stay(THEATRE, 30), facts=facts), "handover-recheck") is None

    def test_nothing_is_asked_once_the_bag_is_down_or_without_a_time_of_the_start(self) -> None:
        down = some_facts(start={"location": LARCH}, end={})
        assert (
            request(assessed(stay(THEATRE, 30), facts=down, until=300), "handover-recheck") is None
        )
        held = some_facts(start={"location": LARCH, "start": Moment(text="2025-06-02")})
        assert request(assessed(stay(THEATRE, 30), facts=held), "handover-recheck") is None

    def test_one_place_under_two_names_is_no_move(self) -> None:
        record = LocationRecord(identifiers=(LARCH.identifier,) if LARCH.identifier else ())
        known = fact(record, "Location/l1", subject=None)
        stays = stay(Ref(kind="Location", id="l1"), 30)
        assert request(assessed(stays, known), "handover-recheck") is None
        assert request(assessed(stays), "handover-recheck") is not None

    @pytest.mark.parametrize(("word", "asks"), [("Ward Larch", False), ("Theatre 2", True)])
    def test_places_known_by_name_only_compare_by_it(self, word: str, asks: bool) -> None:
        facts = some_facts(start={"location": Ref(kind="Location", display="Ward Larch")})
        stays = stay(Ref(kind="Location", display=word), 30)
        found = assessed(stays, facts=facts)
        assert (request(found, "handover-recheck") is not None) is asks


class TestWhenTheMoveWas:
    """One encounter is told again at each move; its own start is that of the admission."""

    FIRST = stay(LARCH, -600)

    def again(self, where: Ref | None, **said: Any) -> Any:
        told: dict[str, Any] = {"version": 2, "stamp": after(30), "digest": "again"} | said
        return stay(where, -600, **told)

    def test_a_new_version_moves_when_it_was_told(self) -> None:
        found = assessed(self.FIRST, self.again(THEATRE))
        assert where(found) == "theatre-2"
        assert request(found, "handover-recheck") is not None

    def test_or_when_it_says(self) -> None:
        """The patient went before the start; only its telling came after."""
        said = self.again(THEATRE, placed=at(after(-30)))
        assert request(assessed(self.FIRST, said), "handover-recheck") is None
        assert where(assessed(self.FIRST, said)) == "larch"

    def test_a_new_version_of_the_same_place_moves_nobody(self) -> None:
        facts = some_facts(start={"location": THEATRE})
        found = assessed(self.FIRST, self.again(LARCH), facts=facts)
        assert where(found) == "theatre-2"

    def test_a_version_without_a_place_or_in_error_tells_of_none(self) -> None:
        for told in (self.again(None), self.again(THEATRE, retracted=True)):
            third = replace(self.FIRST, version=3, stamp=after(40), digest="third")
            found = assessed(self.FIRST, told, third)
            assert where(found) == "larch"
            assert request(found, "handover-recheck") is None

    def test_a_corrected_place_is_where_the_patient_was_all_along(self) -> None:
        wrong = stay(THEATRE, 30, placed=at(after(30)))
        right = self.again(LARCH, stamp=after(40), placed=at(after(-60)))
        found = assessed(wrong, right)
        assert where(found) == "larch"
        assert request(found, "handover-recheck") is None

    def test_the_latest_decides_and_of_one_instant_the_step(self) -> None:
        stays, moved = stay(THEATRE, None), stay(THEATRE, 10, "Encounter/e2")
        step = a_step(StepCode.CHANGE_RATE, "Task/rate", after(10), location=CRITICAL)
        case = Case("person-1", (a_start(location=LARCH), stays), (), PATIENT.tokens)
        assert place_of(case) == LARCH
        case = Case("person-1", (a_start(location=LARCH), moved), (), PATIENT.tokens)
        assert place_of(case) == THEATRE
        case = Case("person-1", (a_start(location=LARCH), moved, step), (), PATIENT.tokens)
        assert place_of(case) == CRITICAL

    def test_without_any_it_is_where_the_unit_was_sent(self) -> None:
        case = Case("person-1", some_facts(issue={"destination": LARCH}), (), PATIENT.tokens)
        (unit,) = case.units.values()
        assert place_of(case, unit) == LARCH
        assert place_of(case) is None
        assert callback_of(case, None) is None
        assert callback_of(case, LARCH) is None


class TestWhyItStopped:
    """REC-10; Procedure.statusReason is the reason for the current state."""

    def reason(self, *more: Fact[Any], **end: Any) -> tuple[str, str | None]:
        found = procedure(assessed(an_end(**end), *more, until=300))
        return found.status, found.status_reason

    DISCARD = a_step(
        StepCode.DISCARD_UNIT, "Task/gone", after(130), reason="Out too long to be hung again"
    )

    def test_is_not_why_the_rest_was_thrown_away(self) -> None:
        said = self.reason(self.DISCARD, reason="Venous access lost")
        assert said == ("stopped", "Venous access lost")

    def test_is_the_discards_where_the_end_gave_none(self) -> None:
        assert self.reason(self.DISCARD) == ("stopped", "Out too long to be hung again")

    def test_of_a_unit_not_given_is_why_it_went_back(self) -> None:
        back = a_step(StepCode.RETURN_UNIT, "Task/back", after(5), reason="Not needed")
        facts = [one for one in some_facts(issue={}) if one.key != "Task/start"]
        assert an_issue().key in {one.key for one in facts}
        found = procedure(assessed(back, facts=facts))
        assert (found.status, found.status_reason) == ("not-done", "Not needed")
