"""Each field left out of a passing check gives its rule's own verdict for missing data, exactly.

The verdicts are those of the rows of the policy (column "when missing" of the rule catalogue); the
laws are this project's own.
"""

from dataclasses import replace
from datetime import timedelta
from itertools import combinations
from typing import Any

import pytest

from service.assessment.assess import assess
from service.assessment.checking import Judgement
from service.assessment.clock import RecordingClock
from service.facts.case import Case
from service.facts.finding import Verdict
from service.facts.identity import PersonName
from service.policy.policy import VERDICTS
from tests.support.cases import (
    CHECKED_AT,
    PATIENT,
    SITE,
    UNIT,
    a_bag,
    a_band,
    a_label,
    group,
    some_facts,
)
from tests.support.policies import default_policy

POLICY = default_policy()
Overrides = dict[str, Any]


def check(**said: Any) -> Overrides:
    return {"check": said}


# What is left out, and the rules that then say that they do not know: rule -> reason.
NEEDED: dict[str, tuple[Overrides, dict[str, str]]] = {
    "order": ({"order": None}, {"PRE-01": "order-missing"}),
    "component ordered": ({"order": {"component": None}}, {"PRE-01": "order-incomplete"}),
    "quantity ordered": ({"order": {"quantity": None}}, {"PRE-01": "order-incomplete"}),
    "sample": ({"sample": None}, {"ID-36": "sample-missing"}),
    "time of the sample": ({"sample": {"collected": None}}, {"ID-36": "sample-missing"}),
    "number of the sample": ({"sample": {"numbers": ()}}, {"ID-36": "sample-missing"}),
    "patient's group": (
        {"group": None},
        {"COMP-01": "recipient-group-unknown", "COMP-02": "rhd-positive-to-unknown"},
    ),
    "patient's RhD": ({"group": {"group": group("A")}}, {"COMP-02": "rhd-positive-to-unknown"}),
    "antibody screen": ({"antibodies": None}, {"COMP-03": "antibody-screen-missing"}),
    "result of the screen": (
        {"antibodies": {"screen": None}},
        {"COMP-03": "antibody-screen-missing"},
    ),
    "consent": ({"consent": None}, {"PRE-02": "consent-missing"}),
    "decision": ({"consent": {"decision": "unknown"}}, {"PRE-02": "consent-missing"}),
    "component of the unit": (
        {"unit": {"component": None}},
        {"COMP-01": "component-unknown", "PRE-01": "order-incomplete"},
    ),
    "issue": (
        {"issue": None},
        {
            "ID-05": "identity-incomplete",
            "PRE-05": "unit-not-issued",
            "COMP-10": "crossmatch-missing",
            "TIM-03": "exit-unknown",
            "TIM-04": "exit-unknown",
        },
    ),
    "patient of the issue": (
        {"issue": {"patient": None}},
        {"ID-05": "identity-incomplete", "PRE-05": "issue-without-patient"},
    ),
    "status of the issue": ({"issue": {"status": None}}, {"PRE-05": "issue-status-not-known"}),
    "time of the issue": (
        {"issue": {"handed_over": None}},
        {"TIM-03": "exit-unknown", "TIM-04": "exit-unknown"},
    ),
    "match of the issue": ({"issue": {"match": None}}, {"COMP-10": "crossmatch-missing"}),
    "baseline": ({"baseline": None}, {"PRE-11": "baseline-missing"}),
    "baseline temperature": (
        {"baseline": {"temperature": None}},
        {"PRE-11": "baseline-incomplete"},
    ),
    "baseline breathing": (
        {"baseline": {"respiratory_rate": None}},
        {"PRE-11": "baseline-incomplete"},
    ),
    "band": (check(band=None), {"ID-01": "band-not-read"}),
    "numbers of the band": (
        check(band=a_band(identifiers=(), scans=())),
        {"ID-05": "identity-incomplete", "ID-20": "checker-input-missing"},
    ),
    "reading aloud": (check(band=a_band(read_aloud=None)), {"ID-20": "checker-input-missing"}),
    "two parts of the band": (
        check(band=a_band(birth_date=None, name=PersonName(family="Ashgrove"))),
        {"ID-03": "too-few-identifiers"},
    ),
    "label": (check(label=None), {"ID-05": "identity-incomplete"}),
    "number on the label": (
        check(label=a_label(identifiers=())),
        {"ID-05": "identity-incomplete"},
    ),
    "family name on the label": (
        check(label=a_label(name=PersonName(given="Wren"))),
        {"ID-05": "identity-incomplete"},
    ),
    "birth date on the label": (
        check(label=a_label(birth_date=None)),
        {"ID-05": "identity-incomplete"},
    ),
    "donation number on the label": (
        check(label=a_label(din=None)),
        {"ID-06": "unit-not-read"},
    ),
    "group on the label": (check(label=a_label(unit_group=None)), {"ID-06": "unit-not-read"}),
    "bag": (check(bag=None), {"ID-06": "unit-not-read"}),
    "group on the bag": (check(bag=a_bag(group=None)), {"ID-06": "unit-not-read"}),
    "spoken confirmation": (check(spoken=None), {"ID-04": "spoken-missing"}),
    "appearance": (check(appearance=None), {"PRE-06": "appearance-not-attested"}),
    "first checker": (check(owner=None), {"ID-20": "checker-input-missing"}),
    "patient's record": ({"patient": None}, {"ID-05": "identity-incomplete"}),
    "birth date on record": ({"patient": {"birth_date": None}}, {"ID-05": "identity-incomplete"}),
    "name on record": ({"patient": {"names": ()}}, {"ID-05": "identity-incomplete"}),
}

