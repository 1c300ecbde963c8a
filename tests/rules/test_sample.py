"""Sample and crossmatch validity (rules.md 2.3)."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Identifier, Ref
from service.facts.moment import Moment, at
from service.facts.unit import Component
from service.rules.sample import RULES
from tests.support.cases import (
    CHECKED_AT,
    COLLECTED_AT,
    SAMPLE_SYSTEM,
    a_case,
    a_crossmatch,
    a_label,
    a_sample,
    a_start,
    of_rule,
    pre_start,
    unit_of,
)
from tests.support.policies import profile, with_rows

LIMIT = COLLECTED_AT + timedelta(hours=72)
SECOND_LATER = timedelta(seconds=1)
NEITHER = {"recent_transfusion": False, "recent_pregnancy": False}
NEWBORN = {"birth_date": "2025-04-20"}


def found(
    *,
    when: datetime | None = None,
    policy: Any = None,
    urgency: str | None = None,
    **overrides: Any,
) -> tuple[Finding, ...]:
    pre = pre_start(a_case(**overrides), at=when or CHECKED_AT, policy=policy, urgency=urgency)
    return tuple(finding for rule in RULES for finding in rule(pre))


def one(**overrides: Any) -> Finding:
    (finding,) = found(**overrides)
    return finding


class TestStrictest:
    """ID-36, default: the laboratory's explicit expiry; if absent collection + 72 h (derived from
    [S51][S41])."""

    @pytest.mark.parametrize(
        ("start", "verdict"),
        [(LIMIT, Verdict.NO_OBJECTION), (LIMIT + SECOND_LATER, Verdict.REFUSE)],
    )
    def test_seventy_two_hours_are_the_limit(self, start: datetime, verdict: Verdict) -> None:
        finding = one(when=start)
        assert (finding.rule, finding.verdict) == ("ID-36", verdict)

    def test_an_expired_sample_says_so_and_calls_the_laboratory(self) -> None:
        finding = one(when=LIMIT + SECOND_LATER)
        assert (finding.reason, finding.remedy) == ("sample-expired", Remedy.CALL_LABORATORY)
        assert "ServiceRequest/o1" in finding.facts
        assert "Specimen/s1" in finding.facts

    @pytest.mark.parametrize(
        ("until", "verdict"),
        [
            (at(CHECKED_AT - SECOND_LATER), Verdict.REFUSE),
            (at(CHECKED_AT), Verdict.NO_OBJECTION),
            (Moment(text="2025-06-02"), Verdict.NO_OBJECTION),
            (Moment(text="2025-06-01"), Verdict.REFUSE),
        ],
    )
    def test_the_laboratorys_word_wins_over_the_age(self, until: Moment, verdict: Verdict) -> None:
        assert one(sample={"valid_until": until}).verdict is verdict

    def test_a_laboratory_may_allow_longer(self) -> None:
        until = at(LIMIT + timedelta(days=4))
        finding = one(sample={"valid_until": until}, when=LIMIT + timedelta(days=3))
        assert finding.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        "order",
        [NEITHER, {"recent_transfusion": None, "recent_pregnancy": None}, None],
    )
    def test_history_changes_nothing_in_the_default_profile(self, order: Any) -> None:
        assert one(when=LIMIT + SECOND_LATER, order=order).verdict is Verdict.REFUSE


class TestMissing:
    """No collection instant and no laboratory expiry: authorise."""

    @pytest.mark.parametrize(
        "sample", [None, {"collected": None}, {"collected": Moment(text="2025-06-01")}]
    )
    def test_it_is_authorised(self, sample: Any) -> None:
        finding = one(sample=sample)
        assert (finding.reason, finding.verdict, finding.known) == (
            "sample-missing",
            Verdict.AUTHORISE,
            False,
        )
        assert finding.remedy is Remedy.CALL_LABORATORY

    def test_a_sample_collected_after_the_judgement_is_none(self) -> None:
        finding = one(sample={"collected": at(CHECKED_AT + timedelta(minutes=1))})
        assert finding.reason == "sample-missing"

    def test_a_sample_the_laboratory_cannot_use_is_refused(self) -> None:
        finding = one(sample={"usable": False})
        assert (finding.reason, finding.verdict) == ("sample-unusable", Verdict.REFUSE)


class TestWhichSample:
    """The label's number decides, then the crossmatch, then the order, then the newest."""

    def other(self, **overrides: Any) -> Any:
        number = Identifier(SAMPLE_SYSTEM, "S250528-02")
        given = {"numbers": (number,), "collected": at(COLLECTED_AT - timedelta(days=4))}
        return a_sample("Specimen/s0", **(given | overrides))

    def test_the_label_names_an_older_one(self) -> None:
        label = a_label(sample_number=" S250528-02 ")
        finding = one(extra=(self.other(),), check={"label": label})
        assert (finding.verdict, "Specimen/s0" in finding.facts) == (Verdict.REFUSE, True)

    def test_a_number_on_the_label_that_no_sample_bears_leaves_it_missing(self) -> None:
        label = a_label(sample_number="S999999-99")
        assert one(check={"label": label}).reason == "sample-missing"

    def test_the_crossmatch_names_one(self) -> None:
        ref = Ref(kind="Specimen", id="s0")
        finding = one(
            extra=(self.other(),),
            check={"label": a_label(sample_number=None)},
            crossmatch={"sample": ref},
        )
        assert finding.verdict is Verdict.REFUSE

    def test_the_order_names_one_by_its_number(self) -> None:
        ref = Ref(kind="Specimen", identifier=Identifier(SAMPLE_SYSTEM, "S250528-02"))
        finding = one(extra=(self.other(),), check={"label": None}, order={"specimens": (ref,)})
        assert finding.verdict is Verdict.REFUSE

    def test_the_newest_stands_in_where_nobody_names_one(self) -> None:
        finding = one(
            extra=(self.other(), a_sample("Specimen/s9", collected=None)), check=None, start={}
        )
        assert finding.verdict is Verdict.NO_OBJECTION


