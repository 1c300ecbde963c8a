"""Task: bedside steps with all their inputs, laboratory answers, and partners' replies."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import Moment
from service.facts.records import Reply
from service.facts.steps import Step, StepCode
from service.facts.unit import UNIT_SYSTEM, Group, UnitKey, UnitRef
from service.fhir.codes import load_codes
from service.fhir.own import EMITTED_SYSTEM
from service.fhir.read.inputs import ENUMERATED
from tests.support.reading import (
    HOSPITAL,
    ROOT,
    SNOMED,
    Json,
    body,
    codes,
    concept,
    own,
    patient_ref,
    quantity,
    read_one,
    step,
)

OUT_EARLY, OUT_LATE = "2025-06-02T09:30:00Z", "2025-06-02T09:50:00Z"


def per_hour(value: str) -> Json:
    """A rate."""
    return quantity(value, "mL/h")


SCANS = [("bag-scan", "valueString", scan) for scan in ("=A99992600471100", "=<E0398V00")]


def of(code: str, *inputs: tuple[str, str, Any], **more: Any) -> Step:
    """A step read without complaint."""
    reading = read_one(step(code, inputs, **more))
    assert reading.problems == ()
    assert reading.warnings == ()
    (only,) = reading.bodies
    assert isinstance(only, Step)
    return only


class TestRefusals:
    """4xx only without identifier, code, for, executionPeriod.start, or (focus or bag scans)."""

    @pytest.mark.parametrize(
        ("missing", "place"),
        [
            ("identifier", "Task.identifier"),
            ("code", "Task.code"),
            ("for", "Task.for"),
            ("executionPeriod", "Task.executionPeriod.start"),
            ("focus", "Task.focus"),
        ],
    )
    def test_what_every_step_must_have(self, missing: str, place: str) -> None:
        reading = read_one(step("check-unit", **{missing: None}))
        assert reading.status == 400
        assert [problem.expression for problem in reading.problems] == [place]
        assert reading.problems[0].code == "required"
        assert reading.bodies == ()

    def test_all_that_is_missing_is_told_at_once(self) -> None:
        task = {"resourceType": "Task", "status": "completed", "intent": "order"}
        assert len(read_one(task).problems) == 4

    def test_an_unknown_step_is_422(self) -> None:
        task = step("start") | {"code": concept("local", "hang", "Hang it")}
        reading = read_one(task)
        assert reading.status == 422
        assert reading.problems[0].code == "code-invalid"
        assert reading.problems[0].expression == "Task.code"
        assert reading.unmapped[0].code == "hang"

    def test_a_time_without_a_zone_is_400(self) -> None:
        reading = read_one(step("start", executionPeriod={"start": "2025-06-02T10:00:00"}))
        assert reading.status == 400
        assert reading.problems[0].expression == "Task.executionPeriod.start"

    def test_a_patient_that_is_no_patient_is_refused(self) -> None:
        assert read_one(step("start", **{"for": {"reference": "Device/1"}})).problems

    def test_bag_scans_stand_in_for_a_focus(self) -> None:
        assert of("start", *SCANS, focus=None).unit.key == UnitKey("A999926004711", "E0398")

    @pytest.mark.parametrize(
        "code", ["declare-emergency", "suspect-reaction", "acknowledge", "change-set"]
    )
    def test_a_step_done_to_no_bag_needs_none(self, code: str) -> None:
        assert of(code, focus=None).code == code

    @pytest.mark.parametrize("status", ["requested", "in-progress", "cancelled"])
    def test_an_uncompleted_step_is_stored_and_states_nothing(self, status: str) -> None:
        reading = read_one(step("start", status=status))
        assert reading.problems == ()
        assert reading.bodies == ()
        assert reading.warnings

    def test_entered_in_error_retracts(self) -> None:
        reading = read_one(step("start", status="entered-in-error"))
        assert reading.retracted
        assert len(reading.bodies) == 1


class TestEveryCode:
    """All steps of the contract are known, in both releases, with the same facts."""

    @pytest.mark.parametrize("code", [code.value for code in StepCode])
    def test_it_is_read(self, code: str) -> None:
        assert of(code).code == code
        assert body(step(code), "R4") == body(step(code), "R5")

    def test_a_site_may_map_its_own_codes(self, tmp_path: Path) -> None:
        (tmp_path / "steps.toml").write_text(
            '[[code]]\nsystem = "local"\ncode = "HANG"\ndisplay = "Hang"\nword = "start"\n'
            'since = 2026-01-01\nsource = "the site"\n'
        )
        task = step("end") | {"code": concept("local", "HANG")}
        held = load_codes(ROOT / "mappings" / "codes", tmp_path)
        assert body(task, codes=held).code is StepCode.START


class TestWhichUnit:
    """The scanned bag is what hung and decides; what was meant stays beside it."""

    def test_the_scan_decides(self) -> None:
        meant = {"type": "BiologicallyDerivedProduct"} | {
            "identifier": {"system": UNIT_SYSTEM, "value": "A999926004712/E0398/000000"}
        }
        found = of("start", *SCANS, focus=meant)
        assert found.unit.key == UnitKey("A999926004711", "E0398")
        assert found.focus is not None
        assert found.focus.key == UnitKey("A999926004712", "E0398")

    def test_without_a_scan_what_was_meant_decides(self) -> None:
        assert of("end").unit == UnitRef(resource="BiologicallyDerivedProduct/u1")

    def test_a_group_scan_alone_identifies_no_bag(self) -> None:
        found = of("start", ("bag-scan", "valueString", "=%6200"))
        assert found.unit == UnitRef(resource="BiologicallyDerivedProduct/u1")
        assert found.bag is not None
        assert found.bag.group == Group(abo="A", rhd="positive")

    def test_typed_numbers_are_no_machine_identification(self) -> None:
        found = of(
            "start",
            ("bag-donation-number", "valueString", "A9999 26 004711"),
            ("bag-product-code", "valueString", "E0398V00"),
            ("bag-group", "valueString", "A POS"),
            ("bag-expiry", "valueDateTime", "2025-06-30T23:59:00-04:00"),
        )
        assert found.unit.key == UnitKey("A999926004711", "E0398")
        assert found.bag is not None
        assert not found.bag.scanned
        assert found.bag.group == Group(abo="A", rhd="positive")

    def test_a_scan_is_never_tidied(self) -> None:
        found = of("start", ("bag-scan", "valueString", " =A99992600471100"))
        assert found.bag is not None
        assert found.bag.scans[0].raw == " =A99992600471100"
        assert found.bag.faults

    def test_a_wrong_check_character_is_a_fault(self) -> None:
        """ID-12: the DIN's check character, ISO 7064 mod 37-2 [S21]."""
        found = of(
            "check-unit",
            ("label-donation-number", "valueString", "G123498654321J"),
            ("bag-donation-number", "valueString", "G123498654321H"),
        )
        assert found.label is not None
        assert found.label.din is None
        assert found.label.din_fault
        assert found.bag is not None
        assert found.bag.unit.din == "G123498654321"

    def test_a_red_cell_antigen_code_is_no_group(self) -> None:
        """The hazard of ST-001 2.2: read without its data identifier it says A RhD positive."""
        found = of("check-unit", ("bag-scan", "valueString", "=\\620000000000000000"))
        assert found.bag is not None
        assert found.bag.group is None


