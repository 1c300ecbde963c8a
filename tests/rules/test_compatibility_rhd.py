"""RhD of red cells (COMP-02) and of platelets (COMP-07), row by row of rules.md 1.3 and 1.6."""

from dataclasses import replace
from typing import Any

import pytest

from service.facts.finding import Finding, Verdict
from service.facts.identity import Identifier
from service.facts.moment import Moment
from service.facts.records import Antibody
from service.facts.unit import Component
from service.rules.compatibility import compatibility
from tests.support.cases import (
    TEMPORARY_SYSTEM,
    a_case,
    a_group,
    a_label,
    a_patient,
    group,
    of_rule,
    pre_start,
)
from tests.support.policies import with_rows

GIRL = {"sex": "female", "birth_date": "2016-02-01"}
WOMAN_50 = {"sex": "female", "birth_date": "1974-06-03"}
WOMAN_51 = {"sex": "female", "birth_date": "1974-06-02"}
BOY_18 = {"sex": "male", "birth_date": "2006-06-03"}
MAN_19 = {"sex": "male", "birth_date": "2006-06-02"}
MAN = {"sex": "male", "birth_date": "1965-01-01"}
ANTI_D = {"screen": "positive", "antibodies": (Antibody(antigen="D", historical=True),)}


def rhd(
    recipient: str = "O-",
    bag: str = "O+",
    *,
    urgency: str = "routine",
    policy: Any = None,
    **overrides: Any,
) -> Finding:
    """COMP-02 on red cells; the group of the patient and of the unit as given."""
    case = a_case(recipient=recipient, bag_group=bag, **overrides)
    pre = pre_start(case, urgency=urgency, policy=policy)
    (finding,) = of_rule(compatibility(pre), "COMP-02")
    return finding


class TestNegativeUnit:
    """1.3: an RhD negative unit meets no objection in any row [S23]."""

    @pytest.mark.parametrize("recipient", ["O+", "O-", "O"])
    @pytest.mark.parametrize("patient", [GIRL, MAN, {"sex": None}])
    def test_it_passes(self, recipient: str, patient: dict[str, Any]) -> None:
        finding = rhd(recipient, "O-", patient=patient, antibodies=ANTI_D)
        assert finding.verdict is Verdict.NO_OBJECTION


class TestPositivePatient:
    """1.3, first row: no objection [S23]."""

    def test_a_positive_unit_passes(self) -> None:
        assert rhd("O+", patient=GIRL).verdict is Verdict.NO_OBJECTION


class TestAntiD:
    """1.3: anti-D now or ever refuses a positive unit (derived from [S23]); a concession or a
    life-threatening emergency makes it authorise [S97]; passive anti-D does not count (derived)."""

    @pytest.mark.parametrize("historical", [True, False])
    @pytest.mark.parametrize("patient", [MAN, WOMAN_51, GIRL])
    @pytest.mark.parametrize("recipient", ["O-", "O"])
    def test_it_is_refused(self, historical: bool, patient: dict[str, Any], recipient: str) -> None:
        antibodies = {"antibodies": (Antibody(antigen="D", historical=historical),)}
        finding = rhd(recipient, patient=patient, antibodies=antibodies)
        assert (finding.reason, finding.verdict) == (
            "anti-d-and-rhd-positive-unit",
            Verdict.REFUSE,
        )

    def test_a_concession_makes_it_authorise_and_is_shown(self) -> None:
        finding = rhd(patient=MAN, antibodies=ANTI_D, issue={"concession": "LC-77"})
        assert finding.verdict is Verdict.AUTHORISE
        assert ("concession", "LC-77") in finding.shown

    def test_a_life_threatening_emergency_makes_it_authorise(self) -> None:
        finding = rhd(patient=MAN, antibodies=ANTI_D, urgency="life-threatening")
        assert finding.verdict is Verdict.AUTHORISE

    def test_urgent_alone_softens_nothing(self) -> None:
        finding = rhd(patient=MAN, antibodies=ANTI_D, urgency="urgent")
        assert finding.verdict is Verdict.REFUSE

    def test_passive_anti_d_does_not_count(self) -> None:
        passive = {"antibodies": (Antibody(antigen="D", passive=True),), "screen": "positive"}
        finding = rhd(patient=MAN, antibodies=passive)
        assert finding.reason == "rhd-positive-to-negative"


