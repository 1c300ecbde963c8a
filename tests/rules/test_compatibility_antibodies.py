"""Red-cell antibodies, antigens and Kell (COMP-03, rules.md 1.3)."""

from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict, gravest
from service.facts.records import Antibody
from service.facts.unit import Component
from service.rules.compatibility import compatibility
from tests.support.cases import a_bag, a_case, an_antibody_screen, of_rule, pre_start
from tests.support.policies import profile, with_rows

BEARING = (Component.RED_CELLS, Component.WHOLE_BLOOD, Component.GRANULOCYTES)
NEWBORN = {"birth_date": "2025-04-20", "sex": "male"}


def antibody(*antigens: str, **marks: bool) -> dict[str, Any]:
    return {
        "screen": "positive",
        "antibodies": tuple(Antibody(antigen=antigen, **marks) for antigen in antigens),
    }


def comp03(
    *, policy: Any = None, urgency: str = "routine", **overrides: Any
) -> tuple[Finding, ...]:
    pre = pre_start(a_case(**overrides), policy=policy, urgency=urgency)
    return of_rule(compatibility(pre), "COMP-03")


def one(**overrides: Any) -> Finding:
    (finding,) = comp03(**overrides)
    return finding


class TestAntigens:
    """Alloantibodies, current or historical: unit typed positive refuse; not typed authorise
    (from memory: AABB Standards 5.14 to 5.16; [S19] for the principle)."""

    @pytest.mark.parametrize("historical", [True, False])
    def test_a_unit_typed_positive_is_refused(self, historical: bool) -> None:
        finding = one(
            antibodies=antibody("K", historical=historical), unit={"antigens": (("K", True),)}
        )
        assert (finding.reason, finding.verdict) == (
            "antigen-positive-for-antibody",
            Verdict.REFUSE,
        )
        assert finding.remedy is Remedy.CALL_LABORATORY

    def test_a_unit_typed_negative_passes(self) -> None:
        finding = one(antibodies=antibody("K"), unit={"antigens": (("K", False),)})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_unit_not_typed_is_authorised_and_the_typing_named(self) -> None:
        finding = one(antibodies=antibody("K", "Jka"))
        assert (finding.reason, finding.verdict) == ("antigen-not-typed", Verdict.AUTHORISE)
        assert finding.missing == ("unit typing for Jka", "unit typing for K")

    def test_one_positive_antigen_among_many_is_refused(self) -> None:
        finding = one(
            antibodies=antibody("K", "Jka"), unit={"antigens": (("K", False), ("Jka", True))}
        )
        assert finding.verdict is Verdict.REFUSE

    def test_the_bags_own_label_counts_and_the_worse_typing_wins(self) -> None:
        finding = one(
            antibodies=antibody("K"),
            unit={"antigens": (("K", False),)},
            check={"bag": a_bag(antigens=(("K", True),))},
        )
        assert finding.verdict is Verdict.REFUSE

    def test_big_and_small_letters_are_different_antigens(self) -> None:
        finding = one(antibodies=antibody("c"), unit={"antigens": (("C", True), ("c", False))})
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_antibody_of_long_ago_counts_beside_a_negative_screen_of_today(self) -> None:
        old = an_antibody_screen("Observation/ab0", at=None, **antibody("K", historical=True))
        finding = one(extra=(old,), unit={"antigens": (("K", True),)})
        assert finding.verdict is Verdict.REFUSE

    @pytest.mark.parametrize("concession", [{"issue": {"concession": "LC-1"}}, {}])
    def test_a_concession_or_an_emergency_makes_a_refusal_authorise(
        self, concession: dict[str, Any]
    ) -> None:
        """[S97]: a known antibody does not delay unmatched cells, the physician decides."""
        urgency = "routine" if concession else "life-threatening"
        finding = one(
            antibodies=antibody("K"),
            unit={"antigens": (("K", True),)},
            urgency=urgency,
            **concession,
        )
        assert finding.verdict is Verdict.AUTHORISE

    @pytest.mark.parametrize("component", BEARING)
    def test_it_holds_for_every_component_with_red_cells(self, component: Component) -> None:
        findings = comp03(
            component=component, antibodies=antibody("K"), unit={"antigens": (("K", True),)}
        )
        assert gravest(findings) is Verdict.REFUSE

    @pytest.mark.parametrize("component", sorted(set(Component) - set(BEARING)))
    def test_red_cell_antibodies_never_apply_to_other_components(
        self, component: Component
    ) -> None:
        """Derived: antibodies against red cells meet none there."""
        assert not comp03(component=component, antibodies=antibody("K"), policy=profile("uk"))


class TestSignificance:
    """POL-29: every antibody counts until the site lists them."""

    def test_an_antibody_off_the_list_does_not_count(self) -> None:
        policy = with_rows({"antibody-significance": ("K", "E")})
        finding = one(
            antibodies=antibody("Lea"), unit={"antigens": (("Lea", True),)}, policy=policy
        )
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_antibody_on_the_list_counts(self) -> None:
        policy = with_rows({"antibody-significance": ("K", "E")})
        finding = one(antibodies=antibody("K"), unit={"antigens": (("K", True),)}, policy=policy)
        assert finding.verdict is Verdict.REFUSE


