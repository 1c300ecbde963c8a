"""The identity rules through the doors: what a sender writes, and what it is answered.

Sources as beside the rules: [S14][S15][S47] (ID-05), [S12][S13] (ID-20, ID-21), [S97] (ID-13).
"""

from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest

from tests.support.apps import Json, house, problem
from tests.support.authoring import resources
from tests.support.authoring.scene import bundle
from tests.support.authoring.steps import step
from tests.support.authoring.words import (
    HOSPITAL,
    LARK,
    OWN,
    PEMBER,
    VANE,
    Both,
    Worker,
    named,
    number,
    of_worker,
    own,
    same,
)
from tests.support.worlds import (
    BAG,
    PIKE,
    WREN,
    a_check,
    a_start,
    admission,
    answered,
    order_of,
    ready,
    tell,
    with_fields,
)

TEMPORARY = {"system": f"{HOSPITAL}/temporary", "value": "T-0061"}
LICENCE = {"system": f"{HOSPITAL}/licence", "value": "L-1"}
STRANGERS = number("patient", PIKE.number)
KEYED = ("bag-scan",)
BOTH = pytest.mark.parametrize("release", ["R4", "R5"])


def given(both: Both, word: str, kind: str, *values: Any) -> Both:
    """A step whose input of a word has these values instead."""
    changed = deepcopy(both)
    for task in changed.values():
        kept = [one for one in task["input"] if word_of(one) != word]
        kind_of = {"coding": [{"system": f"{OWN}/CodeSystem/step-input", "code": word}]}
        task["input"] = [*kept, *({"type": kind_of, f"value{kind}": v} for v in values)]
    return changed


def without(both: Both, words: tuple[str, ...]) -> Both:
    """A step without the inputs of some words."""
    for word in words:
        both = given(both, word, "String")
    return both


def word_of(one: Json) -> str:
    word: str = one["type"]["coding"][0]["code"]
    return word


def found(entry: Json) -> dict[str, str]:
    """The verdict of every rule's gravest finding that a step was answered."""
    told: dict[str, str] = {}
    for output in entry["resource"].get("output", []):
        if "valueCodeableConcept" not in output:
            continue
        words = [c["code"] for c in output["type"]["coding"] if c["system"].endswith("/verdict")]
        (rule,) = [c["code"] for c in output["valueCodeableConcept"]["coding"]]
        told.setdefault(rule, words[0] if words else "not-checked")
    return told


def told(check: Both, release: str, *before: Both, **how: Any) -> tuple[str, dict[str, str]]:
    """The answer to a check after what was told before, and its findings."""
    with house(at="2027-06-08T09:04:00+00:00", **how) as opened:
        entry = tell(opened, [*(before or ready()), check], release)[-1]
        return answered(entry), found(entry)


