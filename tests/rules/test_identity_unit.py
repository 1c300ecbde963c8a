"""The right unit: bag, label, focus, order and record (ID-06, ID-12, ID-13)."""

from dataclasses import replace
from datetime import UTC
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict, gravest
from service.facts.identity import Identifier, PersonName
from service.facts.steps import BagLabel, CompatibilityLabel, Scan
from service.facts.unit import Component, Group, UnitRef
from service.rules.identity import RULES
from service.rules.supplied import is_emergency_stock
from service.scan.bag import Typed, read_bag
from tests.support.cases import (
    TEMPORARY_SYSTEM,
    UNIT,
    a_bag,
    a_band,
    a_case,
    a_label,
    an_order,
    group,
    of_rule,
    pre_start,
)

OTHER_DIN = "A999925123457"


def judged(*, urgency: str | None = None, **overrides: Any) -> tuple[Finding, ...]:
    pre = pre_start(a_case(**overrides), urgency=urgency)
    return tuple(finding for rule in RULES for finding in rule(pre))


def one(rule: str, *, urgency: str | None = None, **overrides: Any) -> Finding:
    (finding,) = of_rule(judged(urgency=urgency, **overrides), rule)
    return finding


class TestBagAndLabel:
    """ID-06 [S15][S47]: DIN on bag = DIN on label; group on bag = unit group on label."""

    @pytest.mark.parametrize(
        ("label", "reason"),
        [
            ({"din": OTHER_DIN}, "din-mismatch"),
            ({"product": "E3046"}, "product-mismatch"),
            ({"division": "Aa0000"}, "division-mismatch"),
            ({"unit_group": group("B+")}, "group-mismatch"),
            ({"unit_group": group("A-")}, "group-mismatch"),
        ],
    )
    def test_a_difference_is_refused_with_both_shown(
        self, label: dict[str, Any], reason: str
    ) -> None:
        finding = one("ID-06", check={"label": a_label(**label)})
        assert (finding.reason, finding.verdict, finding.known) == (reason, Verdict.REFUSE, True)
        assert (finding.remedy, finding.critical) == (Remedy.CALL_LABORATORY, True)
        assert len(finding.shown) == 2

    def test_the_patients_group_on_the_label_is_kept_apart_from_the_units(self) -> None:
        finding = one("ID-06", check={"label": a_label(patient_group=group("AB+"))})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_the_donation_number_comes_first_of_several_differences(self) -> None:
        label = a_label(din=OTHER_DIN, unit_group=group("B+"))
        finding = one("ID-06", check={"label": label})
        assert finding.reason == "din-mismatch"
        assert len(finding.shown) == 4

    @pytest.mark.parametrize("urgency", ["urgent", "life-threatening"])
    def test_urgency_softens_nothing(self, urgency: str) -> None:
        finding = one("ID-06", urgency=urgency, check={"label": a_label(din=OTHER_DIN)})
        assert finding.verdict is Verdict.REFUSE


class TestWhatElseNamesTheUnit:
    """Design 4: the scanned bag is what hung and decides; focus differing is a finding."""

    @pytest.mark.parametrize(
        "focus",
        [
            UnitRef(din=OTHER_DIN),
            UnitRef(product="E3046"),
            UnitRef(din=UNIT.din, product=UNIT.product, division="Aa0000"),
        ],
    )
    @pytest.mark.parametrize("step", ["check", "start"])
    def test_another_focus_is_refused(self, focus: UnitRef, step: str) -> None:
        finding = one("ID-06", **({"start": {}} | {step: {"focus": focus}}))
        assert (finding.reason, finding.verdict) == ("focus-mismatch", Verdict.REFUSE)

    def test_a_focus_by_resource_is_what_the_resource_says_now(self) -> None:
        same = UnitRef(resource="BiologicallyDerivedProduct/u1")
        finding = one("ID-06", check={"focus": same})
        assert finding.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        "overrides",
        [
            {"check": {"focus": replace(UNIT, collection="A")}},
            {"unit": {"unit": replace(UNIT, collection="A")}},
        ],
    )
    def test_another_collection_type_is_refused(self, overrides: dict[str, Any]) -> None:
        """It is compared but is not part of the key."""
        assert one("ID-06", **overrides).reason == "collection-mismatch"

    def test_another_group_on_record_is_refused(self) -> None:
        finding = one("ID-06", unit={"group": group("O+")})
        assert finding.reason == "group-mismatch"
        assert ("group on the record", "O RhD positive") in finding.shown

    def test_it_is_found_at_a_start_without_a_check_too(self) -> None:
        finding = one("ID-06", check=None, start={}, unit={"group": group("O+")})
        assert finding.verdict is Verdict.REFUSE
        assert not of_rule(judged(check=None, start={}), "ID-06")


