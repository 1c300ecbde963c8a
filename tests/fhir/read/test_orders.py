"""ServiceRequest, Consent, Specimen: what was ordered, agreed to and sampled."""

from decimal import Decimal
from typing import Any

import pytest

from service.facts.records import ConsentRecord, Order, OrderKind, Sample
from service.facts.unit import Component
from tests.support.reading import (
    CROSS,
    SNOMED,
    Json,
    body,
    concept,
    extension,
    own,
    patient_ref,
    quantity,
    read_one,
)

V2_0508 = "http://terminology.hl7.org/CodeSystem/v2-0508"
ISBT_PRODUCT = "https://www.isbt128.org/uri/productdescriptioncode"
ANTIGEN = "https://www.isbt128.org/uri/RedCellAntigen"
PACKED = concept(SNOMED, "71493000")
RATE = quantity("120", "mL/h")


def in_r5(code: Json = PACKED, parameters: Any = (), **more: Any) -> Json:
    held = {
        "resourceType": "ServiceRequest",
        "status": "active",
        "intent": "order",
        "code": {"concept": code},
        "subject": patient_ref(),
        "orderDetail": [{"parameter": list(parameters)}] if parameters else [],
    }
    return held | more


def in_r4(code: Json = PACKED, details: Any = (), **more: Any) -> Json:
    return in_r5() | {"code": code, "orderDetail": list(details)} | more


def parameter(word: str, **value: Any) -> Json:
    return {"code": own("order-parameter", word), **value}


def crossed(word: str, url: str = "value", **value: Any) -> list[Json]:
    """The parts of the cross-version extension of one parameter."""
    return [
        {"url": "code", "valueCodeableConcept": own("order-parameter", word)},
        {"url": url, **value},
    ]


class TestWhichOrders:
    """A code map says which orders are transfusion orders, and of which kind."""

    def test_an_order_of_anything_else_states_nothing(self) -> None:
        reading = read_one(in_r5(concept("http://loinc.org", "58410-2")))
        assert reading.bodies == ()
        assert reading.problems == ()
        assert reading.unmapped[0].code == "58410-2"

    @pytest.mark.parametrize(
        ("code", "kind", "component"),
        [
            (PACKED, OrderKind.ADMINISTER, Component.RED_CELLS),
            (concept(SNOMED, "33389009"), OrderKind.ADMINISTER, Component.WHOLE_BLOOD),
            (concept(SNOMED, "116859006"), OrderKind.ADMINISTER, None),
            (own("component", "platelets"), OrderKind.PREPARE, Component.PLATELETS),
            (concept(ISBT_PRODUCT, "E0398"), OrderKind.PREPARE, Component.RED_CELLS),
        ],
    )
    def test_kind_and_component(
        self, code: Json, kind: OrderKind, component: Component | None
    ) -> None:
        order: Order = body(in_r5(code))
        assert (order.kind, order.component) == (kind, component)

    def test_a_product_code_is_kept(self) -> None:
        assert body(in_r5(concept(ISBT_PRODUCT, "e0398"))).product == "E0398"

    def test_a_category_of_ours_decides_the_kind(self) -> None:
        assert body(in_r5(category=[own("order-kind", "prepare")])).kind is OrderKind.PREPARE


class TestUrgency:
    """stat alone is ordered too often to soften rules (rules.md 0)."""

    @pytest.mark.parametrize(
        ("priority", "urgency"),
        [
            ("routine", "routine"),
            (None, "routine"),
            ("urgent", "urgent"),
            ("asap", "urgent"),
            ("stat", "urgent"),
        ],
    )
    def test_priority(self, priority: str | None, urgency: str) -> None:
        assert body(in_r5(priority=priority)).urgency == urgency

    def test_only_a_mapped_code_is_life_threatening(self) -> None:
        category = [own("urgency", "life-threatening")]
        assert body(in_r5(category=category)).urgency == "life-threatening"


