"""The bag before the start: PRE-04, PRE-05, PRE-06, PRE-18 (rules.md section 3)."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import pytest

from service.facts.case import OtherStart
from service.facts.finding import Finding, Remedy, Stage, Verdict
from service.facts.moment import Moment, at
from service.facts.steps import StepCode
from service.facts.unit import (
    UNDIVIDED,
    Component,
    Group,
    LabelMessage,
    Restriction,
    UnitRef,
)
from service.policy.policy import Policy
from service.rules.preparation_unit import appearance, expiry, own_blood, status
from tests.support.cases import (
    CHECK_AT,
    CHECKED_AT,
    END_AT,
    ISSUED_AT,
    PATIENT,
    SITE,
    START_AT,
    STRANGER,
    UNIT_KEY,
    a_bag,
    a_case,
    a_label,
    a_start,
    a_step,
    a_unit,
    an_issue,
    pre_start,
    unit_of,
)
from tests.support.policies import default_policy, with_rows

ALL_ZONES = ("Europe/London", "America/New_York", "Pacific/Auckland", "Australia/Sydney", "UTC")
ELSEWHERE = (OtherStart(unit=UNIT_KEY, at=START_AT, step="Task/other"),)


def alone(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


def expiring(
    when: Moment | None,
    *,
    now: datetime = CHECKED_AT,
    zone: str = "Europe/London",
    policy: Policy | None = None,
    order: dict[str, Any] | None = None,
    unit: dict[str, Any] | None = None,
    **check: Any,
) -> Finding:
    """PRE-04 of a unit whose record alone says when it expires."""
    bare = {"bag": a_bag(expiry=None), "label": a_label(expiry=None)} | check
    case = a_case(check=bare, unit={"expiry": when} | (unit or {}), order=order or {})
    site = replace(SITE, zone=ZoneInfo(zone))
    return alone(expiry(pre_start(case, at=now, site=site, policy=policy)))


def after(minutes: float) -> Moment:
    return at(CHECKED_AT + timedelta(minutes=minutes))


class TestExpiry:
    """PRE-04: expiry not passed at planned end, not just start [S15][S47].

    Failed at the start: refuse, return-unit; missing: refuse, rescan.
    """

    def test_far_off(self) -> None:
        assert expiring(after(60 * 24)).verdict is Verdict.NO_OBJECTION

    def test_passed(self) -> None:
        found = expiring(after(-1))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "expired")
        assert (found.remedy, found.critical) == (Remedy.RETURN_UNIT, True)

    def test_its_last_instant_is_not_passed(self) -> None:
        assert expiring(after(0)).verdict is not Verdict.REFUSE

    @pytest.mark.parametrize("when", [None, Moment(text="2025-06"), Moment(text="2025")])
    def test_missing_or_too_coarse(self, when: Moment | None) -> None:
        found = expiring(when)
        assert (found.verdict, found.missing) == (Verdict.REFUSE, ("expiry",))
        assert found.remedy is Remedy.RESCAN

    def test_urgency_does_not_soften_it(self) -> None:
        case = a_case(unit={"expiry": after(-1)})
        found = alone(expiry(pre_start(case, urgency="life-threatening")))
        assert found.verdict is Verdict.REFUSE

    def test_the_earliest_of_bag_label_and_record_wins(self) -> None:
        """Earliest expiry wins [S22]."""
        late, soon = after(60 * 24), after(-1)
        assert expiring(late, bag=a_bag(expiry=soon)).reason == "expired"
        assert expiring(late, label=a_label(expiry=soon)).reason == "expired"
        assert expiring(soon, bag=a_bag(expiry=late)).reason == "expired"

    def test_one_that_is_too_coarse_does_not_hide_another(self) -> None:
        assert expiring(Moment(text="2025"), bag=a_bag(expiry=after(-1))).reason == "expired"

    def test_without_a_check_the_record_counts(self) -> None:
        case = a_case(check=None, unit={"expiry": after(-1)})
        assert alone(expiry(pre_start(case))).reason == "expired"


class TestExpiryBeforeThePlannedEnd:
    """PRE-04: caution if it passes between start and planned end."""

    RATE: ClassVar[dict[str, Any]] = {"rate": Decimal(140)}  # 280 mL in 2 h

    @pytest.mark.parametrize(
        ("minutes", "verdict"), [(119, Verdict.CAUTION), (120, Verdict.NO_OBJECTION)]
    )
    def test_its_limit(self, minutes: int, verdict: Verdict) -> None:
        found = expiring(after(minutes), order=self.RATE)
        assert found.verdict is verdict
        assert (found.reason == "expires-before-planned-end") is (verdict is Verdict.CAUTION)

    def test_with_no_planned_end_it_is_said(self) -> None:
        found = expiring(after(60))
        assert found.verdict is Verdict.CAUTION
        assert found.reason == "may-expire-before-planned-end"

    def test_from_the_completion_limit_on_no_planned_end_is_needed(self) -> None:
        assert expiring(after(240)).verdict is Verdict.NO_OBJECTION
        assert expiring(after(240), unit={"component": None}).verdict is Verdict.NO_OBJECTION

    def test_the_site_may_switch_it_off(self) -> None:
        policy = with_rows({"expires-during-as": "off"})
        case = a_case(order=self.RATE, unit={"expiry": after(60)})
        assert expiry(pre_start(case, policy=policy)) == ()


class TestADateWithoutTime:
    """PRE-04: a date without time means 23:59 local time (from memory: ISBT 128 ST-001)."""

    @pytest.mark.parametrize("zone", ALL_ZONES)
    @pytest.mark.parametrize(
        "day",
        ["2025-03-30", "2025-10-26", "2025-03-09", "2025-11-02", "2025-04-06", "2025-09-28"],
    )
    def test_it_holds_to_the_end_of_that_day_on_days_of_23_24_and_25_hours(
        self, zone: str, day: str
    ) -> None:
        last = datetime.fromisoformat(f"{day}T23:59:00").replace(tzinfo=ZoneInfo(zone))
        when = Moment(text=day)
        assert expiring(when, now=last.astimezone(UTC), zone=zone).reason != "expired"
        over = (last + timedelta(minutes=1)).astimezone(UTC)
        assert expiring(when, now=over, zone=zone).reason == "expired"


def status_of(urgency: str | None = None, **facts: Any) -> Finding:
    return alone(status(pre_start(a_case(**facts), urgency=urgency)))


class TestStatus:
    """PRE-05: issued to this patient; quarantined, recalled, discarded, already given, another
    patient's or returned fails: refuse, return-unit [S90]; status list (D)."""

    def test_issued_here(self) -> None:
        assert status_of().verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("word", ["quarantined", "recalled", "discarded", "unavailable"])
    def test_withdrawn(self, word: str) -> None:
        found = status_of(unit={"status": word})
        assert (found.verdict, found.reason) == (Verdict.REFUSE, f"unit-{word}")
        assert (found.remedy, found.critical) == (Remedy.RETURN_UNIT, True)

    @pytest.mark.parametrize("word", ["available", None])
    def test_available_or_not_said(self, word: str | None) -> None:
        assert status_of(unit={"status": word}).verdict is Verdict.NO_OBJECTION

    def test_any_bad_description_counts(self) -> None:
        other = a_unit("BiologicallyDerivedProduct/u2", status="recalled")
        assert status_of(extra=(other,)).reason == "unit-recalled"

    def test_urgency_softens_nothing(self) -> None:
        found = status_of(unit={"status": "quarantined"}, urgency="life-threatening")
        assert found.verdict is Verdict.REFUSE

    @pytest.mark.parametrize("word", ["discarded", "unavailable"])
    def test_what_becomes_of_every_used_bag_is_no_reason_against_its_start(self, word: str) -> None:
        used = replace(a_unit(status=word), version=2, stamp=END_AT)
        assert status_of(unit=used, start={}).verdict is Verdict.NO_OBJECTION
        before = replace(a_unit(status=word), version=2, stamp=CHECK_AT)
        assert status_of(unit=before, start={}).verdict is Verdict.REFUSE
        assert status_of(unit=used).verdict is Verdict.REFUSE

    @pytest.mark.parametrize("word", ["recalled", "quarantined"])
    def test_what_came_after_the_start_is_no_word_against_it(self, word: str) -> None:
        """COMP-11 tells it; check and start stay as they were answered (design 3.3, 3.7)."""
        told = replace(a_unit(status=word), version=2, stamp=START_AT + timedelta(minutes=1))
        case = a_case(unit=told, start={})
        for when in (CHECKED_AT, START_AT):
            assert alone(status(pre_start(case, at=when))).reason == "issued-here"

    def test_what_came_between_check_and_start_is_one_against_both(self) -> None:
        told = replace(a_unit(status="recalled"), version=2, stamp=START_AT - timedelta(seconds=1))
        case = a_case(unit=told, start={})
        for when in (CHECKED_AT, START_AT):
            assert alone(status(pre_start(case, at=when))).reason == "unit-recalled"

    def test_whoever_checks_or_resumes_it_after_the_recall_is_refused(self) -> None:
        told = replace(a_unit(status="recalled"), version=2, stamp=START_AT + timedelta(minutes=1))
        case = a_case(unit=told, start={})
        later = pre_start(case, at=START_AT + timedelta(minutes=2))
        assert alone(status(later)).reason == "unit-recalled"

    @pytest.mark.parametrize(
        "message",
        [
            m
            for m in LabelMessage
            if m not in (LabelMessage.NO_INFORMATION, LabelMessage.AUTOLOGOUS)
        ],
    )
    def test_what_the_label_says_instead_of_a_group(self, message: LabelMessage) -> None:
        """ISBT 128 special messages (ST-001 6.2.2, table 5; fhir-contract)."""
        found = status_of(check={"bag": a_bag(group=Group(message=message))})
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "label-forbids-use")
        assert status_of(unit={"group": Group(message=message)}).reason == "label-forbids-use"

    def test_no_information_forbids_nothing_here(self) -> None:
        silent = Group(message=LabelMessage.NO_INFORMATION)
        assert status_of(unit={"group": silent}).verdict is Verdict.NO_OBJECTION