class TestOrdered:
    """ID-06: product on the bag is the product ordered, by code or by component."""

    @pytest.mark.parametrize(
        "order",
        [{"product": "E3046"}, {"component": Component.PLATELETS}],
    )
    def test_another_product_is_refused(self, order: dict[str, Any]) -> None:
        finding = one("ID-06", order=order)
        assert (finding.reason, finding.verdict) == ("product-not-ordered", Verdict.REFUSE)

    @pytest.mark.parametrize("order", [{"product": UNIT.product}, {"component": None}, None])
    def test_the_same_product_or_none_named_passes(self, order: Any) -> None:
        assert one("ID-06", order=order).verdict is Verdict.NO_OBJECTION

    def test_one_of_several_linked_orders_suffices(self) -> None:
        prepare = an_order("ServiceRequest/o2", component=Component.PLATELETS)
        linked = {"based_on": (*an_order().body.based_on,)}
        case = a_case(extra=(prepare,), order=linked)
        pre = replace(pre_start(case), orders=(*pre_start(case).orders, prepare))
        (finding,) = of_rule([f for rule in RULES for f in rule(pre)], "ID-06")
        assert finding.verdict is Verdict.NO_OBJECTION


class TestNotRead:
    """ID-06, when missing: refuse, rescan."""

    @pytest.mark.parametrize(
        ("check", "lacking"),
        [
            ({"bag": a_bag(unit=replace(UNIT, din=None))}, "donation number on the bag"),
            ({"bag": a_bag(unit=replace(UNIT, product=None))}, "product code on the bag"),
            ({"bag": a_bag(group=None)}, "group on the bag"),
            ({"bag": a_bag(group=Group(rhd="positive"))}, "group on the bag"),
            ({"label": a_label(din=None)}, "donation number on the label"),
            ({"label": a_label(unit_group=None)}, "unit group on the label"),
            ({"label": a_label(unit_group=group("A"))}, "RhD type on bag and label"),
            ({"bag": a_bag(faults=("a tube label",))}, "a scan or number that may be used"),
            (
                {"bag": a_bag(scans=(Scan(raw="x", fault="not known"),))},
                "a scan or number that may be used",
            ),
            (
                {"label": a_label(din_fault="not a donation number")},
                "a scan or number that may be used",
            ),
        ],
    )
    def test_each_one_missing_is_refused(self, check: dict[str, Any], lacking: str) -> None:
        finding = one("ID-06", check=check)
        assert (finding.reason, finding.verdict, finding.known) == (
            "unit-not-read",
            Verdict.REFUSE,
            False,
        )
        assert (finding.missing, finding.remedy) == ((lacking,), Remedy.RESCAN)

    def test_a_bag_not_read_at_all_is_said_once(self) -> None:
        finding = one("ID-06", check={"bag": None})
        assert finding.missing == (
            "donation number on the bag",
            "product code on the bag",
            "group on the bag",
        )

    def test_a_unit_without_division_equals_nothing(self) -> None:
        ref = replace(UNIT, division=None)
        case = a_case(check={"unit": ref, "bag": a_bag(unit=ref)}, issue=None, unit=None)
        (step,) = case.loose
        pre = replace(pre_start(case), check=step, unit=pre_start().unit.__class__(key=None))
        (finding,) = of_rule([f for rule in RULES for f in rule(pre)], "ID-06")
        assert finding.missing == ("division of the unit",)

    def test_a_label_not_read_at_all_is_id_05s_to_say(self) -> None:
        assert one("ID-06", check={"label": None}).verdict is Verdict.NO_OBJECTION

    def test_plasma_needs_no_rhd_on_both(self) -> None:
        label = a_label(product="E9981", unit_group=group("A"))
        finding = one("ID-06", component=Component.PLASMA, check={"label": label})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_pools_agree_by_being_pools(self) -> None:
        pooled = Group(pooled=True)
        finding = one(
            "ID-06",
            check={"bag": a_bag(group=pooled), "label": a_label(unit_group=pooled)},
        )
        assert finding.verdict is Verdict.NO_OBJECTION


class TestCheckCharacter:
    """ID-12: ISO 7064 mod 37-2; G123498654321 has check character H ([S21])."""

    def typed(self, text: str) -> BagLabel:
        return read_bag((), zone=UTC, typed=Typed(donation_number=text))

    def test_the_published_example_passes(self) -> None:
        assert self.typed("G123498654321H").faults == ()

    def test_another_character_is_refused(self) -> None:
        finding = one("ID-12", check={"bag": self.typed("G123498654321J")})
        assert (finding.reason, finding.verdict, finding.remedy) == (
            "din-check-failed",
            Verdict.REFUSE,
            Remedy.RESCAN,
        )

    def test_the_labels_number_counts_too(self) -> None:
        fault = "the check character does not match the donation number"
        finding = one("ID-12", check={"label": a_label(din_fault=fault)})
        assert finding.verdict is Verdict.REFUSE

    def test_a_failed_character_is_said_once(self) -> None:
        bag = replace(a_bag(), faults=("the check character does not match",))
        findings = judged(check={"bag": bag})
        assert [f.rule for f in findings if f.verdict is Verdict.REFUSE] == ["ID-12"]

    def test_a_scan_without_fault_passes(self) -> None:
        assert one("ID-12").verdict is Verdict.NO_OBJECTION

    def test_a_number_keyed_without_one_is_listed_as_not_checked(self) -> None:
        finding = one("ID-12", check={"bag": a_bag(scanned=False)})
        assert (finding.verdict, finding.known) == (None, False)

    def test_no_bag_is_id_06s_to_say(self) -> None:
        assert not of_rule(judged(check={"bag": None}), "ID-12")


