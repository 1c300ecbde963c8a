"""Special requirements: PRE-03 (rules.md section 3; [S15][S47], by component [S92])."""

from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Ref
from service.facts.unit import Component, Group, Restriction
from service.rules.preparation_requirements import requirements
from tests.support.cases import STRANGER, a_bag, a_case, an_order, fact, pre_start
from tests.support.policies import with_rows

CELLULAR = {
    Component.RED_CELLS,
    Component.PLATELETS,
    Component.GRANULOCYTES,
    Component.WHOLE_BLOOD,
}
RED_CELL_BEARING = {Component.RED_CELLS, Component.WHOLE_BLOOD, Component.GRANULOCYTES}

APPLIES: dict[str, set[Component]] = {
    "irradiated": CELLULAR,
    "cmv-negative": CELLULAR,
    "leukoreduced": CELLULAR,
    "hbs-negative": RED_CELL_BEARING,
    "hla-matched": {Component.PLATELETS, Component.GRANULOCYTES},
    "hla-selected": {Component.PLATELETS, Component.GRANULOCYTES},
    "washed": {Component.RED_CELLS, Component.PLATELETS},
    "fresh": {Component.RED_CELLS, Component.PLATELETS},
}
REFUSED = ("irradiated", "washed")


def judged(
    *words: str,
    has: frozenset[str] | None = frozenset(),
    antigens: frozenset[str] = frozenset(),
    component: Component = Component.RED_CELLS,
    unit: dict[str, Any] | None = None,
    issue: dict[str, Any] | None = None,
    rows: dict[str, Any] | None = None,
    urgency: str | None = None,
    **facts: Any,
) -> tuple[Finding, ...]:
    """The finding for an order that requires some words, and a unit that has some attributes."""
    case = a_case(
        component=component,
        order={"requirements": frozenset(words), "antigens_negative": antigens},
        unit={"attributes": has} | (unit or {}),
        issue=issue or {},
        **facts,
    )
    return requirements(pre_start(case, policy=with_rows(rows), urgency=urgency))


def verdict(*words: str, **how: Any) -> Verdict:
    (found,) = judged(*words, **how)
    assert found.verdict is not None
    return found.verdict


class TestByComponent:
    """A requirement that does not apply to the component is silent [S92]."""

    @pytest.mark.parametrize("component", list(Component))
    @pytest.mark.parametrize("word", list(APPLIES))
    def test_each_word_and_component(self, word: str, component: Component) -> None:
        found = judged(word, component=component)
        assert bool(found) is (component in APPLIES[word])

    def test_antigens_apply_where_red_cells_are(self) -> None:
        for component in Component:
            found = judged(antigens=frozenset({"K"}), component=component)
            assert bool(found) is (component in RED_CELL_BEARING)

    def test_an_unknown_component_is_asked_for_everything(self) -> None:
        (found,) = judged("hla-matched", unit={"component": None})
        assert found.verdict is Verdict.AUTHORISE

    def test_a_word_no_row_speaks_of_applies_to_all(self) -> None:
        assert verdict("iga-deficient", component=Component.PLASMA) is Verdict.AUTHORISE

    def test_without_requirements_the_rule_is_silent(self) -> None:
        assert judged() == ()


class TestFailed:
    """Attributes sent without the one required: refuse for irradiated, antigen-negative and
    washed, authorise for the others."""

    @pytest.mark.parametrize(
        "word", [w for w, where in APPLIES.items() if Component.RED_CELLS in where]
    )
    def test_each_word(self, word: str) -> None:
        (found,) = judged(word)
        expected = Verdict.REFUSE if word in REFUSED else Verdict.AUTHORISE
        assert (found.verdict, found.reason) == (expected, "special-requirement-unmet")
        assert found.remedy is Remedy.CALL_LABORATORY
        assert word in found.text

    @pytest.mark.parametrize("word", list(APPLIES))
    def test_the_attribute_itself_meets_it(self, word: str) -> None:
        component = next(iter(sorted(APPLIES[word])))
        assert verdict(word, has=frozenset({word}), component=component) is Verdict.NO_OBJECTION

    def test_the_gravest_of_several_counts_and_all_are_named(self) -> None:
        (found,) = judged("fresh", "irradiated")
        assert found.verdict is Verdict.REFUSE
        assert "fresh" in found.text

    def test_the_site_may_say_that_one_of_the_others_is_nothing(self) -> None:
        assert judged("fresh", rows={"requirement-unmet-as": "off"})[0].reason == (
            "special-requirements-met"
        )


class TestMissing:
    """Not sent = missing: authorise."""

    def test_no_attributes_at_all(self) -> None:
        (found,) = judged("irradiated", has=None)
        assert (found.verdict, found.known) == (Verdict.AUTHORISE, False)
        assert (found.reason, found.missing) == ("special-requirement-unknown", ("irradiated",))

    def test_the_record_of_the_unit_is_missing(self) -> None:
        assert verdict("irradiated", has=None) is Verdict.AUTHORISE

    def test_missing_beside_failed_is_said(self) -> None:
        (found,) = judged("fresh", antigens=frozenset({"K"}))
        assert found.verdict is Verdict.AUTHORISE
        assert "K negative" in found.text