class TestTheIssue:
    """PRE-05: issued/available to *this* patient; no issue: call-laboratory."""

    def test_none(self) -> None:
        found = status_of(issue=None)
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "unit-not-issued")
        assert (found.known, found.remedy) == (False, Remedy.CALL_LABORATORY)

    def test_another_patients(self) -> None:
        found = status_of(issue={"patient": STRANGER})
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "issued-to-another-patient")
        assert "0099102" not in found.text

    def test_the_latest_hand_over_decides(self) -> None:
        theirs = an_issue(
            "Basic/i2", patient=STRANGER, handed_over=at(ISSUED_AT + timedelta(minutes=5))
        )
        assert status_of(extra=(theirs,)).reason == "issued-to-another-patient"

    @pytest.mark.parametrize(
        ("when", "status", "verdict"),
        [
            (at(CHECK_AT - timedelta(hours=9)), "returned", Verdict.NO_OBJECTION),
            (None, "returned", Verdict.NO_OBJECTION),
            (None, "unfulfilled", Verdict.NO_OBJECTION),
            (at(CHECK_AT - timedelta(hours=9)), "issued", Verdict.REFUSE),
            (at(CHECK_AT - timedelta(hours=9)), None, Verdict.REFUSE),
            (None, "issued", Verdict.REFUSE),
            (None, "allocated", Verdict.REFUSE),
        ],
    )
    def test_an_issue_to_another_patient_stands_until_the_unit_is_returned(
        self, when: Any, status: str | None, verdict: Verdict
    ) -> None:
        theirs = an_issue("Basic/i0", patient=STRANGER, handed_over=when, status=status)
        found = status_of(extra=(theirs,))
        assert found.verdict is verdict
        assert (found.reason == "issued-to-another-patient") == (verdict is Verdict.REFUSE)

    def test_one_without_patient_is_missing(self) -> None:
        found = status_of(issue={"patient": None})
        assert (found.verdict, found.missing) == (Verdict.REFUSE, ("patient of the issue",))

    @pytest.mark.parametrize("word", ["preparation", "in-progress", "allocated"])
    def test_not_yet_issued(self, word: str) -> None:
        found = status_of(issue={"status": word})
        assert (found.reason, found.remedy) == ("unit-not-issued", Remedy.CALL_LABORATORY)

    @pytest.mark.parametrize("word", [None, "unknown"])
    def test_a_status_nobody_knows_is_missing(self, word: str | None) -> None:
        found = status_of(issue={"status": word})
        assert (found.verdict, found.missing) == (Verdict.REFUSE, ("status of the issue",))

    def test_unfulfilled_is_no_issue(self) -> None:
        assert status_of(issue={"status": "unfulfilled"}).reason == "unit-not-issued"

    def test_returned_before(self) -> None:
        found = status_of(issue={"status": "returned"})
        assert (found.reason, found.remedy) == ("returned", Remedy.CALL_LABORATORY)

    def test_returned_later_is_no_reason_against_the_start(self) -> None:
        issue = replace(an_issue(status="returned"), version=2, stamp=END_AT)
        assert status_of(issue=issue, start={}).verdict is Verdict.NO_OBJECTION

    def test_emergency_stock_is_left_to_its_own_rule(self) -> None:
        """ID-13 excepted: no issue, no patient label, life-threatening urgency [S97]."""
        case = a_case(issue=None, check={"label": None})
        assert status(pre_start(case, urgency="life-threatening")) == ()
        assert alone(status(pre_start(case))).verdict is Verdict.REFUSE

    def test_quarantined_emergency_stock_is_not(self) -> None:
        case = a_case(issue=None, check={"label": None}, unit={"status": "quarantined"})
        found = alone(status(pre_start(case, urgency="life-threatening")))
        assert found.verdict is Verdict.REFUSE


