"""Every cell of every compatibility table, and the tables against blood-group serology.

Sources of the cells: red cells S23 (Lifeblood) and S29 (NZ quick guide); plasma S25, S24
(Lifeblood) and S28 (UK-style table, secondary); cryoprecipitate S28; platelets S26, S24 and S105;
whole blood from memory (AABB Standards 5.15.1). Sources of the antigens and antibodies: S18 (UK
handbook 2.4): group O plasma has anti-A and anti-B, A anti-B, B anti-A, AB neither.
"""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Verdict, gravest
from service.facts.unit import Component
from service.policy.policy import VERDICTS, Policy
from service.rules.compatibility import compatibility
from tests.support.cases import (
    CHECKED_AT,
    a_bag,
    a_case,
    group,
    of_rule,
    pre_start,
    some_vitals,
    unit_of,
)
from tests.support.catalogue import tables
from tests.support.policies import profile, with_rows

GROUPS = ("O", "A", "B", "AB")
RECIPIENTS = (*GROUPS, "unknown")
ABO_RULES = {
    Component.RED_CELLS: "COMP-01",
    Component.PLASMA: "COMP-04",
    Component.CRYOPRECIPITATE: "COMP-05",
    Component.PLATELETS: "COMP-06",
    Component.WHOLE_BLOOD: "COMP-08",
    Component.GRANULOCYTES: "COMP-09",
}
INFANT = {"birth_date": "2025-04-20"}


def abo_findings(
    component: Component,
    recipient: str,
    unit: str,
    *,
    policy: Policy | None = None,
    infant: bool = False,
    **described: Any,
) -> tuple[Finding, ...]:
    """What the component's ABO rule says of RhD negative blood for an RhD negative patient."""
    described.setdefault("attributes", frozenset({"irradiated"}))
    case = a_case(
        component=component,
        recipient=f"{recipient}-",
        bag_group=f"{unit}-",
        unit=described,
        patient=INFANT if infant else {},
    )
    return of_rule(compatibility(pre_start(case, policy=policy)), ABO_RULES[component])


def cells(name: str) -> list[Any]:
    return [
        pytest.param(recipient, unit, word, id=f"{recipient}-gets-{unit}")
        for recipient, row in tables()[name].items()
        for unit, word in row.items()
    ]


class TestRedCells:
    """COMP-01, 1.2 [S23][S29]: best option, OK and never columns."""

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("red_cells"))
    def test_every_cell(self, recipient: str, unit: str, word: str) -> None:
        assert gravest(abo_findings(Component.RED_CELLS, recipient, unit)) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("red_cells"))
    def test_an_infant_has_the_same_cells(self, recipient: str, unit: str, word: str) -> None:
        found = abo_findings(Component.RED_CELLS, recipient, unit, infant=True)
        assert gravest(found) is VERDICTS[word]


class TestPlasma:
    """COMP-04, 1.4 [S25][S24][S28]."""

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("plasma"))
    def test_every_cell(self, recipient: str, unit: str, word: str) -> None:
        assert gravest(abo_findings(Component.PLASMA, recipient, unit)) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("plasma_au"))
    def test_the_australian_row(self, recipient: str, unit: str, word: str) -> None:
        found = abo_findings(Component.PLASMA, recipient, unit, policy=profile("au"))
        assert gravest(found) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("plasma_infant"))
    def test_for_an_infant(self, recipient: str, unit: str, word: str) -> None:
        found = abo_findings(Component.PLASMA, recipient, unit, infant=True)
        assert gravest(found) is VERDICTS[word]


