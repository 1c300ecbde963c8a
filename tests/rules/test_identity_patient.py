"""The right patient: band, spoken name, label, order and issue (rules.md 2.1)."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Stage, Verdict, gravest
from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import at
from service.facts.steps import Band
from service.facts.unit import Component
from service.rules.context import PreStart
from service.rules.identity import RULES
from tests.support.cases import (
    CHECK_AT,
    CHECKED_AT,
    MRN,
    PATIENT,
    PATIENT_SYSTEM,
    SECOND,
    STRANGER,
    TEMPORARY_SYSTEM,
    a_band,
    a_case,
    a_check,
    a_label,
    a_patient,
    an_issue,
    an_order,
    of_rule,
    pre_start,
    unit_of,
)
from tests.support.policies import profile, with_rows

HOUR = timedelta(hours=1)
ROOM = Identifier("https://harrow-vale.example/id/room", "12")
TRAUMA = Identifier(TEMPORARY_SYSTEM, "T-2025-0061")


def identity(pre: PreStart) -> tuple[Finding, ...]:
    return tuple(finding for rule in RULES for finding in rule(pre))


def judged(*, policy: Any = None, urgency: str | None = None, **overrides: Any) -> Any:
    return identity(pre_start(a_case(**overrides), policy=policy, urgency=urgency))


def checked(rule: str, *, policy: Any = None, urgency: str | None = None, **inputs: Any) -> Any:
    """The one finding of a rule on a check with these inputs."""
    found = of_rule(judged(policy=policy, urgency=urgency, check=inputs), rule)
    (finding,) = found
    return finding


class TestNothingAmiss:
    def test_a_complete_check_raises_no_prompt(self) -> None:
        assert gravest(judged()) is Verdict.NO_OBJECTION
        assert gravest(judged(start={})) is Verdict.NO_OBJECTION

    def test_what_no_fact_can_tell_is_listed_as_not_checked(self) -> None:
        """Section 0: *off* lists the rule as not checked."""
        silent = {f.rule for f in judged(start={}) if f.verdict is None}
        assert silent == {"ID-09", "ID-11"}

    def test_no_text_is_said_twice(self) -> None:
        texts = [finding.text for finding in judged(start={})]
        assert len(texts) == len(set(texts))


class TestBand:
    """ID-01 [S14][S32]: a band, read at the bedside, not a chart sticker."""

    @pytest.mark.parametrize(
        "band",
        [None, Band(), Band(read_aloud=True)],
    )
    def test_no_band_is_refused_once(self, band: Any) -> None:
        findings = [f for f in judged(check={"band": band}) if f.verdict is Verdict.REFUSE]
        assert [(f.rule, f.reason, f.remedy) for f in findings] == [
            ("ID-01", "band-not-read", Remedy.RESCAN)
        ]
        assert not of_rule(judged(check={"band": band}), "ID-07")

    def test_a_scan_that_does_not_fit_the_pattern_is_refused(self) -> None:
        finding = checked("ID-01", policy=with_rows({"band-pattern": r"W-\d+"}))
        assert (finding.reason, finding.verdict) == ("not-a-band", Verdict.REFUSE)
        assert finding.shown == (("scan", MRN.value),)

    def test_a_scan_that_fits_passes(self) -> None:
        finding = checked("ID-01", policy=with_rows({"band-pattern": r"\d{7}"}))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_band_that_was_keyed_has_no_scan_to_fit(self) -> None:
        band = a_band(scans=())
        finding = checked("ID-01", policy=with_rows({"band-pattern": "x"}), band=band)
        assert finding.verdict is Verdict.NO_OBJECTION


class TestFourIdentifiers:
    """ID-02 [S14][S42][S47]: uk, nz and au want all four; it is off elsewhere."""

    @pytest.mark.parametrize("name", ["uk", "nz", "au"])
    @pytest.mark.parametrize(
        ("band", "lacking"),
        [
            (a_band(identifiers=()), "identifier"),
            (a_band(birth_date=None), "birth-date"),
            (a_band(name=PersonName(family="Ashgrove")), "given"),
            (a_band(name=PersonName(given="Wren")), "family"),
        ],
    )
    def test_each_one_missing_is_refused(self, name: str, band: Any, lacking: str) -> None:
        finding = checked("ID-02", policy=profile(name), band=band)
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, (lacking,))
        assert finding.remedy is Remedy.COMPLETE_RECORD

    def test_all_four_pass(self) -> None:
        finding = checked("ID-02", policy=profile("uk"))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_it_is_silent_in_the_default_profile(self) -> None:
        assert not of_rule(judged(), "ID-02")


class TestEnoughIdentifiers:
    """ID-03 [S12]: a minimum; room, bed and place never count. POL-04: 3 by default, 2 in us."""

    def test_a_room_never_counts(self) -> None:
        band = a_band(identifiers=(ROOM,), birth_date=None)
        finding = checked("ID-03", policy=profile("us"), band=band)
        assert (finding.reason, finding.verdict) == ("room-not-identifier", Verdict.REFUSE)
        assert finding.remedy is Remedy.REPEAT_CHECK

    def test_a_name_alone_is_one_identifier_not_two(self) -> None:
        band = a_band(identifiers=(), birth_date=None)
        finding = checked("ID-03", policy=profile("us"), band=band)
        assert (finding.reason, finding.verdict) == ("too-few-identifiers", Verdict.REFUSE)
        assert finding.missing == ("identifier", "birth-date")

    def test_a_number_in_a_system_that_only_the_record_uses_never_counts(self) -> None:
        """A room that the patient's record lists stays a room."""
        band = a_band(identifiers=(ROOM,), birth_date=None)
        findings = judged(patient={"identifiers": (MRN, ROOM)}, check={"band": band})
        (finding,) = of_rule(findings, "ID-03")
        assert (finding.reason, finding.verdict) == ("room-not-identifier", Verdict.REFUSE)

    def test_a_name_and_a_birth_date_are_two(self) -> None:
        finding = checked("ID-03", policy=profile("us"), band=a_band(identifiers=()))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_the_default_wants_three(self) -> None:
        two = a_band(name=PersonName(family="Ashgrove"), birth_date=None)
        three = a_band(birth_date=None)
        assert checked("ID-03", band=two).verdict is Verdict.REFUSE
        assert checked("ID-03", band=three).verdict is Verdict.NO_OBJECTION