HOUR = timedelta(hours=1)


class TestGivenElsewhereOrBefore:
    """PRE-05: already transfused fails; of two starts of one unit both carry the refusal."""

    @pytest.mark.parametrize("start", [{}, {"start": at(START_AT + HOUR)}])
    def test_started_elsewhere(self, start: dict[str, Any]) -> None:
        found = status_of(elsewhere=ELSEWHERE, start=start)
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "started-elsewhere")

    def test_a_check_is_judged_by_the_starts_of_its_own_time(self) -> None:
        case = a_case(elsewhere=ELSEWHERE)
        later = pre_start(case, at=START_AT + HOUR, stage=Stage.CHECK)
        assert alone(status(pre_start(case))).verdict is Verdict.NO_OBJECTION
        assert alone(status(later)).reason == "started-elsewhere"

    def test_given_before(self) -> None:
        case = a_case(start={}, end={})
        later = END_AT + HOUR
        again = pre_start(case, at=later, stage=Stage.CHECK, start=None)
        assert alone(status(again)).reason == "already-given"

    def test_its_own_start_is_not_before(self) -> None:
        assert status_of(start={}, end={}).verdict is Verdict.NO_OBJECTION

    def test_a_check_of_the_running_unit_is_no_second_use(self) -> None:
        """REC-21: the handover re-check task has the running unit checked again."""
        case = a_case(start={})
        again = pre_start(case, at=START_AT + HOUR, stage=Stage.CHECK)
        assert alone(status(again)).verdict is Verdict.NO_OBJECTION

    def test_another_start_after_its_end_is_a_second_use(self) -> None:
        second = a_start("Task/second", start=at(END_AT + HOUR))
        case = a_case(start={}, end={}, extra=(second,))
        pre = pre_start(case, at=END_AT + HOUR, stage=Stage.START, start=second)
        assert alone(status(pre)).reason == "already-given"


