"""What was said in no known word reads neither as the good word nor as nothing said.

rules.md 0: missing is never no-objection but where a rule is off without the data. These are the
rules that take a word of a code map; the reading of the codes is tested beside the reader.
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from service.facts.case import Case
from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Ref
from service.facts.moment import Moment, at
from service.facts.records import UNRECOGNISED, Antibody, Vitals
from service.facts.unit import Group
from service.rules.compatibility import compatibility
from service.rules.observed import readings
from service.rules.preparation_line import fluids
from service.rules.preparation_unit import expiry, status
from service.rules.recipient import free_of_maternal_antibody, recipient_of
from service.rules.storage import whereabouts
from service.rules.supplied import supplied
from tests.support.cases import (
    BASELINE_AT,
    CHECK_AT,
    ISSUED_AT,
    SITE,
    START_AT,
    a_baseline,
    a_case,
    a_crossmatch,
    a_label,
    a_unit,
    an_antibody_screen,
    fact,
    of_rule,
    pre_start,
    the_unit,
)
from tests.support.policies import with_rows


def alone(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


class TestUnitStatus:
    """PRE-05: a status that nobody knows refuses, and the laboratory is asked."""

    def test_it_refuses(self) -> None:
        found = alone(status(pre_start(a_case(unit={"status": UNRECOGNISED}))))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, f"unit-{UNRECOGNISED}")
        assert found.remedy is Remedy.CALL_LABORATORY

    def test_a_word_that_came_after_the_start_is_bookkeeping(self) -> None:
        told = fact(
            replace(a_unit().body, status=UNRECOGNISED),
            "BiologicallyDerivedProduct/u1",
            version=2,
            stamp=START_AT + timedelta(hours=2),
        )
        case = a_case(start={}, unit=told)
        assert alone(status(pre_start(case))).verdict is Verdict.NO_OBJECTION


class TestExpiry:
    """PRE-04: the earliest expiry wins, so one that cannot be read leaves none standing."""

    @pytest.mark.parametrize("word", ["label-expiry", "bag-expiry"])
    def test_an_expiry_that_is_none_refuses(self, word: str) -> None:
        found = alone(expiry(pre_start(a_case(check={"unusable": (word,)}))))
        assert (found.verdict, found.known) == (Verdict.REFUSE, False)
        assert found.missing == (word,)


class TestCrossmatch:
    """COMP-10 when missing: authorise. An unknown result may be an incompatible one."""

    @pytest.mark.parametrize("match", ["crossmatched", "selected", None])
    def test_an_unknown_result_is_missing_whatever_the_issue_says(self, match: str | None) -> None:
        case = a_case(issue={"match": match}, crossmatch={"result": UNRECOGNISED})
        found = alone(of_rule(compatibility(pre_start(case)), "COMP-10"))
        assert (found.verdict, found.reason) == (Verdict.AUTHORISE, "crossmatch-not-read")

    def test_an_unknown_match_status_is_missing_whatever_the_result(self) -> None:
        case = a_case(issue={"match": UNRECOGNISED}, crossmatch={"result": "compatible"})
        found = alone(of_rule(compatibility(pre_start(case)), "COMP-10"))
        assert (found.verdict, found.known) == (Verdict.AUTHORISE, False)

    def test_it_is_no_better_than_unmatched(self) -> None:
        case = a_case(issue={"match": "unmatched"}, crossmatch={"result": UNRECOGNISED})
        found = alone(of_rule(compatibility(pre_start(case)), "COMP-10"))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "unit-unmatched")

    def test_a_later_known_result_settles_it(self) -> None:
        later = a_crossmatch(key="Observation/x2", result="compatible", at=at(ISSUED_AT))
        early = {"result": UNRECOGNISED, "at": at(ISSUED_AT - timedelta(hours=1))}
        case = a_case(crossmatch=early, extra=(later,))
        found = alone(of_rule(compatibility(pre_start(case)), "COMP-10"))
        assert found.verdict is Verdict.NO_OBJECTION


class TestAntibodies:
    """COMP-03: positive and not named, or not typed against: authorise."""

    def test_a_screen_in_no_known_word_may_be_positive(self) -> None:
        found = compatibility(pre_start(a_case(antibodies={"screen": UNRECOGNISED})))
        told = [f for f in of_rule(found, "COMP-03") if f.reason == "antibody-not-identified"]
        assert [f.verdict for f in told] == [Verdict.AUTHORISE]

    def test_an_antibody_that_nobody_knows_counts_beside_the_sites_list(self) -> None:
        antibody = Antibody(antigen=f"{UNRECOGNISED}: anti-Xyz")
        case = a_case(antibodies={"screen": "positive", "antibodies": (antibody,)})
        policy = with_rows({"antibody-significance": ("K",)})
        found = of_rule(compatibility(pre_start(case, policy=policy)), "COMP-03")
        told = [f for f in found if f.reason == "antigen-not-typed"]
        assert [f.verdict for f in told] == [Verdict.AUTHORISE]

    def test_a_mothers_screen_in_no_known_word_frees_no_newborn(self) -> None:
        mother = an_antibody_screen(key="Observation/m", screen=UNRECOGNISED, maternal=True)
        pre = pre_start(a_case(patient={"birth_date": "2025-05-20"}, extra=(mother,)))
        assert not free_of_maternal_antibody(pre, recipient_of(pre))


class TestGroupOnTheLabel:
    """1.2: a recipient group that is unknown or discrepant."""

    def test_a_printed_group_that_cannot_be_read_makes_the_group_discrepant(self) -> None:
        pre = pre_start(a_case(check={"label": a_label(patient_group=Group())}))
        assert recipient_of(pre).typed.discrepant


class TestLumen:
    """PRE-08 is off without the data, and a lumen in no known word is no other lumen."""

    @pytest.mark.parametrize("lumen", ["proximal", ""])
    def test_it_is_listed_as_not_checked(self, lumen: str) -> None:
        check = {"fluid": "glucose", "lumen": lumen}
        found = alone(fluids(pre_start(a_case(check=check))))
        assert (found.verdict, found.known) == (None, False)


class TestContainer:
    """TIM-04: only controlled storage stops the clock that runs from the hand-over."""

    def test_a_container_nobody_knows_keeps_nothing(self) -> None:
        until = at(ISSUED_AT + timedelta(hours=12))
        for word, stored in (("validated-container", True), (UNRECOGNISED, False)):
            case = a_case(issue={"container": word, "valid_until": until})
            where = whereabouts(the_unit(case), CHECK_AT, SITE.zone)
            assert where.stored is stored
            assert where.out == (None if stored else ISSUED_AT)


class TestTitre:
    """1.6 and 1.7: a titre in no known word is no low one, whoever else says low."""

    def test_it_stands_before_low(self) -> None:
        case = a_case(unit={"titre": UNRECOGNISED})
        assert supplied(pre_start(case)).titre == UNRECOGNISED


def panelled(*panels: str) -> Case:
    """A member without a time of its own, held by panels a minute apart."""
    taken = a_baseline().body
    member = fact(
        Vitals(untimed=tuple(replace(r, at=Moment(text="")) for r in taken.readings)),
        "Observation/v0",
    )
    held = tuple(
        fact(
            Vitals(
                at=at(BASELINE_AT + timedelta(minutes=place)),
                members=(Ref(kind="Observation", id="v0"),),
            ),
            key,
        )
        for place, key in enumerate(panels)
    )
    return a_case(baseline=member, extra=held)


class TestTimeOfThePanel:
    """VIT-17, design 4: a member's time beats the panel's; without one it has the panel's."""

    def test_a_member_without_a_time_has_its_panels(self) -> None:
        assert {read.at for read in readings(panelled("Observation/p1"))} == {BASELINE_AT}

    def test_panels_that_differ_give_none(self) -> None:
        case = panelled("Observation/p1", "Observation/p2")
        assert readings(case) == ()

    def test_without_a_panel_it_is_no_reading(self) -> None:
        assert readings(panelled()) == ()
