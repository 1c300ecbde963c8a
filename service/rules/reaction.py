"""The reaction screen of a unit (rules.md 5), and what an open reaction forbids (section 6).

Candidates are categories whose screening criteria are met, never a diagnosis. The clock is not
asked: every window is measured between facts, so the screen changes only when a fact does.
"""

from collections.abc import Callable, Iterable
from itertools import chain

from service.facts.case import step_time
from service.facts.fact import Fact
from service.facts.finding import Candidate, Finding, Screen, Stage
from service.facts.records import AntibodyResult
from service.facts.steps import Step
from service.policy.policy import ADVICE
from service.rules import reaction_acute as acute
from service.rules import reaction_delayed as delayed
from service.rules import reaction_respiratory as respiratory
from service.rules.context import PreStartRule, Running, advice_of
from service.rules.monitoring import monitor
from service.rules.monitoring_watched import Watched, watched
from service.rules.monitoring_words import noted
from service.rules.reaction_actions import held_categories, holds_sisters, open_reaction
from service.rules.reaction_categories import (
    AHTR,
    ALLERGIC,
    ANAPHYLAXIS,
    DHTR,
    DSTR,
    FEBRILE,
    GVHD,
    HYPOTENSIVE,
    MIXED,
    PTP,
    SEPSIS,
    TACO,
    TAD,
    TRALI_1,
    TRALI_2,
    UNDETERMINED,
    WRONG_BLOOD,
    Category,
    in_order,
)
from service.rules.reaction_evidence import (
    PRESSURE,
    Evidence,
    Judged,
    Span,
    candidate,
    evidence_of,
)

__all__ = ["RULES", "held_categories", "holds_sisters", "screen"]

RULES: tuple[PreStartRule, ...] = (open_reaction,)

JUDGES: tuple[tuple[Category, Callable[[Evidence, Span], Judged]], ...] = (
    (WRONG_BLOOD, acute.wrong_blood),
    (ANAPHYLAXIS, acute.anaphylaxis),
    (TRALI_1, respiratory.injury_1),
    (TRALI_2, respiratory.injury_2),
    (MIXED, respiratory.mixed),
    (TACO, respiratory.overload),
    (UNDETERMINED, respiratory.undetermined),
    (TAD, respiratory.dyspnoea),
    (AHTR, acute.haemolytic),
    (SEPSIS, acute.septic),
    (GVHD, delayed.graft_versus_host),
    (PTP, delayed.purpura),
    (DHTR, delayed.delayed_haemolytic),
    (DSTR, delayed.delayed_serologic),
    (HYPOTENSIVE, acute.hypotensive),
    (FEBRILE, acute.febrile),
    (ALLERGIC, acute.allergic),
)
SUSPECTED = "ACT-01"


def screen(running: Running, wrong: tuple[Finding, ...] = ()) -> Screen:
    """Screens one started unit.

    wrong: findings before the start that show a wrong patient, bag or group. Equal facts give an
    equal screen at any time.
    """
    unit = watched(running)
    findings, onset = monitor(unit)
    evidence = evidence_of(unit, wrong)
    candidates, excluded = _categories(evidence)
    return Screen(
        findings=(*_suspected(unit, evidence), *findings),
        candidates=in_order(candidates, running.unit.component),
        grade=onset.grade if onset is not None else None,
        not_excluded=_not_excluded(evidence, {one.category for one in candidates}),
        excluded=excluded,
        onset=onset.key if onset is not None else None,
        onset_at=onset.at if onset is not None else None,
        baseline=unit.readings_before(),
        worst=unit.worst_readings(),
        signs=tuple(sorted({row.said.word for row in unit.found.signs})),
    )


def _suspected(unit: Watched, evidence: Evidence) -> Iterable[Finding]:
    """A reaction that a person suspects stops the flow with no criterion met (ACT-01, ACT-05)."""
    row = unit.limits.rule(SUSPECTED)
    reports = [report for report in evidence.reports if unit.start <= step_time(report) <= unit.end]
    if not reports or row.on_failure not in ADVICE:
        return
    standing = [r for r in reports if unit.dismissed is None or step_time(r) > unit.dismissed]
    advice = advice_of(row.on_failure, ended=unit.ended) if standing else None
    yield Finding(
        rule=SUSPECTED,
        reason="reaction-suspected",
        stage=_stage(unit, (standing or reports)[0]),
        text="A person suspects a transfusion reaction: hold the flow and keep the line open.",
        verdict=noted(advice),
        advice=advice,
        unit=unit.unit,
        facts=tuple(report.key for report in standing or reports),
        cited=(row.cited,),
    )


def _stage(unit: Watched, report: Fact[Step]) -> Stage:
    ended = unit.running.ended_at
    return Stage.RUNNING if ended is None or step_time(report) <= ended else Stage.ENDED


def _categories(evidence: Evidence) -> tuple[list[Candidate], tuple[str, ...]]:
    """Candidates, and the categories that would be met but for their window."""
    found: list[Candidate] = []
    excluded: list[str] = []
    for category, judge in JUDGES if _anything(evidence) else ():
        span, whole = evidence.span(category), evidence.whole(category)
        judged = judge(evidence, span)
        if judged.met:
            found.append(candidate(category, judged))
        elif span != whole and judge(evidence, whole).met:
            excluded.append(category.name)
    return found, tuple(excluded)


def _anything(evidence: Evidence) -> bool:
    """False for the many units with nothing to judge: no trigger, sign, report or later result."""
    start = evidence.watched.start
    judged = evidence.watched.found.hits or evidence.wrong or evidence.reports or evidence.replies
    said = (sign.at for sign in evidence.watched.chart.signs)
    results = (found[-1].at for found in evidence.results.values())
    antibodies = evidence.watched.running.case.of(AntibodyResult)
    typed = (f.body.at.instant for f in antibodies if f.body.at and f.body.at.instant)
    return bool(judged) or any(at > start for at in chain(said, results, typed))


def _not_excluded(evidence: Evidence, met: set[str]) -> tuple[str, ...]:
    """Dangerous categories that a suspicion within their window leaves open, met or not."""
    found = [
        category.name
        for category in (AHTR, SEPSIS)
        if category.name not in met and evidence.suspicious(evidence.span(category))
    ]
    # a fall in pressure alone is no anaphylaxis, and does not rule it out (VIT-14)
    if ANAPHYLAXIS.name not in met and evidence.hit(evidence.span(ANAPHYLAXIS), *PRESSURE):
        found.insert(0, ANAPHYLAXIS.name)
    return tuple(found)