CHECK: tuple[tuple[str, str, Any, str, Any], ...] = (
    ("band-scan", "valueString", "0043817", "band.scans", ("0043817",)),
    (
        "band-identifier",
        "valueIdentifier",
        {"system": "s", "value": "1"},
        "band.identifiers",
        (Identifier("s", "1"),),
    ),
    ("band-family", "valueString", "Ashgrove", "band.name.family", "Ashgrove"),
    ("band-given", "valueString", "Wren", "band.name.given", "Wren"),
    ("band-birth-date", "valueDate", "1961-04-12", "band.birth_date", "1961-04-12"),
    ("band-sample-number", "valueString", "S-1", "band.sample_number", "S-1"),
    ("read-aloud-match", "valueBoolean", True, "band.read_aloud", True),
    (
        "label-identifier",
        "valueIdentifier",
        {"system": "s", "value": "1"},
        "label.identifiers",
        (Identifier("s", "1"),),
    ),
    ("label-family", "valueString", "Ashgrove", "label.name", PersonName(family="Ashgrove")),
    ("label-given", "valueString", "Wren", "label.name.given", "Wren"),
    ("label-birth-date", "valueDate", "1961-04", "label.birth_date", "1961-04"),
    ("label-sample-number", "valueString", "S-1", "label.sample_number", "S-1"),
    ("label-donation-number", "valueString", "A999926004711", "label.din", "A999926004711"),
    ("label-product-code", "valueString", "E0398V00", "label.product", "E0398"),
    ("label-product-code", "valueString", "E0398V00", "label.division", "000000"),
    ("label-product-code", "valueString", "E0398", "label.division", None),
    (
        "label-patient-group",
        "valueString",
        "O-",
        "label.patient_group",
        Group(abo="O", rhd="negative"),
    ),
    (
        "label-unit-group",
        "valueCodeableConcept",
        concept(SNOMED, "278149003"),
        "label.unit_group",
        Group(abo="A", rhd="positive"),
    ),
    (
        "label-unit-group",
        "valueString",
        "=%6200",
        "label.unit_group",
        Group(abo="A", rhd="positive"),
    ),
    ("spoken-confirmed", "valueCode", "differs", "spoken", "differs"),
    (
        "spoken-unable",
        "valueCodeableConcept",
        {"text": "unconscious"},
        "spoken_unable",
        "unconscious",
    ),
    (
        "confirmed-by",
        "valueReference",
        {"reference": "Practitioner/3"},
        "confirmed_by",
        Ref(kind="Practitioner", id="3"),
    ),
    ("appearance", "valueCode", "abnormal", "appearance", "abnormal"),
    ("interrupted", "valueBoolean", True, "interrupted", True),
    ("access-gauge", "valueInteger", 20, "access_gauge", 20),
    ("filter", "valueQuantity", quantity("200", "um"), "filter_um", Decimal(200)),
    ("fluid", "valueCodeableConcept", {"text": "Normal saline"}, "fluid", "sodium-chloride-0.9"),
    ("fluid", "valueCodeableConcept", {"text": "Mannitol"}, "fluid", "Mannitol"),
    ("lumen", "valueCodeableConcept", own("lumen", "same"), "lumen", "same"),
    (
        "container",
        "valueCodeableConcept",
        own("container", "validated-container"),
        "container",
        "validated-container",
    ),
    ("rate", "valueQuantity", quantity("2", "mL/min"), "rate", Decimal(120)),
    ("set", "valueReference", {"reference": "Device/s"}, "set", Ref(kind="Device", id="s")),
    (
        "line",
        "valueIdentifier",
        {"system": "s", "value": "L"},
        "line",
        Ref(kind="Device", identifier=Identifier("s", "L")),
    ),
    ("volume-given", "valueQuantity", quantity("0.25", "L"), "volume_given", Decimal(250)),
    ("reason", "valueCodeableConcept", concept("r", "x", "Clotted line"), "reason", "Clotted line"),
    ("reason", "valueCodeableConcept", concept("r", "x"), "reason_code", "r|x"),
    ("temperature", "valueQuantity", quantity("6.5", "Cel"), "temperature", Decimal("6.5")),
    ("seal-intact", "valueBoolean", False, "seal_intact", False),
    ("rule", "valueCode", "COMP-02", "rules", ("COMP-02",)),
    ("rule", "valueCodeableConcept", concept("rules", "PRE-02"), "rules", ("PRE-02",)),
    ("sign", "valueCodeableConcept", own("sign", "rigors"), "signs", ("rigors",)),
    ("identity-recheck", "valueCode", "mismatch", "identity_recheck", "mismatch"),
    ("bag-inspection", "valueCodeableConcept", {"text": "leak"}, "bag_inspection", "leak"),
    ("treatment", "valueCodeableConcept", {"text": "adrenaline"}, "treatment", ("adrenaline",)),
    ("samples-sent", "valueCodeableConcept", {"text": "EDTA"}, "samples_sent", ("EDTA",)),
    ("bag-and-set-sent", "valueBoolean", True, "bag_and_set_sent", True),
    ("needs-more-blood", "valueCode", "now", "needs_more_blood", "now"),
    ("contact", "valueString", "4455", "contact", "4455"),
    (
        "notice",
        "valueIdentifier",
        {"system": EMITTED_SYSTEM, "value": "u-1"},
        "notice",
        Identifier(EMITTED_SYSTEM, "u-1"),
    ),
    (
        "notice",
        "valueReference",
        {"reference": "Task/u-1"},
        "notice",
        Identifier(EMITTED_SYSTEM, "u-1"),
    ),
)
TIMES = {
    "second-checked-at": "second_checked_at",
    "out-since": "out_since",
    "valid-until": "valid_until",
    "onset": "onset",
    "flow-stopped-at": "flow_stopped_at",
}