@BOTH
class TestTheRightPatient:
    """ID-05: band in use = label = order = issue, and all of them the patient on record."""

    def test_a_complete_check_is_not_objected_to(self, release: str) -> None:
        assert told(a_check(), release)[0] == "no-objection"

    def test_a_band_with_a_number_of_an_unknown_system(self, release: str) -> None:
        unknown = {"system": "https://elsewhere.example/number", "value": "0099102"}
        check = given(a_check(), "band-identifier", "Identifier", unknown)
        check = given(check, "band-scan", "String", unknown["value"])
        answer, rules = told(check, release)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    def test_a_room_that_the_record_lists_too(self, release: str) -> None:
        room = {"system": f"{HOSPITAL}/room", "value": "12"}
        person, *rest = ready()
        listed = with_fields(person, identifier=[number("patient", WREN.number), room])
        check = given(a_check(), "band-identifier", "Identifier", room)
        for word, kind, value in (
            ("band-scan", "String", room["value"]),
            ("label-identifier", "Identifier", room),
        ):
            check = given(check, word, kind, value)
        answer, rules = told(check, release, listed, *rest)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    @pytest.mark.parametrize(
        "scans", [(PIKE.number,), (WREN.number, PIKE.number), (f"{PIKE.number}{WREN.number}",)]
    )
    def test_a_scan_of_another_band(self, release: str, scans: tuple[str, ...]) -> None:
        answer, rules = told(given(a_check(), "band-scan", "String", *scans), release)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    def test_a_label_whose_birth_date_the_band_does_not_bear(self, release: str) -> None:
        check = a_check(leave_out=("band-birth-date",))
        assert told(check, release)[0] == "no-objection"
        wrong = given(check, "label-birth-date", "Date", PIKE.born)
        answer, rules = told(wrong, release)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    def test_a_temporary_band_that_bears_another_patients_number(self, release: str) -> None:
        """The patient is on record under both numbers, in two records that are linked."""
        person, *rest = ready()
        bare = same({"resourceType": "Patient", "identifier": [TEMPORARY], "gender": "female"})
        rest.append(bare)
        link = {"other": named("Patient", TEMPORARY), "type": "seealso"}
        both = with_fields(person, link=[link])
        texts = ("family", "given", "birth-date", "sample-number")
        bare_sides = tuple(f"{side}-{text}" for side in ("band", "label") for text in texts)
        check = without(given(a_check(), "band-scan", "String", TEMPORARY["value"]), bare_sides)
        for word in ("band-identifier", "label-identifier"):
            check = given(check, word, "Identifier", TEMPORARY)
        assert told(check, release, both, *rest)[0] == "authorise"
        for word in ("band-identifier", "label-identifier"):
            check = given(check, word, "Identifier", TEMPORARY, STRANGERS)
        answer, rules = told(check, release, both, *rest)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    @pytest.mark.parametrize(
        ("word", "kind", "value"),
        [
            ("band-identifier", "Identifier", {"value": PIKE.number}),
            ("label-identifier", "Identifier", {"value": PIKE.number}),
            ("band-family", "Integer", 7),
            ("band-birth-date", "Boolean", True),
        ],
    )
    def test_something_read_besides_that_cannot_be_used(
        self, release: str, word: str, kind: str, value: Any
    ) -> None:
        """A number without its system might be another patient's."""
        check = deepcopy(a_check())
        added = given(a_check(), word, kind, value)
        for task, more in zip(check.values(), added.values(), strict=True):
            task["input"].append(more["input"][-1])
        answer, rules = told(check, release)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    def test_a_name_that_only_looks_equal(self, release: str) -> None:
        check = given(a_check(), "label-family", "String", "\u0410shgrove")
        answer, rules = told(check, release)
        assert (answer, rules["ID-05"]) == ("refuse", "refuse")

    def test_the_patient_does_not_confirm_for_the_patient(self, release: str) -> None:
        check = given(a_check(), "spoken-confirmed", "Code", "unable")
        check = given(check, "spoken-unable", "CodeableConcept", {"text": "drowsy"})
        by = named("Patient", number("patient", WREN.number))
        answer, rules = told(given(check, "confirmed-by", "Reference", by), release)
        assert (answer, rules["ID-04"]) == ("refuse", "refuse")
        carer = {"type": "RelatedPerson", "display": "A relative"}
        answer, rules = told(given(check, "confirmed-by", "Reference", carer), release)
        assert (answer, rules["ID-04"]) == ("note", "note")


@BOTH
class TestIssuedToAnother:
    """PRE-05 and ID-05: a unit issued to another patient is theirs until it is returned."""

    def told(self, release: str, element: str = "", value: str | None = None) -> tuple[str, Any]:
        """The answer to a check where the same unit was issued to somebody else before."""
        theirs = resources.issue(PIKE, replace(BAG, issue="IS-OLD"), order_of(PIKE), "09:30")
        changed = {name: with_element(one, element, value) for name, one in theirs.items()}
        return told(a_check(), release, *admission(PIKE), *ready(), changed)

    def test_an_earlier_issue(self, release: str) -> None:
        answer, rules = self.told(release)
        assert (answer, rules["PRE-05"], rules["ID-05"]) == ("refuse", "refuse", "refuse")

    def test_one_without_a_time(self, release: str) -> None:
        answer, rules = self.told(release, "whenHandedOver")
        assert (answer, rules["PRE-05"], rules["ID-05"]) == ("refuse", "refuse", "refuse")

    def test_one_that_was_returned(self, release: str) -> None:
        answer, rules = self.told(release, "status", "returned")
        assert answer == "no-objection", rules


def with_element(issue: Json, element: str, value: str | None) -> Json:
    """An issue with an element changed or left out; in R4 elements are extensions of a Basic."""
    kept = []
    for one in issue.get("extension", []):
        (name,) = [key for key in one if key != "url"]
        if not element or not one["url"].endswith(f".{element}"):
            kept.append(one)
        elif value is not None:
            kept.append({"url": one["url"], name: value})
    plain = issue | ({element: value} if element in issue else {})
    plain |= {"extension": kept} if kept else {}
    return {name: held for name, held in plain.items() if held is not None}


