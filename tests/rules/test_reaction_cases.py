"""The catalogue's cases on vitals, reactions and actions (tests/data/cases.yaml, with sources)."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.facts.fact import Fact
from service.facts.finding import Candidate, Grade, Screen
from service.facts.unit import Component
from service.rules.reaction_actions import duties, resume_allowed
from tests.support.bedside import (
    END,
    advice,
    categories,
    result,
    screened,
    sign,
    unknown,
    vitals,
)
from tests.support.cases import CHECK_AT
from tests.support.catalogue import check_cases
from tests.support.policies import with_rows

WORDS = {"flank-pain": "loin-pain"}
USUAL: dict[str, Any] = {"temp": "36.8", "hr": 78, "sbp": 124}
RESULTS = {"dat-positive": ("dat", None, "positive"), "hb-fall": ("haemoglobin", None, "lowered")}
DAY = 24 * 60


def minutes_of(given: dict[str, Any]) -> tuple[float, float | None]:
    """When the signs come, and when the bag came down: minutes after the start."""
    if "minutes_since_end" in given and given.get("phase") != "running":
        return END + given["minutes_since_end"], END
    if "days_since" in given:
        return END + given["days_since"] * DAY, END
    return given.get("minutes_since_start", 30), None


def set_of(values: dict[str, Any], minutes: float, **more: Any) -> Fact[Any]:
    air = {"room-air": True}.get(values.get("oxygen", ""))
    numbers = {k: v for k, v in values.items() if k not in ("oxygen", "chills")}
    return vitals(minutes, on_air=air, **(USUAL | numbers | more))


def signs_of(given: dict[str, Any], minutes: float) -> list[Fact[Any]]:
    words = [*given.get("signs", ())]
    words += ["chills"] if given.get("now", {}).get("chills") else []
    return [sign(WORDS.get(word, word), minutes) for word in words]


def overload_of(flags: dict[str, bool], minutes: float) -> list[Fact[Any]]:
    """A to E as facts, the criteria that are false as denied or measured normal."""
    imaging = "bilateral-oedema" if flags["B"] else "clear"
    balance = "positive" if flags["D"] else "negative"
    return [
        sign("dyspnoea", minutes, present=flags["A"]),
        result("chest-imaging", minutes, word=imaging),
        sign("tachycardia", minutes, present=flags["C"]),
        result("fluid-balance", minutes, word=balance),
        result("nt-probnp", -60, 100, unit="ng/L"),
        result("nt-probnp", minutes, 200 if flags["E"] else 110, word="raised", unit="ng/L"),
    ]


def injury_of(given: dict[str, Any], minutes: float) -> list[Fact[Any]]:
    said = {True: "positive", False: "negative"}
    found = [result("pf-ratio", minutes, given["pf"])]
    if given["bilateral_imaging"] is True:
        found.append(result("chest-imaging", minutes, word="bilateral-oedema"))
    for flag, analyte in (
        ("lah", "left-atrial-hypertension"),
        ("ards_risk", "ards-risk"),
        ("stable_12h", "respiratory-stability"),
    ):
        if flag in given:
            found.append(result(analyte, minutes, word=said[given[flag]]))
    return found


def facts_of(given: dict[str, Any], minutes: float) -> list[Fact[Any]]:
    found = signs_of(given, minutes)
    if "now" in given:
        found.append(set_of({**given.get("baseline", {}), **given["now"]}, minutes))
    if "missing" in given:
        kept = {name: value for name, value in USUAL.items() if name not in given["missing"]}
        found.append(vitals(minutes, **kept))
    if "taco" in given:
        found += overload_of(given["taco"], minutes)
    if "pf" in given:
        found += injury_of(given, minutes)
    for word in given.get("findings", ()):
        analyte, value, said = RESULTS[word]
        found.append(result(analyte, minutes, value, word=said))
    if "platelets_pre" in given:
        found.append(result("platelet-count", -60, given["platelets_pre"]))
        found.append(result("platelet-count", minutes, given["platelets_now"]))
        found.append(result("hpa-antibody", minutes, word="positive"))
    if "weight_kg" in given:
        found.append(vitals(-10, weight=given["weight_kg"]))
    return found


def screen_of(given: dict[str, Any]) -> Screen:
    minutes, ended = minutes_of(given)
    changed = {k.replace("_", "-"): v for k, v in given.get("policy", {}).items()}
    years = given.get("age_y", 45)
    return screened(
        *facts_of(given, minutes),
        ended=ended,
        baseline=set_of(given.get("baseline", {}), -10),
        born=f"{CHECK_AT.year - years}-01-01",
        component=Component(given.get("component", "red_cells")),
        policy=with_rows(changed, base=given.get("profile", "default")),
    )


def has_exactly(screen: Screen, expect: dict[str, Any]) -> bool:
    """``candidate`` and ``candidates`` list all there are."""
    wanted = expect.get("candidates", [expect["candidate"]] if expect.get("candidate") else [])
    return categories(screen) == tuple(wanted)


def named(screen: Screen, expect: dict[str, Any]) -> Candidate:
    """The candidate that the grade and severity of a case are about."""
    include = expect.get("candidates_include", [expect.get("candidate")])
    return next(
        one for one in screen.candidates if one.category in (include[0] or "FNHTR", "FNHTR")
    )


@pytest.mark.parametrize("case", check_cases("vitals", "reaction"))
def test_the_case_gets_its_screen(case: dict[str, Any]) -> None:
    expect = dict(case["expect"])
    screen = screen_of(case["given"])
    expect.pop("note", None)
    if "candidate" in expect or "candidates" in expect:
        assert has_exactly(screen, expect)
    if "grade" in expect:
        assert named(screen, expect).grade is Grade(expect["grade"])
    if "severity" in expect:
        assert named(screen, expect).severity == expect["severity"]
    if "criteria_met" in expect:
        assert len(screen.candidates[0].met) == expect["criteria_met"]
    if "advice" in expect:
        assert advice(screen) == expect["advice"]
    if "unknown" in expect:
        assert sorted(unknown(screen)) == expect["unknown"]
    if "not_excluded" in expect:
        assert list(screen.not_excluded) == expect["not_excluded"]
    assert set(expect.get("excluded", ())) <= set(screen.excluded)
    assert set(expect.get("absent", ())).isdisjoint(categories(screen))
    included = expect.get("candidates_include", [])
    assert [one for one in categories(screen) if one in included] == included
    rule = case["rule"]
    if "advice" in expect and rule.startswith("VIT"):
        assert rule in {finding.rule for finding in screen.findings}


def candidate_of(word: str) -> Candidate:
    """The reaction of an action case."""
    found = {
        "mild-urticaria": (("urticaria", 30),),
        "chills": (("chills", 30),),
    }[word]
    screen = screened(*(sign(name, minutes) for name, minutes in found))
    return screen.candidates[0]


@pytest.mark.parametrize("case", check_cases("action"))
def test_the_case_gets_its_action(case: dict[str, Any]) -> None:
    given, expect = case["given"], case["expect"]
    if case["rule"] == "ACT-08":
        limit = datetime(2025, 6, 2, 14, 0, tzinfo=UTC) if "deadline" in expect else None
        answer = resume_allowed(
            (candidate_of(given["reaction"]),),
            identity_recheck={"ok": "match"}[given["id_recheck"]],
            resolved=given["resolved"],
            prescriber_decides=given["prescriber_decision"] == "resume",
            deadline=limit,
        )
        assert answer.allowed is (expect["resume"] == "allowed")
        assert answer.deadline == limit
        assert answer.reasons == ((expect["reason"],) if "reason" in expect else ())
        return
    zone = ZoneInfo("Europe/London")
    died = datetime.fromisoformat(given["death_at"]).replace(tzinfo=zone)
    owed = {
        one.duty.what: one.due
        for one in duties(frozenset({"us"}), zone, fatal_at=died)
        if one.duty.rule == case["rule"]
    }
    assert owed["notice of the fatality"] is None
    assert str(owed["written report of the investigation"]) == expect["written_report_due"]