class TestInputs:
    """Every input of the contract fills its field."""

    @pytest.mark.parametrize(("word", "name", "value", "field", "expected"), CHECK)
    def test_each(self, word: str, name: str, value: Any, field: str, expected: Any) -> None:
        found: Any = of("check-unit", (word, name, value))
        for attribute in field.split("."):
            found = getattr(found, attribute)
        assert found == expected

    @pytest.mark.parametrize(("word", "field"), TIMES.items())
    def test_each_time(self, word: str, field: str) -> None:
        found = of("check-unit", (word, "valueDateTime", "2025-06-02T09:00:00Z"))
        assert getattr(found, field).text == "2025-06-02T09:00:00Z"

    @pytest.mark.parametrize("word", ["label-expiry", "bag-expiry"])
    def test_each_expiry(self, word: str) -> None:
        for name, value in (
            ("valueDateTime", "2026-12-08T23:59:00-05:00"),
            ("valueString", "&>0263422359"),
            ("valueString", "08 DEC 2026 23:59"),
        ):
            found = of("check-unit", (word, name, value))
            held = found.label if word.startswith("label") else found.bag
            assert held is not None
            assert held.expiry is not None
            assert held.expiry.instant is not None
            assert held.expiry.instant.isoformat() == "2026-12-09T04:59:00+00:00"

    def test_the_second_checker(self) -> None:
        named = {"type": "Practitioner", "identifier": {"system": "s", "value": "2"}}
        found = of("check-unit", ("second-checker", "valueReference", named))
        assert found.second_checker is not None
        assert found.second_checker.keys == {"s|2"}

    def test_every_input_word_is_tested_here(self) -> None:
        tested = {row[0] for row in CHECK} | TIMES.keys() | {"label-expiry", "bag-expiry"}
        tested |= {"bag-scan", "bag-donation-number", "bag-product-code", "bag-group"}
        assert tested | {"second-checker"} == codes().concepts["step-inputs"].words

    def test_repeated_inputs_are_all_kept(self) -> None:
        found = of(
            "suspect-reaction",
            ("sign", "valueCodeableConcept", own("sign", "rigors")),
            ("sign", "valueCodeableConcept", concept(SNOMED, "267036007")),
            ("treatment", "valueCodeableConcept", {"text": "oxygen"}),
            ("treatment", "valueCodeableConcept", {"text": "saline"}),
        )
        assert found.signs == ("rigors", "dyspnoea")
        assert found.treatment == ("oxygen", "saline")

    def test_nothing_sent_is_nothing_said(self) -> None:
        found = of("check-unit")
        assert (found.band, found.label, found.bag) == (None, None, None)
        assert found.unusable == ()


