"""Who checks and who starts (rules.md 2.2)."""

from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Identifier, Staff
from service.facts.moment import Moment, at
from service.rules.identity import RULES
from tests.support.cases import (
    CHECK_AT,
    MRN,
    NURSE,
    SECOND,
    STAFF_SYSTEM,
    THIRD,
    a_bag,
    a_band,
    a_case,
    of_rule,
    pre_start,
    staff,
)
from tests.support.policies import profile, with_rows

ROOM = Identifier("https://harrow-vale.example/id/room", "12")
ALONE = {"second_checker": None, "second_checked_at": None}
KEYED = {"bag": a_bag(scanned=False)}


def found(rule: str, *, policy: Any = None, **overrides: Any) -> tuple[Finding, ...]:
    pre = pre_start(a_case(**overrides), policy=policy)
    return of_rule([finding for each in RULES for finding in each(pre)], rule)


def one(rule: str, *, policy: Any = None, **overrides: Any) -> Finding:
    (finding,) = found(rule, policy=policy, **overrides)
    return finding


class TestTwoOrMachine:
    """ID-20 [S12][S13]: two people, or one with machine identification from the raw scans."""

    def test_two_people_suffice_without_a_machine(self) -> None:
        assert one("ID-20", check=KEYED).verdict is Verdict.NO_OBJECTION

    def test_one_person_suffices_with_band_and_bag_scanned(self) -> None:
        assert one("ID-20", check=ALONE).verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        "inputs",
        [
            KEYED,
            {"bag": None},
            {"band": a_band(scans=("0099102",))},
            {"band": a_band(scans=(f"]C0{MRN.value}",))},
            {"band": a_band(scans=(MRN.value, "0099102"))},
            {"band": a_band(identifiers=(ROOM,), scans=(ROOM.value,))},
        ],
    )
    def test_one_person_without_a_valid_scan_of_both_is_refused(
        self, inputs: dict[str, Any]
    ) -> None:
        finding = one("ID-20", check=ALONE | inputs)
        assert (finding.reason, finding.verdict, finding.remedy) == (
            "second-checker-or-machine",
            Verdict.REFUSE,
            Remedy.REPEAT_CHECK,
        )

    @pytest.mark.parametrize(
        ("inputs", "lacking"),
        [
            ({"owner": None}, ("checker",)),
            ({"owner": Staff(keys=frozenset())}, ("checker",)),
            ({"band": a_band(scans=())}, ("band-scan",)),
            ({"band": a_band(read_aloud=None)}, ("read-aloud-match",)),
        ],
    )
    def test_what_each_checker_gives_is_refused_when_missing(
        self, inputs: dict[str, Any], lacking: tuple[str, ...]
    ) -> None:
        finding = one("ID-20", check=inputs)
        assert (finding.verdict, finding.known, finding.missing) == (
            Verdict.REFUSE,
            False,
            lacking,
        )

    def test_a_scan_of_the_bag_at_the_start_comes_too_late_for_the_check(self) -> None:
        finding = one("ID-20", check=ALONE | KEYED, start={"bag": a_bag(scanned=True)})
        assert finding.verdict is Verdict.REFUSE

    def test_reading_aloud_that_does_not_match_is_refused(self) -> None:
        finding = one("ID-20", check={"band": a_band(read_aloud=False)})
        assert (finding.reason, finding.verdict, finding.known) == (
            "read-aloud-differs",
            Verdict.REFUSE,
            True,
        )

    def test_a_second_person_nobody_can_tell_apart_does_not_count(self) -> None:
        nobody = Staff(keys=frozenset(), display="somebody")
        finding = one("ID-20", check=KEYED | {"second_checker": nobody})
        assert finding.verdict is Verdict.REFUSE

    @pytest.mark.parametrize(
        "second",
        [
            Staff(keys=frozenset({"licence|L-9"})),
            Staff(keys=frozenset({"licence|L-9", "Practitioner/n2"})),
            Staff(keys=frozenset({"Practitioner/n2"})),
            Staff(keys=frozenset({"url|https://ward.example/Practitioner/2"})),
        ],
    )
    def test_a_number_of_another_kind_may_be_the_first_checkers_own(self, second: Staff) -> None:
        """Persons are compared after resolving identifiers: what cannot be compared is missing."""
        finding = one("ID-20", check=KEYED | {"second_checker": second})
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, ("second checker",))
        assert one("ID-20", check={"second_checker": second}).verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        ("first", "second"),
        [
            ({"s|1"}, {"s|2"}),
            ({"s|1", "licence|L-1", "Practitioner/n1"}, {"s|2"}),
            ({"Practitioner/n1"}, {"Practitioner/n2"}),
            ({"url|https://w.example/Practitioner/1"}, {"url|https://w.example/Practitioner/2"}),
        ],
    )
    def test_other_numbers_of_one_kind_are_two_persons(
        self, first: set[str], second: set[str]
    ) -> None:
        told = {
            "owner": Staff(keys=frozenset(first)),
            "second_checker": Staff(keys=frozenset(second)),
        }
        assert one("ID-20", check=KEYED | told).verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        ("first", "second"),
        [
            ({"url|https://w.example/Practitioner/1"}, {"url|https://x.example/Practitioner/1"}),
            ({"Practitioner/n1", "s|1"}, {"Practitioner/n2", "licence|L-1"}),
            ({"s|1", "licence|L-1"}, {"s|2", "licence|L-1"}),
        ],
    )
    def test_two_mentions_that_may_be_one_person_are_not_two(
        self, first: set[str], second: set[str]
    ) -> None:
        told = {
            "owner": Staff(keys=frozenset(first)),
            "second_checker": Staff(keys=frozenset(second)),
        }
        assert one("ID-20", check=KEYED | told).verdict is Verdict.REFUSE

    def test_a_band_that_was_not_read_is_id_01s_to_say(self) -> None:
        assert one("ID-20", check={"band": None}).verdict is Verdict.NO_OBJECTION