# What is not missed, because something else says it, and what says it.
COVERED: dict[str, tuple[Overrides, str]] = {
    "start of the order": ({"order": {"start": None}}, "an order without window has none to miss"),
    "transfused lately": (
        {"order": {"recent_transfusion": None, "recent_pregnancy": None}},
        "not known counts as lately, and the sample is of the day before",
    ),
    "time of the group": ({"group": {"at": None}}, "one result needs no order"),
    "group in the unit's record": ({"unit": {"group": None}}, "bag and label"),
    "status in the unit's record": ({"unit": {"status": None}}, "the issue"),
    "expiry in the unit's record": ({"unit": {"expiry": None}}, "bag and label"),
    "expiry on the label": (check(label=a_label(expiry=None)), "bag and record"),
    "expiry on the bag": (check(bag=a_bag(expiry=None)), "label and record"),
    "volume": ({"unit": {"volume": None}}, "nothing counts on it before the start"),
    "family name on the band": (
        check(band=a_band(name=PersonName(given="Wren"))),
        "three others (ID-03)",
    ),
    "birth date on the band": (check(band=a_band(birth_date=None)), "three others (ID-03)"),
    "sample number on the band": (check(band=a_band(sample_number=None)), "no rule needs it"),
    "sample number on the label": (check(label=a_label(sample_number=None)), "no rule needs it"),
    "product on the label": (check(label=a_label(product=None)), "bag and issue"),
    "patient's group on the label": (check(label=a_label(patient_group=None)), "the laboratory"),
    "second checker": (
        check(second_checker=None, second_checked_at=None),
        "one checker with machine identification (ID-20)",
    ),
    "machine identification": (check(bag=a_bag(scanned=False, scans=())), "two checkers (ID-20)"),
    "end of the check": (check(end=None), "its start"),
    "order named by the check": (check(based_on=()), "the issue"),
    "sex": ({"patient": {"sex": None}}, "an RhD positive patient"),
}


# Pairs that are milder than one of the two alone. What the band does not show is not compared, and
# three identifiers suffice (ID-03), while one that it shows must stand on label and record (ID-05).
# A label that prints a number which no sample bears names another sample than the one on record,
# while a label that prints none leaves the newest sample on record to stand in.
MILDER = {
    ("family name on the label", "family name on the band"),
    ("birth date on the label", "birth date on the band"),
    ("number of the sample", "sample number on the label"),
}


def judged(overrides: Overrides) -> Judgement:
    """The check, some minutes after it."""
    facts = some_facts(**overrides)
    case = Case("person-1", facts, (), PATIENT.tokens)
    found = assess(case, POLICY, SITE, RecordingClock(CHECKED_AT + timedelta(minutes=5)))
    (check_,) = [one for course in found.courses for one in course.checks] or found.loose
    return check_


def unknown(found: Judgement) -> dict[str, str]:
    """Rules that could not judge and say what follows, rule -> reason."""
    return {f.rule: f.reason for f in found.findings if not f.known and f.verdict is not None}