class TestCryoprecipitate:
    """COMP-05, 1.5 [S28]; the option cryo-any-abo from memory (Circular of Information)."""

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("cryo_adult"))
    def test_every_cell(self, recipient: str, unit: str, word: str) -> None:
        assert gravest(abo_findings(Component.CRYOPRECIPITATE, recipient, unit)) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("cryo_infant"))
    def test_for_an_infant(self, recipient: str, unit: str, word: str) -> None:
        found = abo_findings(Component.CRYOPRECIPITATE, recipient, unit, infant=True)
        assert gravest(found) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("cryo_adult"))
    def test_any_group_asks_an_adult_for_a_caution(
        self, recipient: str, unit: str, word: str
    ) -> None:
        policy = with_rows({"cryo-any-abo": True})
        found = abo_findings(Component.CRYOPRECIPITATE, recipient, unit, policy=policy)
        assert gravest(found) is min(VERDICTS[word], Verdict.CAUTION)

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("cryo_infant"))
    def test_any_group_changes_nothing_for_an_infant(
        self, recipient: str, unit: str, word: str
    ) -> None:
        policy = with_rows({"cryo-any-abo": True})
        found = abo_findings(Component.CRYOPRECIPITATE, recipient, unit, policy=policy, infant=True)
        assert gravest(found) is VERDICTS[word]


class TestPlatelets:
    """COMP-06, 1.6 [S26][S24][S30][S105]."""

    @pytest.mark.parametrize(
        ("table", "titre", "profile_name", "infant"),
        [
            ("platelets_untested", None, "default", False),
            ("platelets_untested_us", None, "us", False),
            ("platelets_low_titre", "low", "default", False),
            ("platelets_high_titre", "high", "default", False),
            ("platelets_untested_infant", None, "default", True),
            ("platelets_low_titre_infant", "low", "default", True),
        ],
    )
    def test_every_cell(
        self, table: str, titre: str | None, profile_name: str, infant: bool
    ) -> None:
        policy = profile(profile_name)
        for recipient, row in tables()[table].items():
            for unit, word in row.items():
                found = abo_findings(
                    Component.PLATELETS, recipient, unit, policy=policy, infant=infant, titre=titre
                )
                assert gravest(found) is VERDICTS[word], (recipient, unit)

    def test_additive_solution_counts_as_low_titre(self) -> None:
        found = abo_findings(Component.PLATELETS, "A", "O", additive_solution=True)
        assert gravest(found) is Verdict.NOTE

    def test_additive_solution_does_not_count_for_an_infant(self) -> None:
        found = abo_findings(Component.PLATELETS, "A", "O", additive_solution=True, infant=True)
        assert gravest(found) is Verdict.REFUSE

    def test_a_high_titre_outweighs_additive_solution(self) -> None:
        found = abo_findings(Component.PLATELETS, "A", "O", additive_solution=True, titre="high")
        assert [f.reason for f in found] == ["high-titre-O-to-non-O"]
        assert gravest(found) is Verdict.REFUSE


class TestWholeBlood:
    """COMP-08, 1.7, from memory (AABB Standards 5.15.1): identical, or low-titre O by programme."""

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("whole_blood_untitred"))
    def test_every_cell(self, recipient: str, unit: str, word: str) -> None:
        assert gravest(abo_findings(Component.WHOLE_BLOOD, recipient, unit)) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("whole_blood_untitred"))
    def test_low_titre_counts_for_nothing_without_a_programme(
        self, recipient: str, unit: str, word: str
    ) -> None:
        found = abo_findings(Component.WHOLE_BLOOD, recipient, unit, titre="low")
        assert gravest(found) is VERDICTS[word]

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("whole_blood_low_titre_O"))
    def test_low_titre_o_under_a_programme(self, recipient: str, unit: str, word: str) -> None:
        policy = with_rows({"low-titre-programme": True})
        found = abo_findings(Component.WHOLE_BLOOD, recipient, unit, policy=policy, titre="low")
        assert gravest(found) is VERDICTS[word]

    @pytest.mark.parametrize("titre", [None, "high"])
    def test_a_programme_needs_the_titre(self, titre: str | None) -> None:
        policy = with_rows({"low-titre-programme": True})
        found = abo_findings(Component.WHOLE_BLOOD, "A", "O", policy=policy, titre=titre)
        assert gravest(found) is Verdict.REFUSE