class TestPassive:
    """An antibody marked passive is shown as such and is not the patient's own (derived)."""

    def test_it_is_shown_and_does_not_count(self) -> None:
        finding = one(antibodies=antibody("D", passive=True), recipient="A+")
        assert finding.verdict is Verdict.NO_OBJECTION
        assert ("passive antibody", "anti-D") in finding.shown


class TestAntiD:
    """Anti-D of a negative or unknown patient is COMP-02's; of a positive one it is judged here."""

    def test_a_negative_patients_anti_d_is_said_once(self) -> None:
        findings = comp03(recipient="A-", antibodies=antibody("D"))
        assert gravest(findings) is Verdict.NO_OBJECTION

    def test_a_positive_patients_anti_d_meets_the_units_rhd(self) -> None:
        assert one(antibodies=antibody("D")).verdict is Verdict.REFUSE
        negative = one(antibodies=antibody("D"), bag_group="A-")
        assert negative.verdict is Verdict.NO_OBJECTION

    def test_a_unit_of_unknown_rhd_goes_by_its_typing(self) -> None:
        assert one(antibodies=antibody("D"), bag_group="A").verdict is Verdict.AUTHORISE


class TestMissing:
    """COMP-03, when missing: authorise."""

    @pytest.mark.parametrize("antibodies", [None, {"screen": None}])
    def test_no_screen_is_authorised(self, antibodies: Any) -> None:
        finding = one(antibodies=antibodies)
        assert (finding.reason, finding.verdict, finding.known) == (
            "antibody-screen-missing",
            Verdict.AUTHORISE,
            False,
        )

    def test_an_identification_without_a_screen_is_enough(self) -> None:
        finding = one(
            antibodies=antibody("K") | {"screen": None}, unit={"antigens": (("K", False),)}
        )
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_positive_screen_without_a_name_is_authorised(self) -> None:
        finding = one(antibodies={"screen": "positive"})
        assert (finding.reason, finding.verdict) == ("antibody-not-identified", Verdict.AUTHORISE)

    def test_a_mothers_screen_does_not_stand_in_for_an_adults(self) -> None:
        assert one(antibodies={"maternal": True}).reason == "antibody-screen-missing"

    def test_a_mothers_antibody_counts_for_a_newborn(self) -> None:
        finding = one(
            antibodies=antibody("K") | {"maternal": True},
            unit={"antigens": (("K", True),)},
            patient=NEWBORN,
        )
        assert finding.verdict is Verdict.REFUSE


class TestKell:
    """1.3: with the policy on, K-positive or untyped red cells for a patient who can bear children
    are a caution (AU and UK; partly [S23], from memory: BSH 2012, ANZSBT)."""

    @pytest.mark.parametrize(
        ("antigens", "reason"),
        [((("K", True),), "kell-positive-unit"), ((), "kell-not-typed")],
    )
    @pytest.mark.parametrize("name", ["uk", "au"])
    def test_a_caution(
        self, antigens: tuple[tuple[str, bool], ...], reason: str, name: str
    ) -> None:
        policy = with_rows({}, base=name)
        woman = {"birth_date": "1990-01-01"}
        findings = comp03(policy=policy, unit={"antigens": antigens}, patient=woman)
        cautions = [f for f in findings if f.verdict is Verdict.CAUTION]
        assert [f.reason for f in cautions] == [reason]

    @pytest.mark.parametrize(
        "overrides",
        [
            {"unit": {"antigens": (("K", False),)}, "patient": {"birth_date": "1990-01-01"}},
            {"patient": {"birth_date": "1961-04-12"}},
            {"patient": {"sex": "male", "birth_date": "1990-01-01"}},
        ],
    )
    def test_a_k_negative_unit_or_another_patient_needs_none(
        self, overrides: dict[str, Any]
    ) -> None:
        findings = comp03(policy=profile("uk"), **overrides)
        assert gravest(findings) is Verdict.NO_OBJECTION

    def test_the_default_profile_asks_for_nothing(self) -> None:
        assert gravest(comp03(patient={"birth_date": "1990-01-01"})) is Verdict.NO_OBJECTION

    def test_a_site_may_switch_the_answer_off(self) -> None:
        policy = with_rows({"kell-negative": True, "kell-as": "off"})
        findings = comp03(policy=policy, patient={"birth_date": "1990-01-01"})
        assert gravest(findings) is Verdict.NO_OBJECTION

    def test_a_patient_with_anti_k_is_told_once(self) -> None:
        findings = comp03(
            policy=profile("uk"), patient={"birth_date": "1990-01-01"}, antibodies=antibody("K")
        )
        assert [f.reason for f in findings] == ["antigen-not-typed"]