ROOM = Identifier("https://harrow-vale.example/id/room", "12")


class TestEmergencyStock:
    """ID-13 [S97]: no patient label, no issue; group O red cells, DIN, expiry, appearance and one
    unique band identifier; authorise, and tell the blood bank who gets it."""

    def stock(self, *, urgency: str = "life-threatening", **overrides: Any) -> tuple[Finding, ...]:
        given: dict[str, Any] = {
            "issue": None,
            "bag_group": "O-",
            "urgency": urgency,
            "check": {"label": None, "bag": a_bag(group=group("O-"))},
        }
        check = given["check"] | overrides.pop("check", {})
        return judged(**(given | overrides | {"check": check}))

    def test_complete_stock_is_authorised_without_a_label(self) -> None:
        findings = self.stock()
        (finding,) = of_rule(findings, "ID-13")
        assert (finding.reason, finding.verdict) == ("emergency-stock", Verdict.AUTHORISE)
        assert gravest(findings) is Verdict.AUTHORISE

    def test_a_temporary_band_will_do(self) -> None:
        number = Identifier(TEMPORARY_SYSTEM, "T-1")
        band = a_band(identifiers=(number,), scans=("T-1",), name=PersonName(), birth_date=None)
        findings = self.stock(check={"band": band}, patient={"identifiers": (number,), "names": ()})
        assert gravest(findings) is Verdict.AUTHORISE

    @pytest.mark.parametrize("label", [CompatibilityLabel(), CompatibilityLabel(din=UNIT.din)])
    def test_a_label_that_names_no_patient_is_none(self, label: CompatibilityLabel) -> None:
        (finding,) = of_rule(self.stock(check={"label": label}), "ID-13")
        assert finding.verdict is Verdict.AUTHORISE

    @pytest.mark.parametrize(
        ("overrides", "lacking"),
        [
            ({"check": {"appearance": None}}, "appearance"),
            ({"check": {"band": a_band(identifiers=())}}, "identifier on the band"),
            ({"check": {"band": a_band(identifiers=(ROOM,))}}, "identifier on the band"),
            ({"check": {"band": None}}, "identifier on the band"),
            (
                {"check": {"bag": a_bag(group=group("O-"), unit=replace(UNIT, din=None))}},
                "donation number on the bag",
            ),
            (
                {
                    "check": {"bag": a_bag(group=group("O-"), expiry=None)},
                    "unit": {"expiry": None, "group": group("O-")},
                },
                "expiry",
            ),
            (
                {"check": {"bag": a_bag(group=None)}, "unit": {"group": None}},
                "unit ABO group",
            ),
        ],
    )
    def test_each_one_missing_is_refused(self, overrides: dict[str, Any], lacking: str) -> None:
        (finding,) = of_rule(self.stock(**overrides), "ID-13")
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, (lacking,))
        assert finding.remedy is Remedy.COMPLETE_RECORD

    @pytest.mark.parametrize(
        "overrides",
        [
            {"bag_group": "A-", "check": {"bag": a_bag(group=group("A-"))}},
            {"component": Component.WHOLE_BLOOD, "check": {"bag": a_bag(group=group("O-"))}},
        ],
    )
    def test_anything_but_group_o_red_cells_is_refused(self, overrides: dict[str, Any]) -> None:
        (finding,) = of_rule(self.stock(**overrides), "ID-13")
        assert (finding.reason, finding.verdict) == ("emergency-stock-not-group-o", Verdict.REFUSE)

    @pytest.mark.parametrize(
        "overrides",
        [
            {"urgency": "routine"},
            {"urgency": "urgent"},
            {"issue": {}},
            {"check": {"label": a_label()}},
            {"check": {"label": CompatibilityLabel(name=PersonName(given="Wren"))}},
            {"check": {"label": CompatibilityLabel(birth_date="1961-12-04")}},
            {"check": {"label": CompatibilityLabel(sample_number="S250601-99")}},
        ],
    )
    def test_a_labelled_or_issued_unit_or_no_emergency_is_judged_as_ever(
        self, overrides: dict[str, Any]
    ) -> None:
        assert not of_rule(self.stock(**overrides), "ID-13")

    def test_a_start_without_a_check_is_no_emergency_stock(self) -> None:
        case = a_case(check=None, start={}, issue=None, bag_group="O-")
        assert not is_emergency_stock(pre_start(case, urgency="life-threatening"))

    def test_outside_an_emergency_the_missing_label_refuses(self) -> None:
        assert gravest(self.stock(urgency="routine")) is Verdict.REFUSE