class TestReturnedOrDiscarded:
    """PRE-05: returned out of limits fails [S07]."""

    def back(self, minutes: float, **said: Any) -> Any:
        when = ISSUED_AT + timedelta(minutes=minutes)
        return a_step(StepCode.RETURN_UNIT, "Task/back", when, **({"seal_intact": True} | said))

    def again(self) -> Any:
        return an_issue("Basic/i2", handed_over=at(CHECKED_AT - timedelta(minutes=1)))

    def test_returned_and_not_issued_again(self) -> None:
        found = status_of(extra=(self.back(5),))
        assert (found.reason, found.remedy) == ("returned", Remedy.CALL_LABORATORY)

    def test_returned_within_limits_and_issued_again(self) -> None:
        found = status_of(extra=(self.back(5), self.again()))
        assert found.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("said", [{"seal_intact": False}, {"temperature": Decimal(14)}])
    def test_returned_out_of_limits_stays_out(self, said: dict[str, Any]) -> None:
        found = status_of(extra=(self.back(5, **said), self.again()))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "returned-out-of-limits")

    def test_where_no_limit_is_published_the_laboratory_decides_by_issuing_again(self) -> None:
        """TIM-01 holds for red cells only; platelets it took back and issued are its own word."""
        kind = Component.PLATELETS
        back = self.back(5, unit=unit_of(kind))
        again = replace(self.again(), body=replace(self.again().body, unit=unit_of(kind)))
        assert status_of(component=kind, extra=(back, again)).verdict is Verdict.NO_OBJECTION
        assert status_of(component=kind, extra=(back,)).reason == "returned"

    def test_of_an_unknown_component_it_stays_out(self) -> None:
        found = status_of(unit={"component": None}, extra=(self.back(5), self.again()))
        assert found.reason == "returned-out-of-limits"

    def test_an_issue_without_hand_over_is_not_a_later_one(self) -> None:
        undated = an_issue("Basic/i2", handed_over=None)
        assert status_of(extra=(self.back(5), undated)).reason == "returned"

    def test_a_later_return_is_no_reason(self) -> None:
        assert status_of(extra=(self.back(60),)).verdict is Verdict.NO_OBJECTION

    def test_discarded_at_the_bedside(self) -> None:
        thrown = a_step(StepCode.DISCARD_UNIT, "Task/waste", CHECK_AT)
        assert status_of(extra=(thrown,)).reason == "unit-discarded"
        later = a_step(StepCode.DISCARD_UNIT, "Task/waste", END_AT)
        assert status_of(extra=(later,)).verdict is Verdict.NO_OBJECTION