class TestSpoken:
    """ID-04 [S14]: matches, differs, or unable with a reason and who confirmed."""

    def test_differs_is_refused(self) -> None:
        finding = checked("ID-04", spoken="differs")
        assert (finding.reason, finding.verdict, finding.known) == (
            "spoken-differs",
            Verdict.REFUSE,
            True,
        )
        assert finding.remedy is Remedy.REPEAT_CHECK

    @pytest.mark.parametrize("spoken", [None, "perhaps"])
    def test_missing_is_refused(self, spoken: str | None) -> None:
        finding = checked("ID-04", spoken=spoken)
        assert (finding.reason, finding.verdict, finding.known) == (
            "spoken-missing",
            Verdict.REFUSE,
            False,
        )

    def test_unable_with_a_reason_and_a_confirming_person_is_a_note(self) -> None:
        by = Ref(kind="RelatedPerson", id="r1")
        finding = checked("ID-04", spoken="unable", spoken_unable="unconscious", confirmed_by=by)
        assert (finding.reason, finding.verdict) == ("spoken-unable", Verdict.NOTE)

    @pytest.mark.parametrize(
        "by",
        [
            Ref(kind="Patient", id="p1"),
            Ref(kind="Device", id="d1"),
            Ref(kind="Organization", display="Larch"),
            Ref(kind="RelatedPerson"),
        ],
    )
    def test_the_patient_a_thing_or_nobody_confirms_nothing(self, by: Ref) -> None:
        finding = checked("ID-04", spoken="unable", spoken_unable="unconscious", confirmed_by=by)
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, ("confirmed-by",))

    @pytest.mark.parametrize(
        ("inputs", "lacking"),
        [
            ({"spoken_unable": "unconscious"}, ("confirmed-by",)),
            ({"confirmed_by": Ref(kind="RelatedPerson", id="r1")}, ("spoken-unable",)),
            ({}, ("spoken-unable", "confirmed-by")),
        ],
    )
    def test_unable_without_either_counts_as_missing(
        self, inputs: dict[str, Any], lacking: tuple[str, ...]
    ) -> None:
        finding = checked("ID-04", spoken="unable", **inputs)
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, lacking)


