"""The catalogue's identity and sample cases (tests/data/cases.yaml, each with its source)."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.facts.finding import Finding, Stage, Verdict
from service.facts.identity import Identifier, PersonName
from service.facts.moment import at
from service.rules import identity, sample
from service.rules.context import PreStart
from service.scan.bag import Typed, read_bag
from tests.support.cases import (
    ORDER_SYSTEM,
    PATIENT_SYSTEM,
    UNIT,
    a_bag,
    a_band,
    a_case,
    a_label,
    of_rule,
    pre_start,
    staff,
)
from tests.support.catalogue import check_cases
from tests.support.policies import profile

LONDON = ZoneInfo("Europe/London")


def names(given: dict[str, str]) -> dict[str, Any]:
    """A band, label or patient of a case as keyword arguments."""
    return {
        "identifiers": (Identifier(PATIENT_SYSTEM, given["id"]),),
        "name": PersonName(family=given["last"], given=given["first"]),
        "birth_date": given["dob"],
    }


def four_ways(given: dict[str, Any]) -> PreStart:
    band, label, order = (names(given[side]) for side in ("band", "label", "order"))
    number = band["identifiers"][0]
    patient = {**order, "names": (order.pop("name"),), "identifiers": (number,)}
    patient.pop("name", None)
    check = {"band": a_band(scans=(number.value,), **band), "label": a_label(**label)}
    case = a_case(patient=patient, check=check)
    return pre_start(case, policy=profile(given.get("profile", "default")))


def used_identifiers(given: dict[str, Any]) -> PreStart:
    room = Identifier("https://harrow-vale.example/id/room", "12")
    assert given["identifiers_used"] == ["name", "room_number"]
    band = a_band(identifiers=(room,), scans=(room.value,), birth_date=None)
    return pre_start(a_case(check={"band": band}), policy=profile(given["profile"]))


def verifiers(given: dict[str, Any]) -> PreStart:
    second = staff(given["verifier2"]) if given["verifier2"] else None
    check = {
        "owner": staff(given["verifier1"]),
        "second_checker": second,
        "bag": a_bag(scanned=given["automated"]),
    }
    case = a_case(check=check, start={"owner": staff(given["performer"])})
    return pre_start(case, policy=profile(given["profile"]))


def interrupted(given: dict[str, Any]) -> PreStart:
    return pre_start(a_case(check={"interrupted": given["check_interrupted"]}))


def entered_character(given: dict[str, Any]) -> PreStart:
    typed = Typed(donation_number=given["din"] + given["entered_check_char"])
    return pre_start(a_case(check={"bag": read_bag((), zone=UTC, typed=typed)}))


def bag_and_label(given: dict[str, Any]) -> PreStart:
    pack = type(UNIT)(din=given["pack_din"], product=UNIT.product, division=UNIT.division)
    check = {
        "unit": pack,
        "bag": a_bag(unit=pack),
        "label": a_label(din=given["label_din"]),
    }
    return pre_start(a_case(unit={"unit": pack}, issue={"unit": pack}, check=check))


def sample_age(given: dict[str, Any]) -> PreStart:
    def local(text: str) -> datetime:
        return datetime.fromisoformat(text).replace(tzinfo=LONDON).astimezone(UTC)

    said = {True: True, False: False, "unknown": None, None: None}
    order = {
        "identifiers": (Identifier(ORDER_SYSTEM, "O-7"),),
        "recent_transfusion": said[given.get("recent_transfusion")],
        "recent_pregnancy": said[given.get("recent_pregnancy")],
    }
    case = a_case(order=order, sample={"collected": at(local(given["collected"]))})
    when = local(given["planned_start"])
    return pre_start(case, policy=profile(given["profile"]), at=when, stage=Stage.CHECK)


BUILD: dict[str, Callable[[dict[str, Any]], PreStart]] = {
    "band": four_ways,
    "identifiers_used": used_identifiers,
    "verifier1": verifiers,
    "check_interrupted": interrupted,
    "entered_check_char": entered_character,
    "pack_din": bag_and_label,
    "collected": sample_age,
}
FIELDS = {"last": "family"}


def judged(case: dict[str, Any]) -> tuple[Finding, ...]:
    given = case["given"]
    (build,) = [BUILD[key] for key in given if key in BUILD]
    pre = build(given)
    rules = (*identity.RULES, *sample.RULES)
    return of_rule([finding for rule in rules for finding in rule(pre)], case["rule"])


@pytest.mark.parametrize("case", check_cases("identity", "sample"))
def test_the_case_gets_its_verdict(case: dict[str, Any]) -> None:
    (finding,) = judged(case)
    expect = case["expect"]
    assert finding.verdict is not None
    assert finding.verdict.word == expect["verdict"]
    if "reason" in expect:
        assert finding.reason == expect["reason"]
    if "remedy" in expect:
        assert finding.remedy == expect["remedy"]
    if "field" in expect:
        field = FIELDS[expect["field"]]
        assert finding.shown == (
            (f"{field} on the band", case["given"]["band"]["last"]),
            (f"{field} on the label", case["given"]["label"]["last"]),
        )
    if "valid_until" in expect:
        shown = dict(finding.shown)["valid until"]
        assert shown.startswith(expect["valid_until"])


def test_every_case_is_of_a_kind_known_here() -> None:
    cases = [param.values[0] for param in check_cases("identity", "sample")]
    assert len(cases) == 12
    assert all(sum(key in BUILD for key in case["given"]) == 1 for case in cases)
    assert {case["expect"]["verdict"] for case in cases} == {
        Verdict.REFUSE.word,
        Verdict.NO_OBJECTION.word,
    }