@BOTH
class TestOneReferenceTwoPatients:
    """Design 4: a reference whose id is one patient's and whose identifier another's names nobody
    for certain, and is refused like an issue that names two patients."""

    def sent(
        self, release: str, value: str, *, system: str = "patient", link: bool = False
    ) -> tuple[int, str]:
        """How a check is answered whose patient is our id of the one and a number beside it."""
        first, *rest = ready()
        if link:
            other = named("Patient", number("patient", PIKE.number))
            first = with_fields(first, link=[{"other": other, "type": "seealso"}])
        with house(at="2027-06-08T09:04:00+00:00") as opened:
            entries = tell(opened, [*admission(PIKE), first, *rest], release)
            (own_id,) = [
                held["id"]
                for held in (entry["resource"] for entry in entries)
                if held["resourceType"] == "Patient" and held["birthDate"] == WREN.born
            ]
            who = {"reference": f"Patient/{own_id}", "identifier": number(system, value)}
            step = with_fields(a_check(), **{"for": who})
            answer = opened.post(f"/fhir/{release.lower()}/Task", step[release])
            if answer.status_code != 422:
                return answer.status_code, ""
            status, code, place = problem(answer)
            assert PIKE.number not in answer.text
            return status, f"{code} {place}"

    @pytest.mark.parametrize("value", [PIKE.number, "0099102"])
    def test_another_number_is_refused(self, release: str, value: str) -> None:
        assert self.sent(release, value) == (422, "business-rule Task.for")

    def test_the_patients_own_number_is_not(self, release: str) -> None:
        assert self.sent(release, WREN.number)[0] == 201

    def test_a_number_that_may_be_several_peoples_is_not(self, release: str) -> None:
        assert self.sent(release, "0099102", system="insurance")[0] == 201

    def test_a_number_in_a_system_that_the_record_has_none_of_is_not(self, release: str) -> None:
        assert self.sent(release, "T-9", system="temporary")[0] == 201

    def test_the_number_of_a_joined_record_is_not(self, release: str) -> None:
        assert self.sent(release, PIKE.number, link=True)[0] == 201

    def test_a_patient_of_the_same_transaction(self, release: str) -> None:
        wrong = deepcopy(ready()[0])
        issue = resources.issue(WREN, BAG, order_of(WREN), "09:50")
        path = f"/fhir/{release.lower()}"
        for value, status in ((WREN.number, 200), (PIKE.number, 422)):
            with house(at="2027-06-08T09:04:00+00:00") as opened:
                sent = bundle([resources.unit(BAG), wrong, issue], release)
                urn = sent["entry"][1]["fullUrl"]
                held = sent["entry"][2]["resource"]
                pointing(held, {"reference": urn, "identifier": number("patient", value)})
                assert opened.post(path, sent).status_code == status


def pointing(issue: Json, who: Json) -> None:
    """Lets an issue name its patient by a reference."""
    for name in ("patient", "subject"):
        if name in issue:
            issue[name] = who
    for one in issue.get("extension", []):
        if one["url"].endswith(".patient"):
            one["valueReference"] = who


def practitioner(worker: Worker, *numbers: Json) -> Both:
    return same(
        {
            "resourceType": "Practitioner",
            "identifier": [number("staff", worker.number), *numbers],
            "name": [{"text": worker.name}],
        }
    )


def role(value: str, who: Json | None) -> Both:
    held: Json = {"resourceType": "PractitionerRole", "identifier": [number("role", value)]}
    return same(held | ({"practitioner": who} if who else {}))


def of_role(value: str) -> Json:
    return named("PractitionerRole", number("role", value))


def second(who: Json) -> Both:
    """A check by two people without a scan of the bag."""
    return given(a_check(leave_out=KEYED), "second-checker", "Reference", who)