class TestAppearance:
    """PRE-06: visual inspection attested; abnormal refuses and is never overridable, missing
    authorise [S15][S07]."""

    def said(self, word: str | None, **how: Any) -> Finding:
        return alone(appearance(pre_start(a_case(check={"appearance": word}), **how)))

    def test_normal(self) -> None:
        assert self.said("normal").verdict is Verdict.NO_OBJECTION

    def test_abnormal(self) -> None:
        found = self.said("abnormal", urgency="life-threatening")
        assert (found.verdict, found.remedy) == (Verdict.REFUSE, Remedy.RETURN_UNIT)
        assert found.critical

    def test_missing(self) -> None:
        found = self.said(None)
        assert (found.verdict, found.missing) == (Verdict.AUTHORISE, ("appearance",))

    def test_a_start_without_check_is_not_prompted_twice(self) -> None:
        """ID-07 refuses it for want of a check; here it is listed as not checked."""
        case = a_case(check=None, start={})
        found = alone(appearance(pre_start(case)))
        assert (found.verdict, found.known, found.missing) == (None, False, ("appearance",))


OWN = Group(abo="A", rhd="positive", restriction=Restriction.AUTOLOGOUS)
DIRECTED = Group(abo="A", rhd="positive", restriction=Restriction.DIRECTED)
MESSAGE = Group(message=LabelMessage.AUTOLOGOUS)


