"""Order and consent before the start: PRE-01, PRE-02 (rules.md section 3)."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any, ClassVar

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Ref
from service.facts.moment import Moment, at
from service.facts.records import OrderKind
from service.facts.steps import StepCode
from service.facts.unit import UNDIVIDED, Component, UnitRef
from service.rules.preparation_order import consent, order
from tests.support.cases import (
    CHECK_AT,
    CHECKED_AT,
    COLLECTED_AT,
    STRANGER,
    a_case,
    a_consent,
    a_start,
    a_step,
    a_unit,
    an_end,
    an_order,
    fact,
    pre_start,
    some_vitals,
)
from tests.support.policies import profile

O1 = Ref(kind="ServiceRequest", id="o1")


def one(rule: Callable[..., tuple[Finding, ...]], pre: Any) -> Finding:
    (found,) = rule(pre)
    return found


def earlier(number: int, *, order_id: str | None = "o1", **ended: Any) -> tuple[Any, ...]:
    """A unit of the same order that was started, and ended, some hours before the check."""
    unit = UnitRef(din=f"A99992512345{number}", product="E0398", division=UNDIVIDED)
    began = CHECK_AT - timedelta(minutes=100 - number)
    named = () if order_id is None else (Ref(kind="ServiceRequest", id=order_id),)
    key = f"{number}"
    return (
        a_unit(f"BiologicallyDerivedProduct/e{key}", unit=unit),
        a_start(f"Task/start-{key}", unit=unit, start=at(began), based_on=named, bag=None),
        an_end(
            f"Task/end-{key}",
            **({"unit": unit, "start": at(began + timedelta(minutes=60))} | ended),
        ),
    )


class TestOrder:
    """PRE-01: active order for this patient, this component, quantity left, right date window.

    Failed: refuse, call-prescriber; missing: authorise [S10][S15][S47].
    """

    def test_an_active_order_covers_the_unit(self) -> None:
        found = one(order, pre_start())
        assert (found.verdict, found.facts) == (Verdict.NO_OBJECTION, ("ServiceRequest/o1",))

    def test_none_is_missing(self) -> None:
        found = one(order, pre_start(a_case(order=None)))
        assert found.verdict is Verdict.AUTHORISE
        assert (found.reason, found.missing) == ("order-missing", ("order",))
        assert found.remedy is Remedy.CALL_PRESCRIBER

    @pytest.mark.parametrize(
        ("said", "reason"),
        [
            ({"status": "revoked"}, "order-not-active"),
            ({"status": "on-hold"}, "order-not-active"),
            ({"status": "completed"}, "order-not-active"),
            ({"intent": "proposal"}, "order-not-active"),
            ({"component": Component.PLATELETS}, "order-other-component"),
            ({"end": at(CHECKED_AT - timedelta(minutes=1))}, "order-outside-window"),
            ({"start": at(CHECKED_AT + timedelta(minutes=1))}, "order-outside-window"),
            ({"quantity": Decimal(0)}, "order-quantity-met"),
        ],
    )
    def test_each_part_that_fails_refuses(self, said: dict[str, Any], reason: str) -> None:
        found = one(order, pre_start(a_case(order=said)))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, reason)
        assert found.remedy is Remedy.CALL_PRESCRIBER

    @pytest.mark.parametrize(
        ("said", "missing"),
        [
            ({"component": None}, ("component",)),
            ({"quantity": None}, ("quantity",)),
            ({"quantity_unit": None}, ("quantity",)),
            ({"quantity_unit": "g"}, ("quantity",)),
            ({"start": Moment(text="2025-06")}, ("window",)),
            ({"end": Moment(text="2025")}, ("window",)),
        ],
    )
    def test_each_part_that_is_missing_asks_for_authorisation(
        self, said: dict[str, Any], missing: tuple[str, ...]
    ) -> None:
        found = one(order, pre_start(a_case(order=said)))
        assert (found.verdict, found.missing) == (Verdict.AUTHORISE, missing)

    def test_an_unknown_component_of_the_unit_is_missing_too(self) -> None:
        found = one(order, pre_start(a_case(unit={"component": None})))
        assert found.missing == ("component",)

    def test_a_window_of_days_holds_to_the_end_of_the_day_at_the_facility(self) -> None:
        same_day = {"start": Moment(text="2025-06-02"), "end": Moment(text="2025-06-02")}
        day_before = {"start": None, "end": Moment(text="2025-06-01")}
        assert one(order, pre_start(a_case(order=same_day))).verdict is Verdict.NO_OBJECTION
        assert one(order, pre_start(a_case(order=day_before))).reason == "order-outside-window"

    def test_life_threatening_urgency_makes_it_a_note(self) -> None:
        """Section 0: PRE-01 becomes note; a verbal order is accepted [S97]."""
        found = one(order, pre_start(a_case(order=None), urgency="life-threatening"))
        assert found.verdict is Verdict.NOTE
        assert found.remedy is None

    def test_an_order_that_forbids_the_component_refuses(self) -> None:
        """design section 4: doNotPerform honoured."""
        forbids = an_order("ServiceRequest/o9", do_not_perform=True, identifiers=())
        found = one(order, pre_start(a_case(extra=(forbids,))))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "order-forbids")

    @pytest.mark.parametrize(
        "said",
        [
            {"component": Component.PLASMA},
            {"status": "revoked"},
            {"end": at(COLLECTED_AT), "start": None},
        ],
    )
    def test_one_that_does_not_hold_here_forbids_nothing(self, said: dict[str, Any]) -> None:
        forbids = an_order("ServiceRequest/o9", do_not_perform=True, identifiers=(), **said)
        assert one(order, pre_start(a_case(extra=(forbids,)))).verdict is Verdict.NO_OBJECTION

    def test_an_order_of_another_patient_refuses(self) -> None:
        theirs = fact(an_order().body, "ServiceRequest/o1", subject=STRANGER)
        found = one(order, pre_start(a_case(order=theirs)))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "order-for-another-patient")

    def test_a_prescription_decides_before_a_request_to_prepare(self) -> None:
        prepare = an_order("ServiceRequest/o2", kind=OrderKind.PREPARE, based_on=(O1,))
        found = one(order, pre_start(a_case(order={"status": "revoked"}, extra=(prepare,))))
        assert found.reason == "order-not-active"

    def test_a_request_to_prepare_counts_where_no_prescription_is_sent(self) -> None:
        found = one(order, pre_start(a_case(order={"kind": OrderKind.PREPARE})))
        assert found.verdict is Verdict.NO_OBJECTION

    def test_of_several_the_one_that_holds_is_enough(self) -> None:
        more = an_order("ServiceRequest/o2", based_on=(O1,))
        found = one(order, pre_start(a_case(order={"status": "completed"}, extra=(more,))))
        assert found.facts == ("ServiceRequest/o2",)


class TestUnnamedOrders:
    """design section 4: linked by basedOn, requisition, or patient and component and window."""

    UNNAMED: ClassVar[dict[str, Any]] = {"based_on": ()}

    def pre(self, **facts: Any) -> Any:
        held = {"issue": self.UNNAMED, "check": self.UNNAMED} | facts
        return pre_start(a_case(**held))

    def test_component_and_window_link_it(self) -> None:
        assert one(order, self.pre()).verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        "said",
        [
            {"component": Component.PLASMA},
            {"status": "revoked"},
            {"end": at(COLLECTED_AT)},
        ],
    )
    def test_another_component_or_window_does_not(self, said: dict[str, Any]) -> None:
        assert one(order, self.pre(order=said)).reason == "order-missing"

    def test_a_unit_without_component_is_linked_to_none(self) -> None:
        assert one(order, self.pre(unit={"component": None})).reason == "order-missing"


class TestQuantity:
    """PRE-01: ``{unit}`` counts started units, mL counts volume given (design section 4)."""

    def test_the_last_of_two_units_is_covered(self) -> None:
        found = one(order, pre_start(a_case(extra=earlier(1))))
        assert found.verdict is Verdict.NO_OBJECTION

    def test_a_third_is_not(self) -> None:
        found = one(order, pre_start(a_case(extra=(*earlier(1), *earlier(2)))))
        assert found.reason == "order-quantity-met"

    def test_the_unit_itself_does_not_count_at_its_own_start(self) -> None:
        found = one(order, pre_start(a_case(start={}, extra=earlier(1))))
        assert found.verdict is Verdict.NO_OBJECTION

    def test_a_unit_returned_unopened_does_not_count(self) -> None:
        described, _, _ = earlier(2)
        back = a_step(
            StepCode.RETURN_UNIT,
            "Task/back",
            CHECK_AT - timedelta(minutes=50),
            unit=described.body.unit,
            based_on=(O1,),
        )
        found = one(order, pre_start(a_case(extra=(*earlier(1), described, back))))
        assert found.verdict is Verdict.NO_OBJECTION

    def test_units_nobody_linked_count_by_component_and_window(self) -> None:
        others = (*earlier(1, order_id=None), *earlier(2, order_id=None))
        assert one(order, pre_start(a_case(extra=others))).reason == "order-quantity-met"

    def test_units_of_another_component_or_window_do_not(self) -> None:
        described, begun, ended = earlier(1, order_id=None)
        plasma = a_unit(described.key, unit=described.body.unit, component=Component.PLASMA)
        unknown = a_unit(described.key, unit=described.body.unit, component=None)
        long_ago = a_start(
            begun.key, unit=described.body.unit, start=at(COLLECTED_AT), based_on=(), bag=None
        )
        single = {"quantity": Decimal(1)}
        for extra in (
            (plasma, begun, ended),
            (unknown, begun, ended),
            (described, long_ago, ended),
        ):
            found = one(order, pre_start(a_case(order=single, extra=extra)))
            assert found.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(("ordered", "met"), [("281", False), ("280", True)])
    def test_millilitres_count_what_was_measured(self, ordered: str, met: bool) -> None:
        said = {"quantity": Decimal(ordered), "quantity_unit": "mL"}
        found = one(order, pre_start(a_case(order=said, extra=earlier(1))))
        assert (found.reason == "order-quantity-met") is met

    def test_a_running_bag_counts_in_full(self) -> None:
        said = {"quantity": Decimal(280), "quantity_unit": "mL"}
        found = one(order, pre_start(a_case(order=said, extra=earlier(1)[:2])))
        assert found.reason == "order-quantity-met"

    def test_a_volume_nobody_knows_leaves_the_quantity_unknown(self) -> None:
        said = {"quantity": Decimal(500), "quantity_unit": "mL"}
        described, begun, _ = earlier(1)
        bare = a_unit(described.key, unit=described.body.unit, volume=None)
        found = one(order, pre_start(a_case(order=said, extra=(bare, begun))))
        assert found.missing == ("quantity",)


class TestChildrenAreOrderedInMillilitres:
    """Section 7: prescribe children in mL, not units [S36]; shown with weight, never advised."""

    ORDER: ClassVar[dict[str, Any]] = {"quantity": Decimal(150), "quantity_unit": "mL"}

    def shown(self, **facts: Any) -> tuple[tuple[str, str], ...]:
        weighed = some_vitals(COLLECTED_AT, "Observation/w", {"weight": "10"})
        held = {"order": self.ORDER, "patient": {"birth_date": "2023-05-05"}} | facts
        return one(order, pre_start(a_case(extra=(weighed,), **held))).shown

    def test_the_volume_is_shown_per_kg(self) -> None:
        assert ("per kg", "15.0 mL/kg") in self.shown()

    def test_not_for_adults_nor_for_units(self) -> None:
        assert self.shown(patient={}) == ()
        assert self.shown(order={}) == ()
        no_weight = a_case(order=self.ORDER, patient={"birth_date": "2023-05-05"})
        assert one(order, pre_start(no_weight)).shown == ()


def consented(*records: Any, **how: Any) -> Finding:
    return one(consent, pre_start(a_case(consent=None, extra=records), **how))


def refusal(key: str = "Consent/r", **said: Any) -> Any:
    return a_consent(key, **({"decision": "refused"} | said))


LATER = at(COLLECTED_AT + timedelta(hours=1))


class TestConsentOnFile:
    """PRE-02: valid documented consent for this component; missing authorise, uk caution.

    [S47][S103]; BSH/SaBTO from memory.
    """

    def test_given(self) -> None:
        assert consented(a_consent()).reason == "consent-given"

    def test_none_on_file(self) -> None:
        found = consented()
        assert (found.verdict, found.reason) == (Verdict.AUTHORISE, "consent-missing")
        assert found.missing == ("consent",)

    def test_none_on_file_in_the_united_kingdom(self) -> None:
        assert consented(policy=profile("uk")).verdict is Verdict.CAUTION

    @pytest.mark.parametrize(
        "said",
        [
            {"decision": "unknown"},
            {"in_force": False},
            {"components": frozenset({Component.PLASMA})},
            {"end": at(CHECKED_AT - timedelta(minutes=1))},
            {"end": Moment(text="2025-06-01")},
            {"start": at(CHECKED_AT + timedelta(minutes=1))},
        ],
    )
    def test_draft_expired_unknown_or_for_another_component_is_none(
        self, said: dict[str, Any]
    ) -> None:
        assert consented(a_consent(**said)).reason == "consent-missing"

    @pytest.mark.parametrize(
        "said",
        [
            {"components": frozenset({Component.RED_CELLS})},
            {"start": Moment(text="2025-06-02"), "end": Moment(text="2025-06-02")},
            {"start": Moment(text="2025"), "end": Moment(text="2025")},
        ],
    )
    def test_one_that_covers_component_and_day_is_given(self, said: dict[str, Any]) -> None:
        assert consented(a_consent(**said)).reason == "consent-given"

    def test_incapacity_and_urgency_never_block(self) -> None:
        """PRE-02: without a refusal, incapacity plus life-threatening urgency never blocks."""
        assert consented(urgency="life-threatening").verdict is Verdict.NOTE


class TestRefusal:
    """PRE-02: an in-force deny that covers the component refuses, lifted only by a later valid
    permit or a recorded lawful authority, never by a typed reason [S103]."""

    def test_it_refuses(self) -> None:
        found = consented(refusal())
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "consent-refused")
        assert found.remedy is Remedy.CALL_PRESCRIBER

    def test_urgency_does_not_soften_it(self) -> None:
        assert consented(refusal(), urgency="life-threatening").verdict is Verdict.REFUSE

    def test_it_is_per_component(self) -> None:
        plasma = refusal(components=frozenset({Component.PLASMA}))
        red_cells = refusal(components=frozenset({Component.RED_CELLS}))
        assert consented(a_consent(), plasma).reason == "consent-given"
        assert consented(a_consent(), red_cells).reason == "consent-refused"

    def test_an_unknown_component_is_covered(self) -> None:
        plasma = refusal(components=frozenset({Component.PLASMA}))
        case = a_case(unit={"component": None}, extra=(plasma,))
        assert one(consent, pre_start(case)).reason == "consent-refused"

    def test_a_later_permit_lifts_it(self) -> None:
        assert consented(refusal(), a_consent(at=LATER)).reason == "consent-given"

    @pytest.mark.parametrize(
        "permit",
        [
            {"at": at(COLLECTED_AT)},
            {"at": None},
            {"at": Moment(text="2025-06-01")},
            {"at": LATER, "in_force": False},
            {"at": LATER, "components": frozenset({Component.PLASMA})},
        ],
    )
    def test_one_that_is_not_shown_to_be_later_does_not(self, permit: dict[str, Any]) -> None:
        assert consented(refusal(), a_consent(**permit)).reason == "consent-refused"

    def test_days_are_compared_as_days(self) -> None:
        permit = a_consent(at=Moment(text="2025-06-02"))
        assert consented(refusal(), permit).reason == "consent-given"

    @pytest.mark.parametrize("when", [None, Moment(text="2025")])
    def test_a_refusal_without_a_day_is_lifted_by_no_permit(self, when: Moment | None) -> None:
        found = consented(refusal(at=when), a_consent(at=LATER))
        assert found.reason == "consent-refused"

    def test_a_lawful_authority_lifts_it_whenever_recorded(self) -> None:
        ordered = a_consent(lawful_authority=True, at=at(COLLECTED_AT - timedelta(days=1)))
        assert consented(refusal(), ordered).reason == "consent-given"

    def test_an_expired_refusal_is_ignored(self) -> None:
        over = refusal(end=at(CHECKED_AT - timedelta(days=1)))
        assert consented(over, a_consent()).reason == "consent-given"

    def test_an_advance_decision_is_shown_in_full(self) -> None:
        words = "No red cells under any circumstances."
        assert consented(refusal(text=words)).shown == (("refusal", words),)