class TestChildbearing:
    """1.3: a negative or unknown patient who can bear children: authorise [S23][S29]; age up to 50
    (POL-15), unknown sex counts (derived)."""

    @pytest.mark.parametrize("recipient", ["O-", "O"])
    @pytest.mark.parametrize(
        "patient", [GIRL, WOMAN_50, {"sex": None}, {"sex": "female", "birth_date": None}]
    )
    @pytest.mark.parametrize("switched", [True, False])
    @pytest.mark.parametrize("urgency", ["routine", "life-threatening"])
    def test_it_is_authorised_whatever_the_policy_switch_and_urgency(
        self, recipient: str, patient: dict[str, Any], switched: bool, urgency: str
    ) -> None:
        finding = rhd(recipient, patient=patient, issue={"d_switch": switched}, urgency=urgency)
        assert (finding.reason, finding.verdict) == (
            "rhd-positive-to-negative-childbearing",
            Verdict.AUTHORISE,
        )
        assert finding.known == (recipient == "O-")

    def test_the_age_is_a_policy_row(self) -> None:
        finding = rhd(patient=WOMAN_51, policy=with_rows({"childbearing-age": 55}))
        assert finding.reason == "rhd-positive-to-negative-childbearing"


class TestYoungMale:
    """1.3: a negative or unknown male up to 18: authorise [S23]."""

    @pytest.mark.parametrize("recipient", ["O-", "O"])
    @pytest.mark.parametrize("patient", [BOY_18, {"sex": "male", "birth_date": None}])
    @pytest.mark.parametrize("urgency", ["routine", "life-threatening"])
    def test_it_is_authorised(self, recipient: str, patient: dict[str, Any], urgency: str) -> None:
        finding = rhd(recipient, patient=patient, issue={"d_switch": True}, urgency=urgency)
        assert (finding.reason, finding.verdict) == (
            "rhd-positive-to-negative-young-male",
            Verdict.AUTHORISE,
        )


class TestDependent:
    """1.3: likely long-term dependence on transfusion: authorise [S23]."""

    def test_a_policy_switch_does_not_soften_it(self) -> None:
        finding = rhd(patient=MAN, issue={"d_switch": True}, order={"long_term_dependent": True})
        assert (finding.reason, finding.verdict) == (
            "rhd-positive-to-negative-dependent",
            Verdict.AUTHORISE,
        )


class TestOlder:
    """1.3: a woman over 50 or a man over 18 without anti-D: caution under a recorded D-switch,
    else authorise [S23][S29]; unknown RhD in a life-threatening emergency passes [S23]."""

    @pytest.mark.parametrize("patient", [WOMAN_51, MAN_19, MAN])
    @pytest.mark.parametrize(
        ("switched", "verdict"), [(True, Verdict.CAUTION), (False, Verdict.AUTHORISE)]
    )
    @pytest.mark.parametrize(
        ("recipient", "reason"),
        [("O-", "rhd-positive-to-negative"), ("O", "rhd-positive-to-unknown")],
    )
    def test_the_policy_switch_decides(
        self,
        patient: dict[str, Any],
        switched: bool,
        verdict: Verdict,
        recipient: str,
        reason: str,
    ) -> None:
        finding = rhd(recipient, patient=patient, issue={"d_switch": switched})
        assert (finding.reason, finding.verdict) == (reason, verdict)

    def test_without_an_issue_there_is_no_policy_switch(self) -> None:
        assert rhd(patient=MAN, issue=None).verdict is Verdict.AUTHORISE

    def test_an_unknown_man_bleeding_to_death_gets_positive_cells(self) -> None:
        finding = rhd("O", patient=MAN, urgency="life-threatening")
        assert (finding.verdict, finding.known) == (Verdict.NO_OBJECTION, False)

    def test_a_man_known_to_be_negative_is_authorised_even_then(self) -> None:
        assert rhd("O-", patient=MAN, urgency="life-threatening").verdict is Verdict.AUTHORISE