class TestLocalPolicy:
    """ID-23 [S15][S20]: by the site's row, as ID-20; the spoken check stays."""

    def test_it_takes_the_place_of_id_20_in_uk(self) -> None:
        assert one("ID-23", policy=profile("uk"), check=ALONE).verdict is Verdict.NO_OBJECTION
        assert not found("ID-20", policy=profile("uk"))

    def test_without_its_own_number_a_uk_site_goes_as_id_20(self) -> None:
        finding = one("ID-23", policy=profile("uk"), check=ALONE | KEYED)
        assert finding.verdict is Verdict.REFUSE

    def test_a_site_may_take_one_person(self) -> None:
        policy = with_rows({"checkers": "site-one"}, base="uk")
        finding = one("ID-23", policy=policy, check=ALONE | KEYED)
        assert finding.verdict is Verdict.NO_OBJECTION
        spoken = one("ID-04", policy=policy, check=ALONE | KEYED | {"spoken": None})
        assert spoken.verdict is Verdict.REFUSE


class TestTwoQualified:
    """ID-24 [S10]: two qualified individuals; machine identification alone does not do."""

    def test_a_machine_does_not_take_the_place_of_one(self) -> None:
        finding = one("ID-24", policy=profile("us-nj"), check=ALONE)
        assert (finding.reason, finding.verdict) == ("two-qualified-required", Verdict.REFUSE)

    def test_two_pass(self) -> None:
        finding = one("ID-24", policy=profile("us-nj"), check=KEYED)
        assert finding.verdict is Verdict.NO_OBJECTION