class TestGranulocytes:
    """COMP-09, 1.8 [S80]: the red-cell table, with a caution for incompatible plasma."""

    @pytest.mark.parametrize(("recipient", "unit", "word"), cells("red_cells"))
    def test_every_cell(self, recipient: str, unit: str, word: str) -> None:
        found = abo_findings(Component.GRANULOCYTES, recipient, unit)
        abo = [f for f in found if f.reason != "granulocyte-plasma-incompatible"]
        assert gravest(abo) is VERDICTS[word]


class TestInfantByWeight:
    """Section 0: an infant is under 4 months or under 12 kg."""

    @pytest.mark.parametrize(("weight", "expected"), [("11.9", "refuse"), ("12", "authorise")])
    def test_the_limit_is_twelve_kilograms(self, weight: str, expected: str) -> None:
        case = a_case(
            component=Component.PLASMA,
            recipient="A-",
            bag_group="B-",
            baseline={"weight": weight},
            patient={"birth_date": "2023-05-01"},
        )
        found = of_rule(compatibility(pre_start(case)), "COMP-04")
        assert gravest(found) is VERDICTS[expected]

    @pytest.mark.parametrize(
        ("minutes", "value", "expected"),
        [(1, "9", "authorise"), (0, "9", "refuse"), (0, "70", "authorise")],
    )
    def test_the_newest_weight_known_by_then_counts(
        self, minutes: int, value: str, expected: str
    ) -> None:
        when = CHECKED_AT + timedelta(minutes=minutes)
        case = a_case(
            component=Component.PLASMA,
            recipient="A-",
            bag_group="B-",
            baseline={"weight": "30"},
            extra=(some_vitals(when, "Observation/w1", {"weight": value}),),
        )
        found = of_rule(compatibility(pre_start(case)), "COMP-04")
        assert gravest(found) is VERDICTS[expected]

    @pytest.mark.parametrize(
        ("born", "expected"), [("2025-02-03", "refuse"), ("2025-02-02", "authorise")]
    )
    def test_the_limit_is_four_months(self, born: str, expected: str) -> None:
        case = a_case(
            component=Component.PLASMA,
            recipient="A-",
            bag_group="B-",
            patient={"birth_date": born},
        )
        found = of_rule(compatibility(pre_start(case)), "COMP-04")
        assert gravest(found) is VERDICTS[expected]


ANTIGENS = {"O": set(), "A": {"A"}, "B": {"B"}, "AB": {"A", "B"}}
ANY = {"A", "B"}


def antibodies_of(abo: str) -> set[str]:
    return ANY - ANTIGENS[abo]


def cells_react(recipient: str, unit: str) -> bool:
    """The recipient's antibodies meet the unit's red cells; an unknown recipient may have both."""
    antibodies = ANY if recipient == "unknown" else antibodies_of(recipient)
    return bool(antibodies & ANTIGENS[unit])


def plasma_reacts(recipient: str, unit: str) -> bool:
    """The unit's antibodies meet the recipient's red cells; an unknown recipient may have both."""
    antigens = ANY if recipient == "unknown" else ANTIGENS[recipient]
    return bool(antibodies_of(unit) & antigens)


PAIRS = [(recipient, unit) for recipient in RECIPIENTS for unit in GROUPS]