class TestOrderDetails:
    """R4 details and every spelling of the cross-version extension say what R5 says."""

    def same(self, order_r4: Json, order_r5: Json) -> Order:
        first, second = body(order_r4, "R4"), body(order_r5, "R5")
        assert first == second
        assert isinstance(first, Order)
        return first

    def test_requirements(self) -> None:
        r5 = [
            parameter("special-requirement", valueCodeableConcept=concept(V2_0508, code))
            for code in ("IR", "CM")
        ]
        r4 = [concept(V2_0508, "IR"), concept(V2_0508, "CM")]
        order = self.same(in_r4(details=r4), in_r5(parameters=r5))
        assert order.requirements == {"irradiated", "cmv-negative"}

    @pytest.mark.parametrize("url", ["value", "value[x]"])
    def test_rate_on_a_detail(self, url: str) -> None:
        said = {
            "url": f"{CROSS}ServiceRequest.orderDetail.parameter",
            "extension": crossed("rate", url, valueQuantity=RATE),
        }
        order = self.same(
            in_r4(details=[{"extension": [said], "text": "slowly"}]),
            in_r5(parameters=[parameter("rate", valueQuantity=RATE)]),
        )
        assert order.rate == Decimal(120)

    def test_rate_in_an_extension_on_the_order(self) -> None:
        inner = {"url": "parameter", "extension": crossed("rate", valueQuantity=RATE)}
        whole = {"url": f"{CROSS}ServiceRequest.orderDetail", "extension": [inner]}
        deep = {
            "url": f"{CROSS}ServiceRequest.orderDetail.parameter",
            "extension": crossed("rate", valueQuantity=RATE),
        }
        r5 = in_r5(parameters=[parameter("rate", valueQuantity=RATE)])
        for said in (whole, deep):
            assert self.same(in_r4(extension=[said]), r5).rate == Decimal(120)

    def test_a_rate_in_a_foreign_unit_is_warned_of(self) -> None:
        reading = read_one(in_r5(parameters=[parameter("rate", valueQuantity=quantity("3", "g"))]))
        assert reading.bodies[0].rate is None
        assert len(reading.warnings) == 1

    def test_antigen_negative(self) -> None:
        negative = concept(ANTIGEN, "0060010106", "K-")
        r5 = [parameter("antigen-negative", valueCodeableConcept=negative)]
        order = self.same(in_r4(details=[negative]), in_r5(parameters=r5))
        assert order.antigens_negative == {"K"}
        assert order.requirements == frozenset()

    def test_an_antigen_said_positive_is_not_a_negative_one(self) -> None:
        positive = concept(ANTIGEN, "0040020206", "C+")
        said = [parameter("antigen-negative", valueCodeableConcept=positive)]
        order = read_one(in_r5(parameters=said)).bodies[0]
        assert order.antigens_negative == frozenset()
        assert any(word.startswith("unrecognised") for word in order.requirements)

    def test_a_requirement_nobody_knows_is_never_met(self) -> None:
        said = parameter("special-requirement", valueCodeableConcept=concept("local", "X9", "Cold"))
        reading = read_one(in_r5(parameters=[said]))
        assert reading.bodies[0].requirements == {"unrecognised: Cold"}
        assert reading.unmapped[0].code == "X9"
        in_old = read_one(in_r4(details=[concept(V2_0508, "ZZ", "Cold")]), "R4")
        assert in_old.bodies[0].requirements == {"unrecognised: Cold"}

    def test_flags(self) -> None:
        said = [
            parameter("continue", valueBoolean=True),
            parameter("premedication", valueBoolean=True),
            parameter("recent-transfusion", valueBoolean=False),
        ]
        order = body(in_r5(parameters=said))
        assert (order.continues, order.premedication_ordered) == (True, True)
        assert (order.recent_transfusion, order.recent_pregnancy) == (False, None)

    def test_own_extensions_of_an_order(self) -> None:
        said = [
            extension("recent-pregnancy", valueBoolean=True),
            extension("long-term-dependent", valueBoolean=True),
            extension("surgery-on", valueDateTime="2025-06-20"),
        ]
        order = self.same(in_r4(extension=said), in_r5(extension=said))
        assert (order.recent_pregnancy, order.long_term_dependent) == (True, True)
        assert order.surgery_on is not None
        assert order.surgery_on.text == "2025-06-20"


class TestQuantity:
    """``{unit}`` counts units, mL counts volume; a unit text without code counts nothing."""

    def test_units_and_volume(self) -> None:
        units = body(in_r5(quantityQuantity=quantity("2", "{unit}")))
        assert (units.quantity, units.quantity_unit) == (Decimal(2), "{unit}")
        litres = body(in_r5(quantityQuantity=quantity("0.3", "L")))
        assert (litres.quantity, litres.quantity_unit) == (Decimal(300), "mL")

    def test_a_unit_without_a_code_is_not_read(self) -> None:
        reading = read_one(in_r5(quantityQuantity={"value": 2, "unit": "units"}))
        assert reading.bodies[0].quantity is None
        assert reading.warnings

    def test_do_not_perform_is_honoured(self) -> None:
        assert body(in_r5(doNotPerform=True)).do_not_perform is True


class TestWindow:
    """The window of an order: a period, or open-ended from a point in time."""

    def test_a_point_is_a_start(self) -> None:
        order = body(in_r5(occurrenceDateTime="2025-06-02T08:00:00Z"))
        assert order.start is not None
        assert order.end is None

    def test_a_timing_has_bounds(self) -> None:
        bounds = {"start": "2025-06-02T08:00:00Z", "end": "2025-06-03T08:00:00Z"}
        order = body(in_r5(occurrenceTiming={"repeat": {"boundsPeriod": bounds}}))
        assert order.start.text == bounds["start"]
        assert order.end.text == bounds["end"]


def consent_r4(**more: Any) -> Json:
    held = {
        "resourceType": "Consent",
        "status": "active",
        "scope": concept("http://terminology.hl7.org/CodeSystem/consentscope", "treatment"),
        "category": [own("consent", "transfusion")],
        "patient": patient_ref(),
        "dateTime": "2025-06-01",
    }
    return held | more