class TestStarter:
    """ID-21 [S12]: one checker gives the unit; the second is another person; persons compare as
    Practitioner after resolving roles and identifiers."""

    @pytest.mark.parametrize("owner", [NURSE, SECOND])
    def test_either_checker_may_start(self, owner: Staff) -> None:
        assert one("ID-21", start={"owner": owner}).verdict is Verdict.NO_OBJECTION

    def test_somebody_else_is_refused(self) -> None:
        finding = one("ID-21", start={"owner": THIRD})
        assert (finding.reason, finding.verdict) == (
            "transfusionist-not-a-verifier",
            Verdict.REFUSE,
        )
        assert finding.shown == (
            ("starter", "nurse-3"),
            ("checker", "nurse-1"),
            ("checker", "nurse-2"),
        )

    @pytest.mark.parametrize("owner", [None, Staff(keys=frozenset(), display="A nurse")])
    def test_nobody_named_is_refused(self, owner: Staff | None) -> None:
        finding = one("ID-21", start={"owner": owner})
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, ("starter",))

    @pytest.mark.parametrize("start", [None, {}])
    def test_the_same_person_twice_is_refused_at_check_and_start(self, start: Any) -> None:
        finding = one("ID-21", check={"second_checker": NURSE}, start=start)
        assert (finding.reason, finding.verdict) == ("same-person-twice", Verdict.REFUSE)

    def test_one_person_under_two_numbers_is_one_person(self) -> None:
        role = Staff(keys=frozenset({"Practitioner/n1", f"{STAFF_SYSTEM}|nurse-1"}))
        again = Staff(keys=frozenset({"Practitioner/n1"}))
        finding = one("ID-21", check={"owner": role, "second_checker": again})
        assert finding.reason == "same-person-twice"
        started = one("ID-21", check={"owner": role}, start={"owner": again})
        assert started.verdict is Verdict.NO_OBJECTION

    def test_a_starter_without_a_display_is_shown_by_a_key(self) -> None:
        finding = one("ID-21", start={"owner": Staff(keys=frozenset({"Practitioner/n9"}))})
        assert ("starter", "Practitioner/n9") in finding.shown

    def test_at_the_check_the_starter_is_not_yet_known(self) -> None:
        assert not found("ID-21")
        assert not found("ID-21", check=None, start={})


class TestIndependence:
    """ID-22 [S15][S32]: each does the whole check; at least 5 s apart (derived)."""

    @pytest.mark.parametrize(
        ("seconds", "verdict"), [(4, Verdict.CAUTION), (5, Verdict.NO_OBJECTION)]
    )
    def test_five_seconds_are_the_limit(self, seconds: int, verdict: Verdict) -> None:
        when = at(CHECK_AT + timedelta(seconds=seconds))
        assert one("ID-22", check={"second_checked_at": when}).verdict is verdict

    @pytest.mark.parametrize("when", [None, Moment(text="2025-06-02")])
    def test_no_time_or_a_coarse_one_is_listed_as_not_checked(self, when: Moment | None) -> None:
        finding = one("ID-22", check={"second_checked_at": when})
        assert (finding.verdict, finding.known) == (None, False)

    @pytest.mark.parametrize("check", [ALONE, {"second_checker": NURSE}])
    def test_one_person_has_nothing_to_be_independent_of(self, check: dict[str, Any]) -> None:
        assert not found("ID-22", check=check)


class TestRoles:
    """ID-25 [S15][S09]: starter and checkers hold a role in may-start; off for a role not sent."""

    POLICY = with_rows({"may-start": ("registered-nurse", "midwife")})

    def test_registered_nurses_pass(self) -> None:
        finding = one("ID-25", policy=self.POLICY, start={})
        assert finding.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("place", ["owner", "second_checker", "starter"])
    def test_a_student_anywhere_is_refused(self, place: str) -> None:
        student = staff("student-1", "nursing-student")
        check = {} if place == "starter" else {place: student}
        start = {"owner": student} if place == "starter" else {}
        finding = one("ID-25", policy=self.POLICY, check=check, start=start)
        assert (finding.reason, finding.verdict) == ("role-may-not-start", Verdict.REFUSE)
        assert ("student-1", "nursing-student") in finding.shown

    def test_a_person_in_two_parts_is_shown_once(self) -> None:
        student = staff("student-1", "nursing-student")
        finding = one(
            "ID-25", policy=self.POLICY, check={"owner": student}, start={"owner": student}
        )
        assert finding.shown == (("student-1", "nursing-student"),)

    def test_a_role_not_sent_is_listed_as_not_checked(self) -> None:
        finding = one("ID-25", policy=self.POLICY, check={"owner": staff("nurse-9")})
        assert (finding.verdict, finding.missing) == (None, ("role",))

    def test_it_is_silent_until_the_site_names_roles(self) -> None:
        assert not found("ID-25", start={})

    def test_without_a_check_there_is_nobody_to_judge(self) -> None:
        assert not found("ID-25", policy=self.POLICY, check=None, start={})