class TestFourWays:
    """ID-05 [S15][S47][S10]: band = label = order = issue; any discrepancy refuses."""

    def test_the_label_of_another_patient_is_refused_and_the_laboratory_called(self) -> None:
        label = a_label(identifiers=(STRANGER.identifier,))
        finding = checked("ID-05", label=label)
        assert (finding.reason, finding.verdict, finding.known) == (
            "identifier-mismatch",
            Verdict.REFUSE,
            True,
        )
        assert (finding.remedy, finding.critical) == (Remedy.CALL_LABORATORY, True)

    def test_the_band_of_another_patient_differs_from_the_record_too(self) -> None:
        number = Identifier(PATIENT_SYSTEM, "0099102")
        band = a_band(identifiers=(number,), scans=(number.value,))
        finding = checked("ID-05", band=band, label=a_label(identifiers=(number,)))
        assert ("identifier on the patient record", MRN.token) in finding.shown

    @pytest.mark.parametrize(
        "scans", [("0099102",), (MRN.value, "0099102"), (f"0099102{MRN.value}",)]
    )
    def test_a_scan_of_another_band_is_refused(self, scans: tuple[str, ...]) -> None:
        finding = checked("ID-05", band=a_band(scans=scans))
        assert finding.verdict is Verdict.REFUSE
        assert ("scan of the band", scans[-1]) in finding.shown

    def test_a_number_of_an_unknown_system_is_nobodys(self) -> None:
        """Nothing in common identifies, so that the patient cannot be compared."""
        unknown = Identifier("https://elsewhere.example/number", "0099102")
        band = a_band(identifiers=(unknown,), scans=(unknown.value,))
        for label in (a_label(), a_label(identifiers=(unknown,))):
            finding = checked("ID-05", band=band, label=label)
            assert (finding.verdict, finding.known) == (Verdict.REFUSE, False)
            assert "identifier on the band" in finding.missing
            assert finding.remedy is Remedy.RESCAN

    def test_a_band_without_a_number_is_not_compared_by_name_and_birth_date_alone(self) -> None:
        for profile_of in ("default", "us", "uk"):
            finding = checked("ID-05", policy=profile(profile_of), band=a_band(identifiers=()))
            assert (finding.verdict, finding.missing) == (
                Verdict.REFUSE,
                ("identifier on the band",),
            )

    @pytest.mark.parametrize(
        "label",
        [
            a_label(identifiers=(MRN, Identifier(TEMPORARY_SYSTEM, "T-9"))),
            a_label(birth_date="1961-12-04"),
            a_label(name=PersonName(family="Holm", given="Wren")),
        ],
    )
    def test_what_the_band_lacks_on_the_label_is_compared_with_the_record(self, label: Any) -> None:
        band = a_band(birth_date=None, name=PersonName(given="Wren"))
        finding = checked("ID-05", band=band, label=label)
        assert (finding.reason, finding.verdict) == ("identifier-mismatch", Verdict.REFUSE)
        assert finding.shown[0][0].endswith("on the label")

    def test_the_label_is_compared_with_the_record_without_a_band_too(self) -> None:
        label = a_label(identifiers=(STRANGER.identifier,))
        finding = checked("ID-05", band=None, label=label)
        assert (finding.reason, finding.verdict) == ("identifier-mismatch", Verdict.REFUSE)

    def test_a_printer_that_cuts_names_has_its_row_against_the_record_too(self) -> None:
        label = a_label(name=PersonName(family="ASHG", given="WREN"))
        cut = with_rows({"label-rendering": ("family:4",)})
        band = a_band(name=PersonName(given="Wren"))
        assert checked("ID-05", policy=cut, band=band, label=label).verdict is Verdict.NO_OBJECTION
        assert checked("ID-05", band=band, label=label).verdict is Verdict.REFUSE

    def test_an_order_for_another_patient_is_refused_without_saying_whose(self) -> None:
        order = an_order()
        findings = judged(order=replace(order, subject=STRANGER))
        (finding,) = of_rule(findings, "ID-05")
        assert (finding.reason, finding.verdict) == ("another-patient", Verdict.REFUSE)
        assert "0099102" not in repr(finding)

    def test_an_issue_to_another_patient_is_refused_without_saying_whose(self) -> None:
        (finding,) = of_rule(judged(issue={"patient": STRANGER}), "ID-05")
        assert (finding.reason, finding.verdict) == ("another-patient", Verdict.REFUSE)
        assert "0099102" not in repr(finding)

    def test_a_unit_given_back_and_issued_to_this_patient_passes(self) -> None:
        earlier = an_issue(
            "Basic/i0",
            patient=STRANGER,
            status="returned",
            handed_over=at(CHECK_AT - timedelta(hours=3)),
        )
        (finding,) = of_rule(judged(extra=(earlier,)), "ID-05")
        assert finding.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("when", [None, at(CHECK_AT - timedelta(hours=3))])
    @pytest.mark.parametrize("status", ["issued", "allocated", None])
    def test_a_unit_still_issued_to_another_is_refused(self, status: Any, when: Any) -> None:
        theirs = an_issue("Basic/i0", patient=STRANGER, status=status, handed_over=when)
        findings = judged(extra=(theirs,))
        (finding,) = of_rule(findings, "ID-05")
        assert (finding.reason, finding.verdict) == ("another-patient", Verdict.REFUSE)
        assert "0099102" not in repr(finding)

    def test_a_return_after_the_judgement_comes_too_late_for_it(self) -> None:
        theirs = an_issue(
            "Basic/i0", patient=STRANGER, status="returned", handed_over=at(CHECK_AT - HOUR)
        )
        back = replace(theirs, version=2, received=CHECKED_AT + HOUR)
        (finding,) = of_rule(judged(extra=(back,)), "ID-05")
        assert finding.verdict is Verdict.REFUSE
        in_time = replace(theirs, version=2, received=CHECK_AT)
        (finding,) = of_rule(judged(extra=(in_time,)), "ID-05")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_issue_that_came_to_nothing_is_none(self) -> None:
        (finding,) = of_rule(judged(issue={"status": "unfulfilled"}), "ID-05")
        assert finding.missing == ("issue",)

    def test_a_later_issue_to_another_patient_does_not_change_this_judgement(self) -> None:
        later = an_issue(
            "Basic/i2", patient=STRANGER, handed_over=at(CHECKED_AT + timedelta(hours=2))
        )
        (finding,) = of_rule(judged(extra=(later,)), "ID-05")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_an_issue_that_arrives_late_still_counts(self) -> None:
        late = {"handed_over": at(CHECKED_AT + timedelta(minutes=2)), "patient": STRANGER}
        (finding,) = of_rule(judged(issue=late), "ID-05")
        assert finding.verdict is Verdict.REFUSE

    @pytest.mark.parametrize(
        ("overrides", "lacking", "remedy"),
        [
            ({"check": {"label": None}}, "compatibility label", Remedy.RESCAN),
            ({"check": {"label": a_label(birth_date=None)}}, "birth date on the label", "rescan"),
            ({"issue": None}, "issue", Remedy.CALL_LABORATORY),
            ({"issue": {"patient": None}}, "patient of the issue", Remedy.CALL_LABORATORY),
            ({"patient": None}, "patient record", Remedy.COMPLETE_RECORD),
            (
                {"patient": {"birth_date": None}},
                "birth date on the patient record",
                Remedy.COMPLETE_RECORD,
            ),
        ],
    )
    def test_what_is_missing_is_refused_with_its_own_remedy(
        self, overrides: dict[str, Any], lacking: str, remedy: str
    ) -> None:
        (finding,) = of_rule(judged(**overrides), "ID-05")
        assert (finding.verdict, finding.known) == (Verdict.REFUSE, False)
        assert (finding.missing, finding.remedy) == ((lacking,), remedy)

    @pytest.mark.parametrize("word", ["band-identifier", "band-family", "label-birth-date"])
    def test_what_was_read_and_cannot_be_used_is_missing(self, word: str) -> None:
        finding = checked("ID-05", unusable=(word,))
        assert (finding.verdict, finding.missing) == (Verdict.REFUSE, (f"usable {word}",))
        assert finding.remedy is Remedy.RESCAN

    def test_what_names_no_patient_is_another_rules(self) -> None:
        assert checked("ID-05", unusable=("access-gauge",)).verdict is Verdict.NO_OBJECTION

    def test_only_what_the_band_in_use_carries_is_compared(self) -> None:
        """POL-04: every identifier present on the band is compared."""
        finding = checked("ID-05", band=a_band(birth_date=None))
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_several_things_missing_start_with_a_rescan(self) -> None:
        (finding,) = of_rule(judged(issue=None, check={"label": None}), "ID-05")
        assert finding.missing == ("compatibility label", "issue")
        assert finding.remedy is Remedy.RESCAN

    def test_a_missing_order_is_pre_01s_to_say(self) -> None:
        (finding,) = of_rule(judged(order=None), "ID-05")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_urgency_softens_nothing(self) -> None:
        label = a_label(identifiers=(STRANGER.identifier,))
        finding = checked("ID-05", urgency="life-threatening", label=label)
        assert finding.verdict is Verdict.REFUSE

    def test_a_printer_that_cuts_names_has_its_row(self) -> None:
        label = a_label(name=PersonName(family="ASHG", given="WREN"))
        cut = checked("ID-05", policy=with_rows({"label-rendering": ("family:4",)}), label=label)
        plain = checked("ID-05", label=label)
        assert (cut.verdict, plain.verdict) == (Verdict.NO_OBJECTION, Verdict.REFUSE)