class TestDrawDayIsDayZero:
    """ID-30 [S02], ID-31 [S52]; the counting from memory (AABB Standards 5.14.3.2)."""

    @pytest.mark.parametrize(
        ("start", "verdict"),
        [
            (datetime(2025, 6, 4, 22, 59, tzinfo=UTC), Verdict.NO_OBJECTION),
            (datetime(2025, 6, 4, 23, 1, tzinfo=UTC), Verdict.REFUSE),
        ],
    )
    @pytest.mark.parametrize(
        "collected", [at(COLLECTED_AT), Moment(text="2025-06-01"), at(COLLECTED_AT.replace(hour=0))]
    )
    def test_the_third_day_after_the_draw_is_the_last_in_the_facilitys_zone(
        self, collected: Moment, start: datetime, verdict: Verdict
    ) -> None:
        finding = one(policy=profile("us"), sample={"collected": collected}, when=start)
        assert (finding.rule, finding.verdict) == ("ID-31", verdict)

    def test_the_regulation_is_quoted_beside_it(self) -> None:
        rows = [cited.row for cited in one(policy=profile("us")).cited]
        assert rows == ["ID-31", "sample-validity", "sample-validity-rule", "ID-30"]

    @pytest.mark.parametrize("collected", [None, Moment(text="2025-06")])
    def test_a_draw_without_a_day_is_missing(self, collected: Moment | None) -> None:
        finding = one(policy=profile("us"), sample={"collected": collected})
        assert finding.verdict is Verdict.AUTHORISE

    def test_a_site_may_count_monday_to_the_end_of_wednesday(self) -> None:
        """ID-33 [S51], a site's own row."""
        rules = {"ID-33": {"on_failure": "refuse", "when_missing": "authorise"}}
        policy = with_rows({"sample-validity": 48, "sample-validity-rule": "day-0"}, rules=rules)
        monday = {"collected": at(datetime(2025, 6, 2, 9, 0, tzinfo=UTC))}
        wednesday = datetime(2025, 6, 4, 22, 58, tzinfo=UTC)
        last, over = (
            one(policy=policy, sample=monday, when=start)
            for start in (wednesday, wednesday + timedelta(minutes=2))
        )
        assert (last.rule, last.verdict, over.verdict) == (
            "ID-33",
            Verdict.NO_OBJECTION,
            Verdict.REFUSE,
        )


class TestLonger:
    """ID-32 [S50] and ID-34 [S41]: 7 days when neither transfused nor pregnant; unknown is yes."""

    @pytest.mark.parametrize(("name", "rule"), [("uk", "ID-32"), ("nz", "ID-34")])
    @pytest.mark.parametrize(
        ("order", "days", "verdict"),
        [
            (NEITHER, 7, Verdict.NO_OBJECTION),
            (NEITHER, 8, Verdict.REFUSE),
            ({**NEITHER, "recent_transfusion": None}, 4, Verdict.REFUSE),
            ({**NEITHER, "recent_transfusion": True}, 4, Verdict.REFUSE),
            ({**NEITHER, "recent_pregnancy": None}, 4, Verdict.REFUSE),
            ({**NEITHER, "recent_pregnancy": True}, 4, Verdict.REFUSE),
            (None, 4, Verdict.REFUSE),
        ],
    )
    def test_history_decides(
        self, name: str, rule: str, order: Any, days: int, verdict: Verdict
    ) -> None:
        start = COLLECTED_AT + timedelta(days=days)
        finding = one(policy=profile(name), order=order, when=start)
        assert (finding.rule, finding.verdict) == (rule, verdict)

    @pytest.mark.parametrize(
        ("name", "surgery", "verdict"),
        [
            ("nz", Moment(text="2025-06-20"), Verdict.NO_OBJECTION),
            ("nz", None, Verdict.REFUSE),
            ("uk", Moment(text="2025-06-20"), Verdict.REFUSE),
        ],
    )
    def test_dated_elective_surgery_has_21_days_in_nz(
        self, name: str, surgery: Moment | None, verdict: Verdict
    ) -> None:
        order = NEITHER | {"surgery_on": surgery}
        start = COLLECTED_AT + timedelta(days=21)
        assert one(policy=profile(name), order=order, when=start).verdict is verdict