class TestMissing:
    """COMP-02, when missing: the unit's D gives authorise; the whole group is the ABO rule's."""

    @pytest.mark.parametrize("recipient", ["O+", "O-", "O"])
    def test_the_units_type_missing_is_authorised(self, recipient: str) -> None:
        finding = rhd(recipient, "O", patient=MAN)
        assert (finding.reason, finding.verdict) == ("unit-rhd-unknown", Verdict.AUTHORISE)
        assert (finding.known, finding.missing) == (False, ("unit RhD type",))

    def test_a_group_not_read_at_all_is_said_once(self) -> None:
        case = a_case(unit={"group": None}, check={"bag": None, "label": None})
        assert not of_rule(compatibility(pre_start(case)), "COMP-02")


class TestWeakAndContradictingTypes:
    """1.3: weak or partial D by the laboratory's transfuse-as type, if absent as negative."""

    def weak(self, **overrides: Any) -> dict[str, Any]:
        return {"group": replace(group("O"), rhd="weak"), **overrides}

    def test_a_weak_type_counts_as_negative(self) -> None:
        assert rhd(group=self.weak(), patient=MAN).reason == "rhd-positive-to-negative"

    def test_the_laboratorys_transfuse_as_decides(self) -> None:
        told = self.weak(rhd_transfuse_as="positive")
        assert rhd("O+", group=told, patient=MAN).verdict is Verdict.NO_OBJECTION

    def test_two_types_of_one_instant_count_as_negative(self) -> None:
        other = a_group("Observation/g2", group=group("O-"))
        finding = rhd("O+", patient=MAN, extra=(other,))
        assert finding.reason == "rhd-positive-to-negative"

    def test_an_earlier_unlike_type_counts_unless_a_confirmed_one_follows(self) -> None:
        old = a_group("Observation/g0", group=group("O-"), at=None)
        settled = rhd("O+", patient=MAN, extra=(old,))
        open_ = rhd("O+", patient=MAN, extra=(old,), group={"confirmed": None})
        assert settled.verdict is Verdict.NO_OBJECTION
        assert open_.reason == "rhd-positive-to-negative"

    def test_a_label_printed_for_a_negative_patient_counts(self) -> None:
        label = a_label(patient_group=group("O-"), unit_group=group("O+"))
        finding = rhd("O+", patient=MAN, check={"label": label})
        assert finding.reason == "rhd-positive-to-negative"

    def test_a_bag_and_a_record_that_contradict_each_other_count_as_positive(self) -> None:
        finding = rhd("O-", "O-", patient=MAN, unit={"group": group("O+")})
        assert finding.reason == "rhd-positive-to-negative"

    def test_a_positive_type_beside_a_discrepant_group_counts_as_unknown(self) -> None:
        finding = rhd("O+", patient=MAN, group={"discrepant": True})
        assert (finding.reason, finding.known) == ("rhd-positive-to-unknown", False)


class TestAgeAndSex:
    """Age is never taken too high; a contradicted sex counts as unknown (derived)."""

    @pytest.mark.parametrize(
        ("text", "childbearing"),
        [("1974", True), ("1974-06", True), ("1973", False), ("1974-05", False), ("unreadable", 1)],
    )
    def test_a_coarse_birth_date_counts_as_its_last_day(
        self, text: str, childbearing: bool
    ) -> None:
        finding = rhd(patient={"sex": "female", "birth_date": text})
        assert (finding.reason == "rhd-positive-to-negative-childbearing") == childbearing

    def test_records_of_different_sex_count_as_unknown(self) -> None:
        other = a_patient("Patient/p9", sex="female", birth_date="1965-01-01")
        finding = rhd(patient=MAN, extra=(other,))
        assert finding.reason == "rhd-positive-to-negative-childbearing"

    def test_a_temporary_record_does_not_outweigh_the_lasting_one(self) -> None:
        temporary = Identifier(TEMPORARY_SYSTEM, "T-1")
        other = a_patient("Patient/p9", sex="female", identifiers=(temporary,))
        finding = rhd(patient=MAN, extra=(other,))
        assert finding.reason == "rhd-positive-to-negative"