class TestJoinedRecords:
    """Design 4: joined records with differing birth date or family name are refused until
    resolved, unless one of them is a temporary record."""

    def other(self, **overrides: Any) -> Any:
        return a_patient("Patient/p9", **overrides)

    @pytest.mark.parametrize(
        ("overrides", "shown"),
        [
            ({"birth_date": "1961-04-21"}, ("birth date in Patient/p9", "1961-04-21")),
            (
                {"names": (PersonName(family="Holm", given="Wren"),)},
                ("family in Patient/p9", "Holm"),
            ),
        ],
    )
    def test_a_contradiction_is_refused_and_both_sides_shown(
        self, overrides: dict[str, Any], shown: tuple[str, str]
    ) -> None:
        findings = judged(extra=(self.other(**overrides),))
        (conflict,) = [f for f in findings if f.reason == "identity-conflict"]
        assert (conflict.rule, conflict.verdict) == ("ID-05", Verdict.REFUSE)
        assert conflict.remedy is Remedy.COMPLETE_RECORD
        assert shown in conflict.shown

    @pytest.mark.parametrize(
        "overrides",
        [
            {},
            {"names": (PersonName(family="ASHGROVE", given="W"),)},
            {"names": (), "birth_date": None},
            {"names": (PersonName(family="Holm"), PersonName(family="Ashgrove"))},
            {"identifiers": (TRAUMA,), "names": (PersonName(family="Unknown"),)},
            {"temporary": frozenset({"x|y"}), "birth_date": "1900-01-01"},
        ],
    )
    def test_agreeing_bare_or_temporary_records_are_no_conflict(
        self, overrides: dict[str, Any]
    ) -> None:
        findings = judged(extra=(self.other(**overrides),))
        assert not [f for f in findings if f.reason == "identity-conflict"]

    def test_it_is_found_at_a_start_without_a_check_too(self) -> None:
        other = self.other(birth_date="1961-04-21")
        findings = judged(check=None, start={}, extra=(other,))
        assert "identity-conflict" in [f.reason for f in findings]