class TestOwnRecord:
    """ID-39 (derived): a transfusion in our own record beats the order."""

    def earlier(self, days: int) -> Any:
        when = COLLECTED_AT + timedelta(days=5) - timedelta(days=days)
        return a_start("Task/start0", unit=unit_of(Component.PLATELETS), start=at(when))

    @pytest.mark.parametrize(
        ("days", "verdict"), [(90, Verdict.REFUSE), (91, Verdict.NO_OBJECTION)]
    )
    def test_ninety_days_are_the_window(self, days: int, verdict: Verdict) -> None:
        finding = one(
            policy=profile("nz"),
            order=NEITHER,
            when=COLLECTED_AT + timedelta(days=5),
            extra=(self.earlier(days),),
        )
        assert finding.verdict is verdict

    def test_the_unit_itself_is_no_earlier_transfusion(self) -> None:
        start = COLLECTED_AT + timedelta(days=5)
        begun = {"start": at(start - timedelta(minutes=1))}
        pre = pre_start(a_case(order=NEITHER, start=begun), policy=profile("nz"), at=start)
        assert [f.verdict for rule in RULES for f in rule(pre)] == [Verdict.NO_OBJECTION]


class TestLaboratorysExpiryRules:
    """ID-35, au [S47]: the crossmatch expiry must not have passed; without one as ID-36."""

    def test_the_laboratorys_expiry_speaks(self) -> None:
        until = {"valid_until": at(CHECKED_AT - SECOND_LATER)}
        finding = one(policy=profile("au"), sample=until)
        assert (finding.rule, finding.verdict) == ("ID-35", Verdict.REFUSE)

    def test_without_one_it_goes_as_id_36(self) -> None:
        finding = one(policy=profile("au"), when=LIMIT + SECOND_LATER)
        assert (finding.rule, finding.verdict) == ("ID-36", Verdict.REFUSE)


class TestEmergency:
    """ID-37 [S02]: the emergency path takes the place of ID-30 to ID-36."""

    @pytest.mark.parametrize(
        ("overrides", "known"),
        [
            ({"when": LIMIT + SECOND_LATER}, True),
            ({"sample": {"usable": False}}, True),
            ({"sample": None}, False),
        ],
    )
    def test_an_expired_or_missing_sample_is_authorised(
        self, overrides: dict[str, Any], known: bool
    ) -> None:
        finding = one(urgency="life-threatening", **overrides)
        assert (finding.rule, finding.reason, finding.verdict, finding.known) == (
            "ID-37",
            "emergency-without-sample",
            Verdict.AUTHORISE,
            known,
        )

    def test_a_sample_that_serves_needs_no_such_path(self) -> None:
        finding = one(urgency="life-threatening")
        assert (finding.rule, finding.verdict) == ("ID-36", Verdict.NO_OBJECTION)

    def test_urgent_alone_softens_nothing(self) -> None:
        assert one(urgency="urgent", when=LIMIT + SECOND_LATER).verdict is Verdict.REFUSE


class TestNewborn:
    """ID-38 [S94]: under 4 months without maternal antibody the sample serves to 4 months."""

    OLD = at(COLLECTED_AT - timedelta(days=30))

    def test_an_old_sample_serves(self) -> None:
        finding = one(
            patient=NEWBORN, antibodies={"maternal": True}, sample={"collected": self.OLD}
        )
        assert (finding.rule, finding.verdict) == ("ID-38", Verdict.NO_OBJECTION)
        assert finding.shown == (("valid until", "2025-08-20T00:00+01:00"),)

    def test_a_month_too_short_for_the_day_ends_it(self) -> None:
        finding = one(patient={"birth_date": "2025-05-31"}, antibodies={"maternal": True})
        assert finding.shown == (("valid until", "2025-09-30T00:00+01:00"),)

    def test_the_laboratory_may_say_otherwise(self) -> None:
        finding = one(
            patient=NEWBORN,
            antibodies={"maternal": True},
            sample={"valid_until": at(CHECKED_AT - SECOND_LATER)},
        )
        assert finding.verdict is Verdict.REFUSE

    def test_a_maternal_screen_not_sent_goes_as_id_36(self) -> None:
        finding = one(patient=NEWBORN, sample={"collected": self.OLD})
        assert (finding.rule, finding.verdict) == ("ID-36", Verdict.REFUSE)

    def test_no_sample_at_all_is_missing(self) -> None:
        finding = one(patient=NEWBORN, antibodies={"maternal": True}, sample=None)
        assert (finding.rule, finding.verdict) == ("ID-38", Verdict.AUTHORISE)