def consent_r5(**more: Any) -> Json:
    held = {
        "resourceType": "Consent",
        "status": "active",
        "category": [own("consent", "transfusion")],
        "subject": patient_ref(),
        "date": "2025-06-01",
    }
    return held | more


class TestConsent:
    """Given, refused, unknown, per component; counts only if its code maps to transfusion."""

    def both(self, r4: Json, r5: Json) -> tuple[ConsentRecord, ...]:
        first, second = read_one(r4, "R4").bodies, read_one(r5, "R5").bodies
        assert first == second
        return first  # type: ignore[return-value]

    def test_active_without_a_decision_is_given(self) -> None:
        (consent,) = self.both(consent_r4(), consent_r5())
        assert (consent.in_force, consent.decision) == (True, "given")

    def test_a_consent_to_something_else_is_none(self) -> None:
        other = [concept("http://loinc.org", "59284-0")]
        assert self.both(consent_r4(category=other), consent_r5(category=other)) == ()

    def test_a_refusal(self) -> None:
        (consent,) = self.both(consent_r4(provision={"type": "deny"}), consent_r5(decision="deny"))
        assert (consent.in_force, consent.decision) == (True, "refused")

    def test_a_rejected_consent_is_a_refusal(self) -> None:
        (consent,) = read_one(consent_r4(status="rejected"), "R4").bodies
        assert isinstance(consent, ConsentRecord)
        assert (consent.in_force, consent.decision) == (True, "refused")

    @pytest.mark.parametrize("status", ["draft", "inactive"])
    def test_draft_and_ended_are_not_in_force(self, status: str) -> None:
        (consent,) = self.both(consent_r4(status=status), consent_r5(status=status))
        assert consent.in_force is False

    def test_entered_in_error_is_retracted(self) -> None:
        reading = read_one(consent_r5(status="entered-in-error"))
        assert reading.retracted

    def test_an_exception_is_a_decision_of_its_own(self) -> None:
        cells = [concept(SNOMED, "116863004")]
        r4 = consent_r4(
            provision={"type": "permit", "provision": [{"type": "deny", "code": cells}]}
        )
        r5 = consent_r5(decision="permit", provision=[{"provision": [{"code": cells}]}])
        given, refused = self.both(r4, r5)
        assert (given.decision, given.components) == ("given", frozenset())
        assert (refused.decision, refused.components) == ("refused", {Component.RED_CELLS})

    def test_one_component_only(self) -> None:
        code = [own("component", "platelets")]
        (consent,) = self.both(
            consent_r4(category=[concept("x", "y")], provision={"type": "deny", "code": code}),
            consent_r5(category=[], decision="deny", provision=[{"code": code}]),
        )
        assert consent.components == {Component.PLATELETS}

    def test_period_and_lawful_authority(self) -> None:
        period = {"start": "2025-01-01", "end": "2025-12-31"}
        said = [extension("lawful-authority", valueBoolean=True)]
        (consent,) = self.both(
            consent_r4(provision={"period": period}, extension=said),
            consent_r5(period=period, extension=said),
        )
        assert consent.end is not None
        assert consent.end.text == "2025-12-31"
        assert consent.lawful_authority is True


class TestSample:
    """The sample's numbers, when it was taken, and the laboratory's own expiry."""

    def sample(self, **more: Any) -> Sample:
        held = {
            "resourceType": "Specimen",
            "identifier": [{"system": "lab", "value": "S-1"}],
            "accessionIdentifier": {"system": "lab", "value": "S-1"},
            "status": "available",
            "subject": patient_ref(),
            "collection": {"collectedDateTime": "2025-06-01T08:00:00Z"},
        }
        found: Sample = body(held | more)
        return found

    def test_a_number_counts_once(self) -> None:
        assert [number.value for number in self.sample().numbers] == ["S-1"]

    def test_a_collection_over_a_time_counts_from_its_start(self) -> None:
        period = {"start": "2025-06-01T08:00:00Z", "end": "2025-06-01T08:30:00Z"}
        sample = self.sample(collection={"collectedPeriod": period})
        assert sample.collected is not None
        assert sample.collected.text == period["start"]

    def test_the_laboratorys_expiry(self) -> None:
        said = [extension("sample-valid-until", valueDateTime="2025-06-04T23:59:00Z")]
        assert self.sample(extension=said).valid_until is not None

    def test_an_extension_of_another_type_is_not_used(self) -> None:
        said = [extension("sample-valid-until", valueString="Thursday")]
        assert self.sample(extension=said).valid_until is None

    @pytest.mark.parametrize("status", ["unavailable", "unsatisfactory"])
    def test_an_unusable_sample(self, status: str) -> None:
        assert self.sample(status=status).usable is False

    def test_a_bare_collection_date_has_no_instant(self) -> None:
        sample = self.sample(collection={"collectedDateTime": "2025-06-01"})
        assert sample.collected is not None
        assert sample.collected.instant is None