class TestNoCheck:
    """ID-07 [S15]: a check next to the patient for every unit; one finding tells all it lacks."""

    def test_a_start_without_a_check_is_refused_once(self) -> None:
        findings = judged(check=None, start={})
        refused = [f for f in findings if f.verdict is Verdict.REFUSE]
        assert [(f.rule, f.reason, f.remedy) for f in refused] == [
            ("ID-07", "no-check", Remedy.REPEAT_CHECK)
        ]
        assert "compatibility label" in refused[0].missing
        assert not of_rule(findings, "ID-11")
        assert refused[0].facts == ("Task/start",)

    def test_a_dry_run_without_inputs_is_refused_too(self) -> None:
        findings = identity(pre_start(a_case(check=None), stage=Stage.CHECK))
        assert [f.rule for f in findings if f.verdict is Verdict.REFUSE] == ["ID-07"]

    def test_a_unit_issued_to_another_patient_is_found_without_a_check(self) -> None:
        findings = judged(check=None, start={}, issue={"patient": STRANGER})
        (finding,) = of_rule(findings, "ID-05")
        assert finding.verdict is Verdict.REFUSE

    def test_a_check_in_which_the_band_was_read_is_one_at_the_bedside(self) -> None:
        assert checked("ID-07").verdict is Verdict.NO_OBJECTION