class TestComponents:
    """2.3: red cells, whole blood and granulocytes only [S93]."""

    @pytest.mark.parametrize(
        "component", [Component.PLASMA, Component.PLATELETS, Component.CRYOPRECIPITATE]
    )
    def test_others_need_no_sample(self, component: Component) -> None:
        crossmatch = {"valid_until": at(CHECKED_AT - SECOND_LATER)}
        assert not found(component=component, sample=None, crossmatch=crossmatch)

    @pytest.mark.parametrize("component", [Component.WHOLE_BLOOD, Component.GRANULOCYTES])
    def test_whole_blood_and_granulocytes_do(self, component: Component) -> None:
        assert one(component=component, sample=None).verdict is Verdict.AUTHORISE


class TestCrossmatchExpiry:
    """ID-40 (derived; POL-22): refused when it has passed at the start; a caution when it passes
    before the unit is through."""

    def expiry(self, until: datetime, **overrides: Any) -> Finding:
        findings = found(crossmatch={"valid_until": at(until)}, **overrides)
        (finding,) = of_rule(findings, "ID-40")
        return finding

    @pytest.mark.parametrize(
        ("until", "verdict"),
        [(CHECKED_AT, Verdict.NO_OBJECTION), (CHECKED_AT - SECOND_LATER, Verdict.REFUSE)],
    )
    def test_it_holds_at_the_start(self, until: datetime, verdict: Verdict) -> None:
        finding = self.expiry(until)
        assert finding.verdict is verdict

    def test_an_emergency_asks_for_an_authoriser(self) -> None:
        finding = self.expiry(CHECKED_AT - SECOND_LATER, urgency="life-threatening")
        assert (finding.reason, finding.verdict) == ("crossmatch-expired", Verdict.AUTHORISE)

    @pytest.mark.parametrize(
        ("hours", "reason"), [(1.9, "crossmatch-expires-during"), (2, "crossmatch-valid")]
    )
    def test_expiry_during_the_unit_is_a_caution(self, hours: float, reason: str) -> None:
        """280 mL at 140 mL/h take two hours."""
        finding = self.expiry(CHECKED_AT + timedelta(hours=hours), order={"rate": Decimal(140)})
        assert finding.reason == reason
        assert (finding.verdict is Verdict.CAUTION) == (hours < 2)

    @pytest.mark.parametrize(
        ("start", "reason"),
        [(None, "crossmatch-valid"), ({"rate": Decimal(70)}, "crossmatch-expires-during")],
    )
    def test_a_slow_first_quarter_of_an_hour_makes_it_longer(self, start: Any, reason: str) -> None:
        """15 min at 70 mL/h and the rest at 140 mL/h take 2 h 7.5 min."""
        until = CHECKED_AT + timedelta(minutes=125)
        assert self.expiry(until, order={"rate": Decimal(140)}, start=start).reason == reason

    @pytest.mark.parametrize("unit", [{"volume": None}, {}])
    def test_without_volume_or_rate_the_end_is_not_guessed(self, unit: dict[str, Any]) -> None:
        rate = {"rate": Decimal(140)} if unit else {}
        finding = self.expiry(CHECKED_AT + timedelta(minutes=1), unit=unit, order=rate)
        assert finding.reason == "crossmatch-valid"

    def test_a_site_may_switch_the_caution_off(self) -> None:
        policy = with_rows({"crossmatch-expires-during-as": "off"})
        finding = self.expiry(
            CHECKED_AT + timedelta(hours=1), order={"rate": Decimal(140)}, policy=policy
        )
        assert finding.reason == "crossmatch-valid"

    def test_the_newest_crossmatch_counts(self) -> None:
        newer = a_crossmatch(
            "Observation/x2",
            at=at(COLLECTED_AT + timedelta(hours=1)),
            valid_until=at(CHECKED_AT + timedelta(hours=9)),
        )
        finding = self.expiry(CHECKED_AT - SECOND_LATER, extra=(newer,))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_without_an_expiry_the_sample_speaks(self) -> None:
        assert not of_rule(found(crossmatch={}), "ID-40")