@BOTH
class TestTwoPersons:
    """ID-20, ID-21: persons compare as Practitioner after resolving roles and identifiers."""

    def rules(self, who: Json, release: str, *staff: Both) -> set[str]:
        _, rules = told(second(who), release, *ready(), *staff)
        return {rule for rule in ("ID-20", "ID-21") if rules.get(rule) == "refuse"}

    def test_two_numbers_of_staff(self, release: str) -> None:
        assert self.rules(of_worker(LARK), release) == set()

    @pytest.mark.parametrize("who", [None, {"type": "Practitioner", "display": "Somebody"}])
    def test_a_role_of_nobody_known(self, release: str, who: Json | None) -> None:
        assert self.rules(of_role("R-1"), release, role("R-1", who)) == {"ID-20"}
        assert self.rules(of_role("R-9"), release, role("R-1", who)) == {"ID-20"}

    def test_a_role_of_the_first_checker(self, release: str) -> None:
        """Whether the role came in this very transaction or before."""
        mine = role("R-1", of_worker(PEMBER))
        assert self.rules(of_role("R-1"), release, mine) == {"ID-20", "ID-21"}
        assert self.rules(of_role("R-1"), release, mine, practitioner(PEMBER)) == {
            "ID-20",
            "ID-21",
        }
        with house(at="2027-06-08T09:04:00+00:00") as opened:
            tell(opened, [*ready(), mine], release)
            rules = found(tell(opened, [second(of_role("R-1"))], release)[-1])
        assert (rules["ID-20"], rules["ID-21"]) == ("refuse", "refuse")

    def test_a_role_of_another(self, release: str) -> None:
        theirs = role("R-2", of_worker(LARK))
        assert self.rules(of_role("R-2"), release, theirs) == set()
        assert self.rules(of_role("R-2"), release, practitioner(LARK), theirs) == set()

    def test_the_first_checker_under_another_number(self, release: str) -> None:
        licensed = named("Practitioner", LICENCE)
        assert self.rules(licensed, release) == {"ID-20"}
        known = practitioner(PEMBER, LICENCE)
        assert self.rules(licensed, release, known) == {"ID-20", "ID-21"}
        assert self.rules(licensed, release, practitioner(LARK, LICENCE)) == set()

    @pytest.mark.parametrize(
        "who",
        [
            {"type": "Practitioner", "display": "Somebody"},
            {"type": "Patient", "identifier": number("patient", WREN.number)},
            {"type": "RelatedPerson", "display": "A relative"},
            {"type": "Device", "identifier": number("device", "D-1")},
        ],
    )
    def test_who_is_no_numbered_person_of_staff(self, release: str, who: Json) -> None:
        assert self.rules(who, release) == {"ID-20"}

    def test_two_names_without_numbers(self, release: str) -> None:
        nobody = {"type": "Practitioner", "display": "A nurse"}
        other = {"type": "Practitioner", "display": "Another nurse"}
        check = with_fields(second(other), owner=nobody)
        _, rules = told(check, release)
        assert rules["ID-20"] == "refuse"

    def test_a_contained_person_with_the_first_checkers_number(self, release: str) -> None:
        held = {
            "resourceType": "Practitioner",
            "id": "n",
            "identifier": [number("staff", PEMBER.number)],
        }
        check = with_fields(second({"reference": "#n"}), contained=[held])
        _, rules = told(check, release)
        assert (rules["ID-20"], rules["ID-21"]) == ("refuse", "refuse")

    def test_a_starter_by_a_role_that_is_not_known(self, release: str) -> None:
        start = with_fields(a_start(), owner=of_role("R-9"))
        _, rules = told(start, release, *ready(), a_check())
        assert rules["ID-21"] == "refuse"


@BOTH
class TestAuthoriser:
    """Rules 0: the authoriser is neither of the two checkers; persons compare as in ID-21."""

    def started(self, release: str, who: Json, *staff: Both) -> str:
        """How the start is answered after an unmet requirement was authorised."""
        reason = {"text": "No CMV negative unit in stock"}
        allowed = step(
            "authorise",
            "AUT-1",
            WREN,
            "10:04:30",
            ("rule", "CodeableConcept", own("rule", "PRE-03")),
            ("reason", "CodeableConcept", reason),
            bag=BAG,
            order=order_of(WREN),
        )
        before = [*ready(requirements=("cmv-negative",)), *staff, a_check()]
        with house(at="2027-06-08T09:04:00+00:00") as opened:
            assert answered(tell(opened, before, release)[-1]) == "authorise"
            opened.clock.set(opened.clock.now().replace(minute=6))
            sent = [with_fields(allowed, owner=who), a_start()]
            return answered(tell(opened, sent, release)[-1])

    def test_another_person(self, release: str) -> None:
        assert self.started(release, of_worker(VANE)) == "no-objection"

    @pytest.mark.parametrize("who", [PEMBER, LARK])
    def test_a_checker(self, release: str, who: Worker) -> None:
        assert self.started(release, of_worker(who)) == "authorise"

    def test_a_number_that_may_be_a_checkers(self, release: str) -> None:
        licensed = named("Practitioner", LICENCE)
        assert self.started(release, licensed) == "authorise"
        assert self.started(release, licensed, practitioner(PEMBER, LICENCE)) == "authorise"
        assert self.started(release, licensed, practitioner(VANE, LICENCE)) == "no-objection"

    def test_a_role_that_is_not_known(self, release: str) -> None:
        assert self.started(release, of_role("R-9")) == "authorise"
        theirs = role("R-9", of_worker(VANE))
        assert self.started(release, of_role("R-9"), theirs) == "no-objection"