class TestInterruption:
    """ID-08 [S15]: an interrupted check starts again; older than 10 min or switched is void."""

    def test_interrupted_is_refused(self) -> None:
        finding = checked("ID-08", interrupted=True)
        assert (finding.reason, finding.verdict, finding.remedy) == (
            "check-interrupted",
            Verdict.REFUSE,
            Remedy.REPEAT_CHECK,
        )

    @pytest.mark.parametrize(
        ("seconds", "verdict"), [(600, Verdict.NO_OBJECTION), (601, Verdict.REFUSE)]
    )
    def test_ten_minutes_are_the_limit(self, seconds: int, verdict: Verdict) -> None:
        finding = checked("ID-08", end=at(CHECK_AT + timedelta(seconds=seconds)))
        assert finding.verdict is verdict

    def test_no_flag_is_listed_as_not_checked(self) -> None:
        finding = checked("ID-08", interrupted=None)
        assert (finding.verdict, finding.known) == (None, False)

    def other_check(self, **overrides: Any) -> Any:
        unit = unit_of(Component.PLATELETS)
        given = {"unit": unit, "start": at(CHECK_AT + timedelta(minutes=1)), **overrides}
        return a_check("Task/check2", **given)

    def test_another_unit_checked_by_the_same_person_meanwhile_is_refused(self) -> None:
        (finding,) = of_rule(judged(extra=(self.other_check(),)), "ID-08")
        assert (finding.reason, finding.verdict) == ("check-overlapped", Verdict.REFUSE)
        assert finding.facts == ("Task/check", "Task/check2")

    @pytest.mark.parametrize(
        "overrides",
        [
            {"owner": SECOND},
            {"owner": None},
            {"start": at(CHECKED_AT), "end": at(CHECKED_AT + timedelta(minutes=2))},
            {"start": at(CHECK_AT - timedelta(minutes=5)), "end": at(CHECK_AT)},
        ],
    )
    def test_another_person_or_another_time_is_no_switch(self, overrides: dict[str, Any]) -> None:
        findings = judged(extra=(self.other_check(**overrides),))
        (finding,) = of_rule(findings, "ID-08")
        assert finding.verdict is Verdict.NO_OBJECTION

    def test_a_check_without_an_owner_has_no_other_of_the_same(self) -> None:
        findings = judged(check={"owner": None}, extra=(self.other_check(owner=None),))
        (finding,) = of_rule(findings, "ID-08")
        assert finding.verdict is Verdict.NO_OBJECTION