class TestPlatelets:
    """COMP-07, 1.6: caution and a task where the patient can bear children [S30], else a note
    [S106]; the patient's D missing counts as negative, the unit's gives a note."""

    def platelets(self, recipient: str, bag: str, patient: dict[str, Any]) -> Finding:
        case = a_case(
            component=Component.PLATELETS, recipient=recipient, bag_group=bag, patient=patient
        )
        (finding,) = of_rule(compatibility(pre_start(case)), "COMP-07")
        return finding

    @pytest.mark.parametrize("recipient", ["A-", "A"])
    @pytest.mark.parametrize("patient", [GIRL, WOMAN_50, {"sex": None}])
    def test_childbearing_is_a_caution(self, recipient: str, patient: dict[str, Any]) -> None:
        finding = self.platelets(recipient, "A+", patient)
        assert (finding.reason, finding.verdict) == ("rhd-platelets-childbearing", Verdict.CAUTION)

    @pytest.mark.parametrize("recipient", ["A-", "A"])
    @pytest.mark.parametrize("patient", [WOMAN_51, MAN, BOY_18])
    def test_others_are_a_note(self, recipient: str, patient: dict[str, Any]) -> None:
        finding = self.platelets(recipient, "A+", patient)
        assert (finding.reason, finding.verdict) == ("rhd-platelets", Verdict.NOTE)

    def test_a_positive_patient_or_a_negative_unit_passes(self) -> None:
        assert self.platelets("A+", "A+", GIRL).verdict is Verdict.NO_OBJECTION
        assert self.platelets("A-", "A-", GIRL).verdict is Verdict.NO_OBJECTION

    def test_the_units_type_missing_is_a_note(self) -> None:
        finding = self.platelets("A-", "A", GIRL)
        assert (finding.verdict, finding.known) == (Verdict.NOTE, False)


class TestOtherComponents:
    """1.4, 1.5: RhD is ignored for plasma and cryoprecipitate [S25][S27]."""

    @pytest.mark.parametrize("component", [Component.PLASMA, Component.CRYOPRECIPITATE])
    def test_no_rhd_rule_speaks(self, component: Component) -> None:
        case = a_case(component=component, recipient="A-", bag_group="A+", patient=GIRL)
        rules = {finding.rule for finding in compatibility(pre_start(case))}
        assert not rules & {"COMP-02", "COMP-03", "COMP-07", "COMP-10"}

    @pytest.mark.parametrize("component", [Component.WHOLE_BLOOD, Component.GRANULOCYTES])
    def test_whole_blood_and_granulocytes_go_by_the_red_cell_table(
        self, component: Component
    ) -> None:
        case = a_case(component=component, recipient="A-", bag_group="A+", patient=GIRL)
        (finding,) = of_rule(compatibility(pre_start(case)), "COMP-02")
        assert finding.verdict is Verdict.AUTHORISE


def test_a_result_dated_by_its_day_alone_counts_from_that_day() -> None:
    """Design 3: a coarse time is not made exact; a result of a later day is not yet known."""
    later = a_group("Observation/g2", group=group("B-"), at=Moment(text="2025-06-03"))
    same = a_group("Observation/g2", group=group("B-"), at=Moment(text="2025-06-02"))
    vague = a_group("Observation/g2", group=group("B-"), at=Moment(text="2025-06"))
    told = [rhd("O+", patient=MAN, extra=(extra,)).reason for extra in (later, same, vague)]
    assert told == ["rhd-compatible", "rhd-positive-to-unknown", "rhd-positive-to-unknown"]