class TestAntigens:
    """Antigens as COMP-03: typed positive refuses, not typed asks for authorisation."""

    K = frozenset({"K"})

    @pytest.mark.parametrize(
        ("typed", "expected"),
        [
            ((("K", True),), Verdict.REFUSE),
            ((("K", False),), Verdict.NO_OBJECTION),
            ((("E", False),), Verdict.AUTHORISE),
            ((), Verdict.AUTHORISE),
        ],
    )
    def test_by_typing(self, typed: Any, expected: Verdict) -> None:
        assert verdict(antigens=self.K, unit={"antigens": typed}) is expected

    def test_the_bag_says_it_too_and_the_worse_of_two_typings_counts(self) -> None:
        negative = {"bag": a_bag(antigens=(("K", False),))}
        assert verdict(antigens=self.K, check=negative) is Verdict.NO_OBJECTION
        against = {"antigens": (("K", True),)}
        assert verdict(antigens=self.K, check=negative, unit=against) is Verdict.REFUSE


class TestAttestation:
    """An attestation at issue counts as met."""

    def test_an_attribute(self) -> None:
        attested = {"attested": frozenset({"irradiated"})}
        assert verdict("irradiated", has=None, issue=attested) is Verdict.NO_OBJECTION

    def test_antigens_but_not_against_a_typing(self) -> None:
        attested = {"attested": frozenset({"antigen-negative"})}
        k = frozenset({"K"})
        assert verdict(antigens=k, issue=attested) is Verdict.NO_OBJECTION
        typed = {"antigens": (("K", True),)}
        assert verdict(antigens=k, issue=attested, unit=typed) is Verdict.REFUSE

    @pytest.mark.parametrize("patient", [STRANGER, None])
    def test_only_for_this_patient(self, patient: Ref | None) -> None:
        attested = {"attested": frozenset({"irradiated"}), "patient": patient}
        assert verdict("irradiated", has=None, issue=attested) is Verdict.AUTHORISE


class TestPolicyOptions:
    """POL-27 ``leukoreduced_counts_as_cmv_safe``, POL-28 ``pathogen_reduced_counts_as_irradiated``:
    both off by default."""

    @pytest.mark.parametrize("word", ["cmv-negative", "cmv-safe"])
    def test_leukoreduced(self, word: str) -> None:
        has = frozenset({"leukoreduced"})
        on = {"leukoreduced-counts-as-cmv-safe": True}
        assert verdict(word, has=has) is Verdict.AUTHORISE
        assert verdict(word, has=has, rows=on) is Verdict.NO_OBJECTION

    def test_pathogen_reduced(self) -> None:
        has = frozenset({"pathogen-reduced"})
        on = {"pathogen-reduced-counts-as-irradiated": True}
        assert verdict("irradiated", has=has) is Verdict.REFUSE
        assert verdict("irradiated", has=has, rows=on) is Verdict.NO_OBJECTION

    def test_a_cmv_negative_donor_is_cmv_safe(self) -> None:
        assert verdict("cmv-safe", has=frozenset({"cmv-negative"})) is Verdict.NO_OBJECTION


class TestConcession:
    """Section 0: refusals of PRE-03 become authorise with a laboratory concession id or
    life-threatening urgency [S97]."""

    def test_a_concession(self) -> None:
        assert verdict("irradiated", issue={"concession": "CN-7"}) is Verdict.AUTHORISE

    def test_life_threatening_urgency(self) -> None:
        assert verdict("irradiated", urgency="life-threatening") is Verdict.AUTHORISE

    def test_urgent_alone_softens_nothing(self) -> None:
        assert verdict("irradiated", urgency="urgent") is Verdict.REFUSE


class TestTheOrders:
    """design section 4: requirements are the union of the linked orders'."""

    def test_union(self) -> None:
        more = an_order(
            "ServiceRequest/o2",
            requirements=frozenset({"irradiated"}),
            based_on=(Ref(kind="ServiceRequest", id="o1"),),
        )
        assert verdict("leukoreduced", has=frozenset({"leukoreduced"}), extra=(more,)) is (
            Verdict.REFUSE
        )

    def test_revoked_orders_and_other_patients_orders_require_nothing(self) -> None:
        body = an_order(
            requirements=frozenset({"irradiated"}), based_on=(Ref(kind="ServiceRequest", id="o1"),)
        ).body
        theirs = fact(body, "ServiceRequest/o2", subject=STRANGER)
        gone = an_order(
            "ServiceRequest/o3",
            status="revoked",
            requirements=body.requirements,
            based_on=body.based_on,
        )
        assert judged(extra=(theirs, gone)) == ()

    def test_an_autologous_unit_meets_autologous_by_its_group_code(self) -> None:
        own = {"group": Group(abo="A", rhd="positive", restriction=Restriction.AUTOLOGOUS)}
        assert verdict("autologous", has=None, unit=own) is Verdict.NO_OBJECTION
        assert verdict("autologous", unit={"volume": Decimal(300)}) is Verdict.AUTHORISE