class TestUnidentified:
    """ID-10 [S14][S95][S96]: a temporary number is enough, by the band in use, authorised; the
    order may be reached through a link, the label never."""

    BAND = a_band(identifiers=(TRAUMA,), scans=(TRAUMA.value,), name=PersonName(), birth_date=None)
    LABEL = a_label(identifiers=(TRAUMA,), name=PersonName(), birth_date=None)
    UNABLE = {  # noqa: RUF012
        "spoken": "unable",
        "spoken_unable": "unconscious",
        "confirmed_by": Ref(kind="Practitioner", id="s1"),
    }

    def unknown(self, label: Any = None, patient: Any = None, **overrides: Any) -> Any:
        record = {"identifiers": (TRAUMA,), "names": (), "birth_date": None}
        check = {"band": self.BAND, "label": label or self.LABEL, **self.UNABLE}
        aliases = PATIENT.tokens | {TRAUMA.token}
        return judged(patient=record | (patient or {}), check=check, aliases=aliases, **overrides)

    def test_a_temporary_number_and_a_sex_are_authorised(self) -> None:
        findings = self.unknown()
        assert gravest(findings) is Verdict.AUTHORISE
        (finding,) = of_rule(findings, "ID-10")
        assert (finding.reason, finding.known) == ("emergency-identity", True)
        assert not of_rule(findings, "ID-03")

    def test_a_sex_not_on_record_is_named_as_missing(self) -> None:
        (finding,) = of_rule(self.unknown(patient={"sex": None}), "ID-10")
        assert (finding.verdict, finding.missing) == (Verdict.AUTHORISE, ("sex",))

    def test_a_number_marked_temporary_by_its_type_counts_like_one_by_its_system(self) -> None:
        record = {"temporary": frozenset({MRN.token})}
        (finding,) = of_rule(judged(patient=record), "ID-10")
        assert finding.reason == "emergency-identity"

    def test_a_label_that_differs_from_the_band_in_use_is_refused(self) -> None:
        label = a_label(identifiers=(MRN,))
        (finding,) = of_rule(self.unknown(label=label), "ID-05")
        assert (finding.reason, finding.verdict) == ("identifier-mismatch", Verdict.REFUSE)

    @pytest.mark.parametrize(
        "extra",
        [
            {"name": PersonName(family="Ashgrove")},
            {"birth_date": "1961-04-12"},
            {"identifiers": (TRAUMA, MRN)},
        ],
    )
    def test_the_whole_label_is_compared_with_the_whole_band(self, extra: dict[str, Any]) -> None:
        (finding,) = of_rule(self.unknown(label=replace(self.LABEL, **extra)), "ID-05")
        assert (finding.verdict, finding.remedy) == (Verdict.REFUSE, Remedy.RESCAN)

    def test_the_whole_band_is_compared_with_the_whole_label(self) -> None:
        """A new band that bears both numbers is not the band that the label was made for."""
        band = replace(self.BAND, identifiers=(TRAUMA, MRN))
        findings = judged(
            patient={"identifiers": (TRAUMA, MRN)},
            check={"band": band, "label": self.LABEL, **self.UNABLE},
        )
        (finding,) = of_rule(findings, "ID-05")
        assert (finding.verdict, finding.missing) == (
            Verdict.REFUSE,
            ("every identifier of the band on the label",),
        )

    def test_a_temporary_band_with_another_patients_number_is_refused(self) -> None:
        """The record holds the patient under both: the stranger's number is on neither."""
        both = (TRAUMA, Identifier(PATIENT_SYSTEM, "0099102"))
        check = {
            "band": replace(self.BAND, identifiers=both),
            "label": replace(self.LABEL, identifiers=both),
            **self.UNABLE,
        }
        true = a_patient("Patient/p9", identifiers=(MRN,))
        temporary = {"identifiers": (TRAUMA,), "names": (), "birth_date": None}
        for extra in ((), (true,)):
            (finding,) = of_rule(judged(patient=temporary, check=check, extra=extra), "ID-05")
            assert (finding.reason, finding.verdict) == ("identifier-mismatch", Verdict.REFUSE)
            assert ("identifier on the band", both[1].token) in finding.shown

    def test_a_room_on_a_temporary_band_changes_nothing(self) -> None:
        band = replace(self.BAND, identifiers=(TRAUMA, ROOM))
        assert (
            gravest(
                judged(
                    patient={"identifiers": (TRAUMA,), "names": (), "birth_date": None},
                    check={"band": band, "label": self.LABEL, **self.UNABLE},
                )
            )
            is Verdict.AUTHORISE
        )

    def test_a_merge_with_the_true_record_voids_nothing(self) -> None:
        true = a_patient("Patient/p9", identifiers=(MRN,))
        findings = self.unknown(extra=(true,))
        assert gravest(findings) is Verdict.AUTHORISE

    def test_a_merge_known_only_by_alias_voids_nothing(self) -> None:
        findings = self.unknown(patient={"identifiers": (MRN,), "birth_date": "1961-04-12"})
        assert gravest(findings) is Verdict.AUTHORISE

    def test_a_temporary_number_of_somebody_else_is_refused(self) -> None:
        case = a_case(check={"band": self.BAND, "label": self.LABEL, **self.UNABLE})
        (finding,) = of_rule(identity(pre_start(case)), "ID-05")
        assert finding.verdict is Verdict.REFUSE

    def test_a_new_band_against_the_old_label_is_refused(self) -> None:
        """Only replacing the band voids labels [S96]."""
        check = {"label": self.LABEL}
        true = a_patient("Patient/p9", identifiers=(TRAUMA,), names=(), birth_date=None)
        (finding,) = of_rule(judged(check=check, extra=(true,)), "ID-05")
        assert (finding.reason, finding.verdict) == ("identifier-mismatch", Verdict.REFUSE)

    def test_no_unique_number_is_refused_once(self) -> None:
        band = a_band(identifiers=(), scans=(), birth_date=None)
        findings = judged(
            patient={"identifiers": (TRAUMA,), "names": (), "birth_date": None},
            check={"band": band},
        )
        (finding,) = of_rule(findings, "ID-10")
        assert (finding.reason, finding.verdict) == ("no-unique-identifier", Verdict.REFUSE)
        assert not of_rule(findings, "ID-03")

    def test_a_room_is_no_unique_number(self) -> None:
        band = a_band(identifiers=(ROOM,), scans=(), name=PersonName(), birth_date=None)
        bare = {"identifiers": (TRAUMA, ROOM), "names": (), "birth_date": None}
        findings = judged(patient=bare, check={"band": band, "label": self.LABEL})
        (finding,) = of_rule(findings, "ID-10")
        assert (finding.reason, finding.verdict) == ("no-unique-identifier", Verdict.REFUSE)
        assert not of_rule(findings, "ID-05")

    def test_an_identified_patient_is_no_matter_of_this_rule(self) -> None:
        assert not of_rule(judged(), "ID-10")
        assert not of_rule(judged(check={"band": None}), "ID-10")