class TestUnusableInputs:
    """What was sent and cannot be used is named, warned of, and then missing: never a 4xx."""

    def unusable(self, word: str, name: str, value: Any) -> Step:
        reading = read_one(step("check-unit", [(word, name, value)]))
        assert reading.problems == ()
        assert reading.warnings
        (found,) = reading.bodies
        assert isinstance(found, Step)
        return found

    @pytest.mark.parametrize(
        ("word", "name", "value"),
        [
            ("rate", "valueQuantity", quantity("3", "kg")),
            ("rate", "valueQuantity", {"value": 3, "unit": "mL/h"}),
            ("rate", "valueString", "120 mL/h"),
            ("label-patient-group", "valueString", "probably A"),
            ("label-expiry", "valueString", "soon"),
            ("label-product-code", "valueString", "??"),
            ("band-identifier", "valueIdentifier", {"value": "0043817"}),
            ("interrupted", "valueString", "no"),
            ("second-checker", "valueReference", {"reference": "Organization/1"}),
        ],
    )
    def test_each(self, word: str, name: str, value: Any) -> None:
        assert self.unusable(word, name, value).unusable == (word,)

    @pytest.mark.parametrize("word", sorted(ENUMERATED))
    def test_a_code_outside_its_list(self, word: str) -> None:
        assert self.unusable(word, "valueCode", "perhaps").unusable == (word,)

    @pytest.mark.parametrize(
        ("word", "kind", "said", "read", "unusable"),
        [
            ("appearance", "Code", ("normal", "abnormal"), "abnormal", False),
            ("appearance", "Code", ("normal", "mottled"), None, True),
            ("appearance", "Code", ("abnormal", "mottled"), "abnormal", True),
            ("spoken-confirmed", "Code", ("matches", "unable"), "unable", False),
            ("spoken-confirmed", "Code", ("unable", "differs"), "differs", False),
            ("identity-recheck", "Code", ("match", "mismatch"), "mismatch", False),
            ("needs-more-blood", "Code", ("none", "now"), "now", False),
            ("interrupted", "Boolean", (False, True), True, False),
            ("seal-intact", "Boolean", (True, False), False, False),
            ("access-gauge", "Integer", (18, 22), None, True),
            ("out-since", "DateTime", (OUT_LATE, OUT_EARLY), OUT_EARLY, False),
            ("out-since", "DateTime", (OUT_LATE, "2025-06-02"), None, True),
            ("second-checked-at", "DateTime", (OUT_LATE, OUT_EARLY), None, True),
            ("rate", "Quantity", (per_hour("120"), per_hour("150")), None, True),
            ("rate", "Quantity", (per_hour("120"), per_hour("120.0")), Decimal(120), False),
            ("fluid", "String", ("Normal saline", "Glucose 5%"), "glucose", False),
            ("fluid", "String", ("Normal saline", "Blue mixture"), "Blue mixture", False),
            ("lumen", "String", ("Other lumen", "Same lumen"), "same", False),
            ("container", "String", ("Monitored refrigerator", "A bucket"), "A bucket", False),
            ("reason", "String", ("Fever", "Rash"), "Fever / Rash", False),
        ],
    )
    def test_one_value_said_twice_differently(
        self, word: str, kind: str, said: tuple[Any, ...], read: Any, unusable: bool
    ) -> None:
        """The worse of the two; numbers and times that have no worse side are unusable."""
        reading = read_one(step("check-unit", [(word, f"value{kind}", value) for value in said]))
        (found,) = reading.bodies
        assert isinstance(found, Step)
        fields = {"filter": "filter_um", "spoken-confirmed": "spoken"}
        value = getattr(found, fields.get(word, word.replace("-", "_")))
        assert (value.text if isinstance(value, Moment) else value) == read
        assert (word in found.unusable) is unusable
        assert reading.warnings or kind == "Quantity"

    def test_names_said_twice_differently_match_nothing(self) -> None:
        """rules.md 2.1: a name that is present and differs is a mismatch, never left out."""
        said = [
            ("band-family", "valueString", "Ashgrove"),
            ("band-family", "valueString", "Ashgrave"),
            ("band-birth-date", "valueDate", "1961-04-12"),
            ("band-birth-date", "valueDate", "1961-04-21"),
        ]
        (found,) = read_one(step("check-unit", said)).bodies
        assert isinstance(found, Step)
        assert found.band is not None
        assert found.band.name.family == "Ashgrove / Ashgrave"
        assert found.band.birth_date == "1961-04-12 / 1961-04-21"

    @pytest.mark.parametrize("said", [("A RhD positive", "B RhD positive"), ("group seven",)])
    def test_a_group_that_cannot_be_told_is_a_group_that_is_not_known(
        self, said: tuple[str, ...]
    ) -> None:
        inputs = [("label-patient-group", "valueString", text) for text in said]
        (found,) = read_one(step("check-unit", inputs)).bodies
        assert isinstance(found, Step)
        assert found.label is not None
        assert found.label.patient_group == Group()
        assert "label-patient-group" in found.unusable

    def test_of_two_expiries_the_earlier_counts(self) -> None:
        said = [
            ("label-expiry", "valueString", text) for text in ("31 MAY 2025 23:59", "2025-05-30")
        ]
        (found,) = read_one(step("check-unit", said)).bodies
        assert isinstance(found, Step)
        assert found.label is not None
        assert found.label.expiry is not None
        assert found.label.expiry.text == "2025-05-30"

    def test_one_value_said_twice_the_same(self) -> None:
        twice = [("appearance", "valueCode", "normal")] * 2
        assert of("check-unit", *twice).appearance == "normal"

    def test_an_unknown_input_is_listed(self) -> None:
        reading = read_one(step("check-unit", [("mood", "valueString", "good")]))
        assert reading.problems == ()
        assert reading.unmapped[0].concept == "step-inputs"

    def test_an_unknown_sign_keeps_its_wording(self) -> None:
        reading = read_one(
            step("suspect-reaction", [("sign", "valueCodeableConcept", {"text": "tingling"})])
        )
        (found,) = reading.bodies
        assert isinstance(found, Step)
        assert (found.signs, found.unknown_signs) == ((), ("tingling",))

    def test_a_time_without_a_zone_refuses_the_step(self) -> None:
        told = [("onset", "valueDateTime", "2025-06-02T09:00:00")]
        assert read_one(step("suspect-reaction", told)).status == 400