@pytest.mark.parametrize(("recipient", "unit"), PAIRS)
class TestSerology:
    """The tables derived anew from antigens and antibodies [S18]."""

    def test_red_cells_that_react_are_refused_and_others_pass(
        self, recipient: str, unit: str
    ) -> None:
        verdict = gravest(abo_findings(Component.RED_CELLS, recipient, unit))
        if cells_react(recipient, unit):
            assert verdict is Verdict.REFUSE
        else:
            assert verdict is (
                Verdict.AUTHORISE if recipient == "unknown" else Verdict.NO_OBJECTION
            )

    def test_granulocytes_that_react_are_refused(self, recipient: str, unit: str) -> None:
        verdict = gravest(abo_findings(Component.GRANULOCYTES, recipient, unit))
        assert (verdict is Verdict.REFUSE) == cells_react(recipient, unit)

    def test_plasma_passes_only_when_nothing_reacts(self, recipient: str, unit: str) -> None:
        verdict = gravest(abo_findings(Component.PLASMA, recipient, unit))
        assert (verdict is Verdict.NO_OBJECTION) == (not plasma_reacts(recipient, unit))

    def test_plasma_of_group_o_never_meets_antigens(self, recipient: str, unit: str) -> None:
        if unit == "O" and plasma_reacts(recipient, unit):
            verdict = gravest(abo_findings(Component.PLASMA, recipient, unit))
            assert verdict is Verdict.REFUSE

    def test_an_infant_gets_no_plasma_that_reacts(self, recipient: str, unit: str) -> None:
        verdict = gravest(abo_findings(Component.PLASMA, recipient, unit, infant=True))
        assert (verdict is Verdict.REFUSE) == plasma_reacts(recipient, unit)

    def test_whole_blood_passes_only_when_nothing_reacts_either_way(
        self, recipient: str, unit: str
    ) -> None:
        verdict = gravest(abo_findings(Component.WHOLE_BLOOD, recipient, unit))
        reacts = cells_react(recipient, unit) or plasma_reacts(recipient, unit)
        assert (verdict is Verdict.NO_OBJECTION) == (not reacts)

    def test_platelets_are_minor_exactly_where_their_plasma_reacts(
        self, recipient: str, unit: str
    ) -> None:
        found = abo_findings(Component.PLATELETS, recipient, unit, titre="high")
        assert (gravest(found) is Verdict.REFUSE) == plasma_reacts(recipient, unit)

    def test_cryoprecipitate_that_reacts_is_never_without_objection(
        self, recipient: str, unit: str
    ) -> None:
        verdict = gravest(abo_findings(Component.CRYOPRECIPITATE, recipient, unit))
        assert (verdict is Verdict.NO_OBJECTION) == (not plasma_reacts(recipient, unit))


@pytest.mark.parametrize("component", list(ABO_RULES))
class TestTheUnitsGroupMissing:
    """Section 1: unit group missing is refused by every ABO rule, with remedy rescan."""

    def test_it_is_refused(self, component: Component) -> None:
        case = a_case(
            component=component,
            unit={"group": None, "attributes": frozenset({"irradiated"})},
            check={"bag": None, "label": None},
        )
        found = of_rule(compatibility(pre_start(case)), ABO_RULES[component])
        assert [(f.reason, f.verdict, f.known, f.missing) for f in found] == [
            ("unit-group-unknown", Verdict.REFUSE, False, ("unit ABO group",))
        ]
        assert found[0].remedy == "rescan"

    def test_a_pool_of_several_groups_counts_as_unknown(self, component: Component) -> None:
        pooled = replace(group("unknown+"), pooled=True)
        case = a_case(
            component=component,
            unit={"group": pooled, "attributes": frozenset({"irradiated"})},
            check={"bag": a_bag(unit=unit_of(component), group=pooled)},
        )
        found = of_rule(compatibility(pre_start(case)), ABO_RULES[component])
        assert [(f.reason, f.verdict) for f in found] == [("unit-group-pooled", Verdict.REFUSE)]

    def test_two_labels_that_contradict_each_other_count_as_unread(
        self, component: Component
    ) -> None:
        case = a_case(
            component=component,
            bag_group="O-",
            unit={"group": group("A-"), "attributes": frozenset({"irradiated"})},
        )
        found = of_rule(compatibility(pre_start(case)), ABO_RULES[component])
        assert gravest(found) is Verdict.REFUSE