def when_missing(rule: str) -> Verdict:
    return VERDICTS[POLICY.rule(rule, CHECKED_AT).when_missing]


def together(one: Overrides, other: Overrides) -> Overrides | None:
    """Both left out; None where the two leave out parts of one thing."""
    both = dict(one)
    for name, value in other.items():
        held = both.get(name, {})
        if held is None or value is None:
            if name in both:
                return None
            both[name] = value
        elif held.keys() & value.keys():
            return None
        else:
            both[name] = held | value
    return both


class TestTheWholeCheck:
    """With everything said, nothing that needs a verdict is unknown."""

    def test_it_passes(self) -> None:
        found = judged({})
        assert found.verdict is Verdict.NO_OBJECTION
        assert unknown(found) == {}


class TestEachField:
    """One field missing: the rules that need it say so, each with its row's verdict."""

    @pytest.mark.parametrize("field", NEEDED)
    def test_what_is_needed(self, field: str) -> None:
        overrides, expected = NEEDED[field]
        found = judged(overrides)
        assert unknown(found) == expected
        for finding in found.findings:
            if finding.rule in expected and not finding.known and finding.verdict is not None:
                assert finding.verdict is when_missing(finding.rule), finding
                assert finding.missing
        assert found.verdict is max(when_missing(rule) for rule in expected)

    @pytest.mark.parametrize("field", COVERED)
    def test_what_something_else_says(self, field: str) -> None:
        found = judged(COVERED[field][0])
        assert unknown(found) == {}
        assert found.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize("field", NEEDED)
    def test_that_a_refusal_names_what_ends_it(self, field: str) -> None:
        found = judged(NEEDED[field][0])
        refused = [f for f in found.findings if f.verdict is Verdict.REFUSE]
        assert [f.rule for f in refused if f.remedy is None] == []

    def test_that_identity_group_donation_expiry_and_status_refuse(self) -> None:
        """Only these refuse for what is missing; all else is authorise or milder."""
        refusing = {
            rule
            for _, expected in NEEDED.values()
            for rule in expected
            if when_missing(rule) is Verdict.REFUSE
        }
        assert refusing == {
            "ID-01",
            "ID-03",
            "ID-04",
            "ID-05",
            "ID-06",
            "ID-20",
            "COMP-01",
            "PRE-05",
        }


class TestPairs:
    """Two fields missing: the worst of both, whatever they are."""

    def test_of_what_is_needed(self) -> None:
        alone = {name: judged(overrides).verdict for name, (overrides, _) in NEEDED.items()}
        wrong = []
        pairs = 0
        for one, other in combinations(NEEDED, 2):
            both = together(NEEDED[one][0], NEEDED[other][0])
            if both is None:
                continue
            pairs += 1
            if judged(both).verdict is not max(alone[one], alone[other]):
                wrong.append((one, other))
        assert wrong == []
        assert pairs > 500

    def test_with_what_is_covered(self) -> None:
        """What covered it may be gone as well: never milder than alone, but where listed."""
        milder = set()
        for one, other in combinations({**NEEDED, **COVERED}, 2):
            fields = [(NEEDED.get(name) or COVERED[name])[0] for name in (one, other)]
            both = together(*fields)
            if both is None:
                continue
            worst = max(judged(overrides).verdict for overrides in fields)
            if judged(both).verdict < worst:
                milder.add((one, other))
        assert milder == MILDER


class TestExpiry:
    """Expiry stands in three places; with all three gone the unit is refused (PRE-04)."""

    def test_in_none(self) -> None:
        found = judged(
            {
                "unit": {"expiry": None},
                "check": {"bag": a_bag(expiry=None), "label": a_label(expiry=None)},
            }
        )
        assert unknown(found) == {"PRE-04": "expiry-not-known"}
        assert found.verdict is when_missing("PRE-04") is Verdict.REFUSE


class TestTheUnitItself:
    """A bag of which only a part was read is no unit, whoever meant which."""

    def test_a_donation_without_its_number(self) -> None:
        bag = a_bag(unit=replace(UNIT, din=None), scanned=False, scans=())
        found = judged(check(bag=bag))
        assert found.verdict is Verdict.REFUSE
        assert "ID-06" in unknown(found)
