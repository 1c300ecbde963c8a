"""An unknown code in each coded element that a rule relies on, through the doors, in both releases.

rules.md 0: missing is never no-objection (but where a row is off without the data); so what was
said in no known word must not come out better than the rule's row for what is missing. An element
with a required binding is refused instead: nothing of it is stored.
"""

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import pytest

from service.facts.finding import VERDICT_WORDS, Verdict
from tests.support import apps
from tests.support.authoring import resources
from tests.support.authoring.words import (
    CROSS,
    LOINC,
    Both,
    Json,
    amount,
    concept,
    crossed,
    of_person,
    ours,
    own,
    same,
)
from tests.support.bedsides import Bed, kind_of, label_of, with_inputs
from tests.support.worlds import WREN, admission, supply, with_fields

LOCAL = concept("https://harrow-vale.example/id/code", "ZZ-9", "Words of our own")
WORDS = {word: verdict for verdict, word in VERDICT_WORDS.items()}
RHD = "10331-7"


@pytest.fixture(params=apps.RELEASES)
def release(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def house() -> Iterator[apps.House]:
    with apps.house(at="2027-06-08T09:05:00+00:00") as opened:
        yield opened


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One element in no known word.

    what: names the resource. change: makes the element unknown, given the resource and release.
    rule: who relies on it. least: what the rule's row says of missing data. place: the element in
    the sender's own release, as the warning names it, the same for both where it is one text.
    """

    what: str
    change: Callable[[Json, str], None]
    rule: str
    least: Verdict
    place: str | tuple[str, str] = ""


def field(name: str, value: Any) -> Callable[[Json, str], None]:
    """Sets an element to a value."""

    def change(resource: Json, release: str) -> None:
        resource[name] = deepcopy(value)

    return change


def extended(*extensions: Json) -> Callable[[Json, str], None]:
    """Adds extensions."""

    def change(resource: Json, release: str) -> None:
        resource["extension"] = [*resource.get("extension", []), *extensions]

    return change


def unit_status(resource: Json, release: str) -> None:
    """R5's element, or its cross-version extension."""
    coding = LOCAL["coding"][0]
    if release == "R5":
        resource["productStatus"] = coding
    else:
        name = "BiologicallyDerivedProduct.productStatus"
        resource["extension"].append(crossed(name, valueCoding=coding))


def unit_property(kind: str) -> Callable[[Json, str], None]:
    """One more property of the unit, its value unknown."""
    of_type = own("property-type", kind)

    def change(resource: Json, release: str) -> None:
        if release == "R5":
            resource["property"].append({"type": of_type, "valueCodeableConcept": LOCAL})
            return
        parts = [
            {"url": "type", "valueCodeableConcept": of_type},
            {"url": "value", "valueCodeableConcept": LOCAL},
        ]
        name = "BiologicallyDerivedProduct.property"
        resource["extension"].append(crossed(name, extension=parts))

    return change


def order_detail(detail: Json) -> Callable[[Json, str], None]:
    """A special requirement: R4 writes it as a concept of its own, R5 as a parameter."""

    def change(resource: Json, release: str) -> None:
        if release == "R4":
            resource["orderDetail"].append(detail)
            return
        code = own("order-parameter", "special-requirement")
        value = {"code": code, "valueCodeableConcept": detail}
        resource["orderDetail"].append({"parameter": [value]})

    return change


def order_parameter(resource: Json, release: str) -> None:
    """A parameter whose code nobody knows: it may be a requirement."""
    if release == "R5":
        resource["orderDetail"].append({"parameter": [{"code": LOCAL, "valueBoolean": True}]})
        return
    parts = [
        {"url": "code", "valueCodeableConcept": LOCAL},
        {"url": "value", "valueBoolean": True},
    ]
    said = crossed("ServiceRequest.orderDetail.parameter", extension=parts)
    resource["orderDetail"].append({"extension": [said]})


def order_code(resource: Json, release: str) -> None:
    """An order for nobody knows what."""
    resource["code"] = LOCAL if release == "R4" else {"concept": LOCAL}


def order_unit(resource: Json, release: str) -> None:
    """An order for two of nobody knows what."""
    resource["quantityQuantity"] = amount(2, "{bag}")


def match_status(resource: Json, release: str) -> None:
    """The laboratory's word on the issue."""
    if release == "R5":
        resource["matchStatus"] = LOCAL
        return
    name = f"{CROSS}BiologicallyDerivedProductDispense.matchStatus"
    kept = [one for one in resource["extension"] if one["url"] != name]
    resource["extension"] = [*kept, {"url": name, "valueCodeableConcept": LOCAL}]


def narrowed_consent(resource: Json, release: str) -> None:
    """A consent with something taken out of it in a code of the house."""
    taken = {"code": [LOCAL]} | ({"type": "deny"} if release == "R4" else {})
    outer = resource["provision"] if release == "R4" else resource["provision"][0]
    outer["provision"] = [taken]


def limited_consent(resource: Json, release: str) -> None:
    """A consent to something that only the house knows."""
    outer = resource["provision"] if release == "R4" else resource["provision"][0]
    outer["code"] = [*outer["code"], LOCAL]


def panel_code(resource: Json, release: str) -> None:
    """One vital sign of the panel under a code of the house."""
    resource["component"][0]["code"] = LOCAL


INTERPRETED = field("interpretation", [LOCAL])
VALUED = field("valueCodeableConcept", LOCAL)
SAID = [
    Said(
        what="unit",
        change=unit_status,
        rule="PRE-05",
        least=Verdict.REFUSE,
        place=(
            f"BiologicallyDerivedProduct.extension('{CROSS}BiologicallyDerivedProduct.productStatus')"
            ".value",
            "BiologicallyDerivedProduct.productStatus",
        ),
    ),
    Said(
        what="unit",
        change=extended(ours("unit-status", valueCode="on-hold-by-us")),
        rule="PRE-05",
        least=Verdict.REFUSE,
        place="BiologicallyDerivedProduct.extension",
    ),
    Said(what="unit", change=unit_property("component"), rule="COMP-01", least=Verdict.REFUSE),
    Said(what="issue", change=match_status, rule="COMP-10", least=Verdict.AUTHORISE),
    Said(what="1250-0", change=VALUED, rule="COMP-10", least=Verdict.AUTHORISE),
    Said(
        what="1250-0",
        change=INTERPRETED,
        rule="COMP-10",
        least=Verdict.AUTHORISE,
        place="Observation.interpretation",
    ),
    Said(
        what="1250-0",
        change=field("status", "unknown"),
        rule="COMP-10",
        least=Verdict.AUTHORISE,
        place="Observation.status",
    ),
    Said(what="882-1", change=VALUED, rule="COMP-01", least=Verdict.REFUSE),
    Said(what="882-1", change=INTERPRETED, rule="COMP-01", least=Verdict.REFUSE),
    Said(what="882-1", change=field("status", "unknown"), rule="COMP-01", least=Verdict.REFUSE),
    Said(what=RHD, change=VALUED, rule="COMP-02", least=Verdict.AUTHORISE),
    Said(what=RHD, change=INTERPRETED, rule="COMP-02", least=Verdict.AUTHORISE),
    Said(what="890-4", change=VALUED, rule="COMP-03", least=Verdict.AUTHORISE),
    Said(what="890-4", change=INTERPRETED, rule="COMP-03", least=Verdict.AUTHORISE),
    Said(
        what="890-4",
        change=field("status", "preliminary"),
        rule="COMP-03",
        least=Verdict.AUTHORISE,
    ),
    Said(what="antibody", change=VALUED, rule="COMP-03", least=Verdict.AUTHORISE),
    Said(
        what="ServiceRequest",
        change=order_detail(LOCAL),
        rule="PRE-03",
        least=Verdict.AUTHORISE,
        place=(
            f"ServiceRequest.orderDetail.extension('{CROSS}ServiceRequest.orderDetail.parameter')"
            ".value",
            "ServiceRequest.orderDetail.parameter",
        ),
    ),
    Said(
        what="ServiceRequest",
        change=order_detail({"text": "only on a Sunday"}),
        rule="PRE-03",
        least=Verdict.AUTHORISE,
    ),
    Said(what="ServiceRequest", change=order_parameter, rule="PRE-03", least=Verdict.AUTHORISE),
    Said(
        what="ServiceRequest",
        change=order_code,
        rule="PRE-01",
        least=Verdict.AUTHORISE,
        place="ServiceRequest.code",
    ),
    Said(what="ServiceRequest", change=order_unit, rule="PRE-01", least=Verdict.AUTHORISE),
    Said(
        what="Consent",
        change=narrowed_consent,
        rule="PRE-02",
        least=Verdict.AUTHORISE,
        place="Consent.provision",
    ),
    Said(what="Consent", change=limited_consent, rule="PRE-02", least=Verdict.AUTHORISE),
    Said(
        what="85353-1",
        change=panel_code,
        rule="PRE-11",
        least=Verdict.CAUTION,
        place="Observation.component.code",
    ),
]
NAMED = [f"{one.rule} {one.what} {place}" for place, one in enumerate(SAID)]


class TestUnknownWords:
    """Said in no known word, the verdict is not better than the row for what is missing."""

    def test_the_case_without_unknown_words_has_no_objection(
        self, house: apps.House, release: str
    ) -> None:
        told = checked(Bed(house=house, release=release), None)[0]
        assert told.word == VERDICT_WORDS[Verdict.NO_OBJECTION]

    @pytest.mark.parametrize("said", SAID, ids=NAMED)
    def test_not_better_than_missing(self, house: apps.House, release: str, said: Said) -> None:
        told, warned = checked(Bed(house=house, release=release), said)
        found = {WORDS[word] for word in told.rules.get(said.rule, ()) if word in WORDS}
        assert max(found, default=Verdict.NO_OBJECTION) >= said.least
        place = said.place if isinstance(said.place, str) else said.place[release == "R5"]
        assert warned, "the sender is told"
        assert not place or place in warned


# What the row of each rule says of an input that is missing.
INPUTS = [
    ("appearance", "Code", "seems-fine", "PRE-06", Verdict.AUTHORISE),
    ("appearance", "CodeableConcept", LOCAL, "PRE-06", Verdict.AUTHORISE),
    ("spoken-confirmed", "Code", "more-or-less", "ID-04", Verdict.REFUSE),
    ("label-patient-group", "CodeableConcept", LOCAL, "COMP-01", Verdict.REFUSE),
    ("label-patient-group", "String", "group seven", "COMP-01", Verdict.REFUSE),
    ("label-unit-group", "CodeableConcept", LOCAL, "ID-06", Verdict.REFUSE),
    ("label-expiry", "String", "next week", "PRE-04", Verdict.REFUSE),
]


class TestUnknownInputs:
    """The same for the inputs of a bedside check."""

    @pytest.mark.parametrize(
        ("word", "kind", "value", "rule", "least"), INPUTS, ids=[f"{i[3]} {i[0]}" for i in INPUTS]
    )
    def test_not_better_than_missing(
        self,
        house: apps.House,
        release: str,
        word: str,
        kind: str,
        value: Any,
        rule: str,
        least: Verdict,
    ) -> None:
        bed = ready(Bed(house=house, release=release))
        told = bed.last(bed.check(changed={word: (kind, value)}))
        found = {WORDS[said] for said in told.rules.get(rule, ()) if said in WORDS}
        assert max(found, default=Verdict.NO_OBJECTION) >= least

    def test_an_input_of_unknown_type_leaves_its_input_missing(
        self, house: apps.House, release: str
    ) -> None:
        bed = ready(Bed(house=house, release=release))
        made = with_inputs(bed.check(), {"appearance": None})
        strange = {"type": LOCAL, "valueCode": "normal"}
        sent = {r: one | {"input": [*one["input"], strange]} for r, one in made.items()}
        assert "authorise" in bed.last(sent).rules["PRE-06"]

    @pytest.mark.parametrize("intent", ["proposal", "plan", "option", "unknown"])
    def test_a_check_that_was_only_proposed_is_none(
        self, house: apps.House, release: str, intent: str
    ) -> None:
        bed = ready(Bed(house=house, release=release))
        told = bed.last(with_fields(bed.check(), intent=intent), bed.start())
        assert "refuse" in {word for words in told.rules.values() for word in words}


def ready(bed: Bed) -> Bed:
    """Everything in order up to the check."""
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    return bed


def use(name: str, **more: Any) -> Json:
    """A resource of the treatment, as small as it may be."""
    return {"resourceType": name, "status": "zz"} | more


WHO = of_person(WREN)
REFUSED: dict[str, list[tuple[str, Json]]] = {
    "R4": [
        (
            "MedicationAdministration.status",
            use(
                "MedicationAdministration",
                subject=WHO,
                medicationCodeableConcept=LOCAL,
                effectiveDateTime="2027-06-08T09:00:00Z",
            ),
        ),
        ("Procedure.status", use("Procedure", subject=WHO)),
        ("Device.status", use("Device")),
        (
            "DeviceUseStatement.status",
            use("DeviceUseStatement", subject=WHO, device={"display": "Pump"}),
        ),
        ("BiologicallyDerivedProduct.status", use("BiologicallyDerivedProduct")),
    ],
    "R5": [
        (
            "MedicationAdministration.status",
            use(
                "MedicationAdministration",
                subject=WHO,
                medication={"concept": LOCAL},
                occurenceDateTime="2027-06-08T09:00:00Z",
            ),
        ),
        ("Procedure.status", use("Procedure", subject=WHO)),
        ("Device.status", use("Device")),
        ("DeviceUsage.status", use("DeviceUsage", patient=WHO, device={"concept": LOCAL})),
    ],
}
BOUND = (
    ("ServiceRequest", "status"),
    ("ServiceRequest", "intent"),
    ("ServiceRequest", "priority"),
    ("Consent", "status"),
    ("Specimen", "status"),
    ("Observation", "status"),
    ("Task", "status"),
    ("Task", "intent"),
)


class TestRequiredBindings:
    """A code outside a required binding is refused at the door, with its place."""

    @pytest.mark.parametrize(("kind", "name"), BOUND)
    def test_what_the_case_is_made_of(
        self, house: apps.House, release: str, kind: str, name: str
    ) -> None:
        every = (*admission(WREN), *supply(WREN), Bed(house=house, release=release).check())
        made = next(one[release] for one in every if kind_of(one) == kind)
        self.refused(house, release, f"{kind}.{name}", made | {name: "zz"})

    def test_the_treatment(self, house: apps.House, release: str) -> None:
        for place, resource in REFUSED[release]:
            self.refused(house, release, place, resource)

    def test_an_issue(self, house: apps.House, release: str) -> None:
        made = deepcopy(supply(WREN)[1][release])
        name = f"{CROSS}BiologicallyDerivedProductDispense.status"
        for one in made.get("extension", ()):
            one |= {"valueCode": "zz"} if one["url"] == name else {}
        made |= {"status": "zz"} if release == "R5" else {}
        place = "BiologicallyDerivedProductDispense.status"
        self.refused(house, release, place if release == "R5" else "Basic.extension", made)

    def test_a_step_nobody_knows(self, house: apps.House, release: str) -> None:
        made = Bed(house=house, release=release).check()[release]
        self.refused(house, release, "Task.code", made | {"code": LOCAL})

    def refused(self, house: apps.House, release: str, place: str, resource: Json) -> None:
        kind = resource["resourceType"]
        answer = house.post(f"/fhir/{release.lower()}/{kind}", resource)
        assert answer.status_code == 422, (place, answer.text)
        places = [p for issue in answer.json()["issue"] for p in issue.get("expression", ())]
        assert any(one.startswith(place) for one in places), places


def checked(bed: Bed, said: Said | None) -> tuple[Any, set[str]]:
    """The bedside check of a unit about which something is said; the places warned of."""
    unit, issue, crossmatch = supply(bed.person, bed.bag, "09:45")
    entries = [
        *(both for both in admission(bed.person)),
        unit,
        issue,
        crossmatch,
        rhd(),
        antibody(),
        resources.vitals(bed.person, "VS-0", "09:55"),
    ]
    if said is None or said.what != "antibody":
        entries = [
            one for one in entries if one["R5"].get("identifier") != antibody()["R5"]["identifier"]
        ]
    if said is None or said.what != RHD:
        entries = [one for one in entries if label_of(one) != RHD]
    sent = [changed(one, said) if said and is_it(one, said.what) else one for one in entries]
    answers = bed.tell(*sent)
    return bed.last(bed.check()), {
        place
        for answer in answers
        for issue_ in answer["response"].get("outcome", {}).get("issue", [])
        if issue_["severity"] == "warning"
        for place in issue_.get("expression", [])
    }


def is_it(both: Both, what: str) -> bool:
    """True for the resource that a row is about."""
    kind = {"unit": "BiologicallyDerivedProduct", "issue": "BiologicallyDerivedProductDispense"}
    if what == "antibody":
        return both["R5"].get("identifier") == antibody()["R5"]["identifier"]
    return kind_of(both) == kind.get(what, what) or label_of(both) == what


def changed(both: Both, said: Said) -> Both:
    """The resource with the element changed, in each release."""
    copy = deepcopy(both)
    for release, resource in copy.items():
        said.change(resource, release)
    return copy


def rhd() -> Both:
    """A later RhD type of the patient, by itself."""
    found = resources.group(WREN, "RHD-1")["R5"]
    return same(found | {"code": concept(LOINC, RHD), "valueCodeableConcept": {"text": "Positive"}})


def antibody() -> Both:
    """A search for antibodies that found none."""
    found = resources.antibody_screen(WREN, "ABI-1")["R5"]
    code = own("laboratory-test", "antibody-identification")
    kept = {name: value for name, value in found.items() if name != "interpretation"}
    return same(kept | {"code": code, "valueCodeableConcept": {"text": "Negative"}})