class TestReplies:
    """A Task with our emitted identifier is a partner's reply, never a step and no echo."""

    def reply(self, **more: Any) -> Reply:
        task: Json = {
            "resourceType": "Task",
            "identifier": [
                {"system": EMITTED_SYSTEM, "value": "u-1"},
                {"system": f"{HOSPITAL}/lab", "value": "W-3"},
            ],
            "status": "accepted",
            "intent": "order",
            "for": patient_ref(),
            "lastModified": "2025-06-02T11:00:00Z",
        }
        found: Reply = body(task | more.pop("task", {}), **more)
        return found

    def test_it_answers_the_notice(self) -> None:
        reply = self.reply()
        assert reply.notice == Identifier(EMITTED_SYSTEM, "u-1")
        assert reply.status == "accepted"
        assert reply.at is not None

    def test_our_identity_is_looked_up(self) -> None:
        reply = self.reply(ours=lambda named: Identifier("ours", f"event/{named.value}"))
        assert reply.notice == Identifier("ours", "event/u-1")

    def test_the_reason_in_both_releases(self) -> None:
        said = {"text": "Out of stock"}
        in_r5 = self.reply(task={"statusReason": {"concept": said}, "status": "rejected"})
        in_r4 = self.reply(task={"statusReason": said, "status": "rejected"}, release="R4")
        assert in_r4 == in_r5
        assert in_r5.reason == "Out of stock"

    def test_any_other_resource_with_our_identifier_is_an_echo(self) -> None:
        echo = {
            "resourceType": "Procedure",
            "identifier": [{"system": EMITTED_SYSTEM, "value": "u-2"}],
            "status": "completed",
            "code": concept(SNOMED, "116859006"),
            "subject": patient_ref(),
            "occurrenceDateTime": "2025-06-02T10:00:00Z",
        }
        assert read_one(echo).bodies == ()
        tagged = {**echo, "identifier": [], "meta": {"tag": [{"system": EMITTED_SYSTEM}]}}
        assert read_one(tagged).bodies == ()