class TestOwnBlood:
    """PRE-18 (D): an autologous or directed unit goes to its own patient; another patient's
    refuses; allogeneic while an autologous one is on hand is a note; missing is off."""

    @pytest.mark.parametrize("group", [OWN, DIRECTED, MESSAGE])
    def test_another_patients(self, group: Group) -> None:
        case = a_case(unit={"group": group, "intended": STRANGER})
        found = alone(own_blood(pre_start(case)))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "meant-for-another-patient")
        assert found.remedy is Remedy.RETURN_UNIT

    @pytest.mark.parametrize("group", [OWN, DIRECTED, MESSAGE])
    def test_its_own_patients(self, group: Group) -> None:
        case = a_case(unit={"group": group, "intended": PATIENT})
        assert alone(own_blood(pre_start(case))).verdict is Verdict.NO_OBJECTION

    def test_meant_for_somebody_without_a_group_code(self) -> None:
        assert alone(own_blood(pre_start(a_case(unit={"intended": STRANGER})))).verdict is (
            Verdict.REFUSE
        )
        assert alone(own_blood(pre_start(a_case(unit={"intended": PATIENT})))).verdict is (
            Verdict.NO_OBJECTION
        )

    @pytest.mark.parametrize("group", [OWN, DIRECTED, MESSAGE])
    def test_not_sent_is_off(self, group: Group) -> None:
        found = alone(own_blood(pre_start(a_case(unit={"group": group}))))
        assert (found.verdict, found.missing) == (None, ("intended patient",))

    def held(self, *steps: Any, **said: Any) -> tuple[Finding, ...]:
        ref = UnitRef(din="A999925123499", product="E0398", division=UNDIVIDED)
        own = a_unit("BiologicallyDerivedProduct/own", **({"unit": ref, "group": OWN} | said))
        issue = an_issue("Basic/own", unit=ref)
        moved = [replace(s, body=replace(s.body, unit=ref)) for s in steps]
        return own_blood(pre_start(a_case(extra=(own, issue, *moved))))

    def test_an_autologous_one_on_hand(self) -> None:
        found = alone(self.held())
        assert (found.verdict, found.reason) == (Verdict.NOTE, "autologous-on-hand")

    def test_known_by_whom_it_is_meant_for(self) -> None:
        assert alone(self.held(intended=PATIENT)).reason == "autologous-on-hand"

    def test_not_one_that_is_used_or_gone(self) -> None:
        for code in (StepCode.START, StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT):
            assert self.held(a_step(code, "Task/own", CHECK_AT)) == ()

    def test_not_one_of_another_component_or_kind_or_patient(self) -> None:
        assert self.held(component=Component.PLASMA) == ()
        assert self.held(group=None) == ()
        assert self.held(group=DIRECTED) == ()
        ref = UnitRef(din="A999925123499", product="E0398", division=UNDIVIDED)
        theirs = a_unit("BiologicallyDerivedProduct/own", unit=ref, group=OWN, intended=STRANGER)
        assert own_blood(pre_start(a_case(extra=(theirs,)))) == ()

    def test_the_site_may_say_more(self) -> None:
        policy = with_rows({"autologous-held-as": "caution"})
        ref = UnitRef(din="A999925123499", product="E0398", division=UNDIVIDED)
        own = a_unit("BiologicallyDerivedProduct/own", unit=ref, group=OWN, intended=PATIENT)
        found = alone(own_blood(pre_start(a_case(extra=(own,)), policy=policy)))
        assert found.verdict is Verdict.CAUTION

    def test_the_default_policy_is_what_the_catalogue_says(self) -> None:
        assert default_policy().row("autologous-held-as", CHECKED_AT).words == ("note",)
