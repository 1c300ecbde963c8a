"""The bag itself before the start: expiry, status, appearance, whose it is."""

from dataclasses import dataclass
from datetime import datetime

from service.facts.case import UnitView, step_time
from service.facts.clinical import changed_after
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding, Remedy, Stage
from service.facts.moment import Moment, latest_instant, local_text
from service.facts.records import UNRECOGNISED, BloodUnit, Issue
from service.facts.steps import StepCode
from service.facts.unit import BIOHAZARDOUS, COLLECTED_FOR, Group, LabelMessage, Restriction
from service.rules.context import Also, PreStart, Stating
from service.rules.parents import withdrawn_parent
from service.rules.planned import planned_end
from service.rules.returns import LABORATORY_DECIDES, beyond_limits
from service.rules.stating import failed_as, not_checked
from service.rules.supplied import bags, is_emergency_stock, issues_by, supplied


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """What speaks against a unit's status."""

    reason: str
    text: str
    facts: tuple[str, ...] = ()
    remedy: Remedy | None = None


def expiry(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-04: not expired at the start, nor before the planned end; the earliest expiry wins."""
    say = Stating(pre, "PRE-04")
    said = _expiries(pre)
    known = [(when, place) for place, moment in said if (when := _last_of(pre, moment)) is not None]
    shown = tuple((place, local_text(moment, pre.site.zone)) for place, moment in said)
    also = Also(facts=_unit_facts(pre), shown=shown)
    if not known:
        text = "When the unit expires was not read or not sent to the day."
        return say.missing("expiry-not-known", text, ("expiry",), also=also)
    ends, _ = min(known)
    if pre.at > ends:
        return say.failed("expired", "The unit has expired.", also=also)
    unread = _unread_expiries(pre)
    if unread:
        text = "An expiry was read that is no date or time."
        return say.missing("expiry-not-known", text, unread, also=also)
    limit, cited = _bag_down_by(pre)
    if ends >= limit:
        return say.passed("not-expired", "The unit does not expire while it may run.", also=also)
    end = planned_end(pre)
    if end is not None and end <= ends:
        text = "The unit does not expire before its planned end."
        return say.passed("not-expired", text, also=also)
    row = pre.policy.row("expires-during-as", pre.at)
    beside = Also(facts=also.facts, shown=shown, cited=(row.cited, *cited))
    if end is not None:
        text = "The unit expires before its planned end."
        return failed_as(say, row.words[0], "expires-before-planned-end", text, also=beside)
    text = "The unit expires before it must be down, and its planned end is not known."
    return failed_as(say, row.words[0], "may-expire-before-planned-end", text, also=beside)


def _expiries(pre: PreStart) -> tuple[tuple[str, Moment], ...]:
    label = pre.check.body.label if pre.check is not None else None
    said = [("bag", bag.expiry) for bag in bags(pre)]
    said.append(("label", label.expiry if label is not None else None))
    said += [("record", fact.body.expiry) for fact in pre.unit.described]
    found = dict.fromkeys((place, moment) for place, moment in said if moment is not None)
    return tuple(found)


def _unread_expiries(pre: PreStart) -> tuple[str, ...]:
    """Expiries that were sent and are none: what they say may be earlier than what is known."""
    steps = (step for step in (pre.check, pre.start) if step is not None)
    words = {word for step in steps for word in step.body.unusable}
    return tuple(word for word in ("label-expiry", "bag-expiry") if word in words)


def _last_of(pre: PreStart, moment: Moment) -> datetime | None:
    """A bare date runs to 23:59 of that day at the facility."""
    return latest_instant(moment, pre.site.zone)


def _bag_down_by(pre: PreStart) -> tuple[datetime, tuple[Cited, ...]]:
    """No unit may run longer from its start than the completion limit."""
    component = supplied(pre).component or "red_cells"
    row = pre.policy.row(f"completion-limit.{component}", pre.at)
    return pre.at + row.span, (row.cited,)


def status(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-05: issued to this very patient, and neither withdrawn, given nor returned."""
    say = Stating(pre, "PRE-05")
    fault = _withdrawn(pre) or _labelled(pre) or _given(pre) or _elsewhere(pre) or _taken_down(pre)
    if fault is not None:
        return _refused(pre, say, fault)
    issues = issues_by(pre)
    if not issues and is_emergency_stock(pre):
        return ()
    if not issues:
        text = "No issue of this unit is known."
        return say.missing("unit-not-issued", text, ("issue",), also=Also(facts=_unit_facts(pre)))
    return _issued(pre, say, issues[-1])


def _refused(pre: PreStart, say: Stating, fault: _Fault) -> tuple[Finding, ...]:
    facts = fault.facts or _unit_facts(pre)
    return say.failed(fault.reason, fault.text, also=Also(facts=facts, remedy=fault.remedy))


NOT_YET = frozenset({"preparation", "in-progress", "allocated"})


def _issued(pre: PreStart, say: Stating, issue: Fact[Issue]) -> tuple[Finding, ...]:
    body = issue.body
    also = Also(facts=(issue.key,))
    if body.patient is None:
        text = "The issue does not say for whom the unit is."
        return say.missing("issue-without-patient", text, ("patient of the issue",), also=also)
    if not pre.case.is_me(body.patient):
        fault = _Fault(
            reason="issued-to-another-patient",
            text="The unit is issued to another patient.",
            facts=(issue.key,),
        )
        return _refused(pre, say, fault)
    if body.status == "issued" or (body.status == "returned" and changed_after(issue, pre.at)):
        return say.passed("issued-here", "The unit is issued to this patient.", also=also)
    if body.status in NOT_YET or body.status == "returned":
        fault = _Fault(
            reason="returned" if body.status == "returned" else "unit-not-issued",
            text=f"The laboratory's status of the issue is {body.status}.",
            facts=(issue.key,),
            remedy=Remedy.CALL_LABORATORY,
        )
        return _refused(pre, say, fault)
    text = "The status of the issue is not known."
    return say.missing("issue-status-not-known", text, ("status of the issue",), also=also)


WITHDRAWN: dict[str, str] = {
    "quarantined": "The unit is in quarantine.",
    "recalled": "The unit is recalled.",
    "discarded": "The unit is discarded.",
    "unavailable": "The unit is marked as not available for use.",
    UNRECOGNISED: "The unit's status is not one that is known here.",
}
AFTER_USE = frozenset({"discarded", "unavailable", UNRECOGNISED})


def _withdrawn(pre: PreStart) -> _Fault | None:
    for fact in pre.unit.described:
        word = fact.body.status
        if word in WITHDRAWN and not _is_bookkeeping(pre, fact) and not _is_news(pre, fact):
            ask = Remedy.CALL_LABORATORY if word == UNRECOGNISED else None
            text, reason = WITHDRAWN[word], f"unit-{word}"
            if pre.stage is Stage.CHECK and changed_after(fact, pre.at):
                text, reason = f"{text} It was told after this check.", f"{reason}-since"
            return _Fault(reason=reason, text=text, facts=(fact.key,), remedy=ask)
    parent = withdrawn_parent(pre)
    if parent is None:
        return None
    text = f"The unit was made from another one. {WITHDRAWN[parent.body.status or '']}"
    return _Fault(reason=f"parent-{parent.body.status}", text=text, facts=(parent.key,))


def _is_bookkeeping(pre: PreStart, fact: Fact[BloodUnit]) -> bool:
    """What becomes of every used bag: marked as gone after the unit was started."""
    return (
        fact.body.status in AFTER_USE
        and pre.unit.started is not None
        and changed_after(fact, step_time(pre.unit.started))
    )


def _is_news(pre: PreStart, fact: Fact[BloodUnit]) -> bool:
    """Withdrawn while the unit ran: told by COMP-11, and no word against the start as it was."""
    started = pre.unit.started
    return started is not None and changed_after(fact, max(step_time(started), pre.at))


HARMLESS = frozenset({LabelMessage.NO_INFORMATION, LabelMessage.AUTOLOGOUS})


def _labelled(pre: PreStart) -> _Fault | None:
    for group in _groups(pre):
        if group.message is not None and group.message not in HARMLESS:
            text = f"The bag's label says: {group.text}."
            return _Fault(reason="label-forbids-use", text=text)
    if BIOHAZARDOUS in _collections(pre):
        text = "The bag's product code says: biohazardous."
        return _Fault(reason="label-forbids-use", text=text)
    if Restriction.EMERGENCY in _restrictions(pre) and not pre.emergency:
        text = "The bag's label says: for emergency use only."
        return _Fault(reason="label-forbids-use", text=text)
    return None


def hung_again(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-05 of a start or resumption of a bag that was hung before: refused whatever else holds.

    Urgency, checks and concessions do not matter here: the bag in hand is opened, or already runs.
    """
    return _refused(pre, Stating(pre, "PRE-05"), _given(pre) or _running(pre))


def _given(pre: PreStart) -> _Fault | None:
    """Given earlier to this patient, and down again before this judgement."""
    begun = pre.unit.started
    over = next((step for step in pre.unit.downs if step_time(step) <= pre.at), None)
    if begun is None or over is None or begun is pre.start:
        return None
    facts = (begun.key, over.key, *_again(pre))
    return _Fault(reason="already-given", text="The unit was given before.", facts=facts)


def _running(pre: PreStart) -> _Fault:
    """A second start of a running bag: one too many on record, or another bag was meant."""
    begun = pre.unit.started
    return _Fault(
        reason="already-started",
        text="The unit was started before and is not down: it cannot be started a second time.",
        facts=(*((begun.key,) if begun else ()), *_again(pre)),
        remedy=Remedy.COMPLETE_RECORD,
    )


def _again(pre: PreStart) -> tuple[str, ...]:
    return (pre.start.key,) if pre.start is not None else ()


def _elsewhere(pre: PreStart) -> _Fault | None:
    """At a check, what had been started by then; at the start both patients' starts count."""
    others = pre.unit.elsewhere
    if pre.stage is Stage.CHECK:
        others = tuple(other for other in others if other.at <= pre.at)
    if not others:
        return None
    text = "A start of this very unit is recorded for somebody else."
    return _Fault(reason="started-elsewhere", text=text)


def _taken_down(pre: PreStart) -> _Fault | None:
    """Discarded, or returned out of limits, or returned and not issued again.

    Where no limit is published, the laboratory decides by issuing the unit again.
    """
    for step in _before(pre, StepCode.DISCARD_UNIT):
        text = "The unit was discarded at the bedside."
        return _Fault(reason="unit-discarded", text=text, facts=(step,))
    last = None
    for back in pre.unit.done(StepCode.RETURN_UNIT):
        if step_time(back) > pre.at:
            continue
        last = back
        limits = beyond_limits(pre.case, pre.unit, back, pre.policy, pre.site)
        if any(finding.reason != LABORATORY_DECIDES for finding in limits):
            text = "The unit was returned out of limits."
            return _Fault(reason="returned-out-of-limits", text=text, facts=(back.key,))
    if last is None or _issued_after(pre.unit, step_time(last)):
        return None
    text = "The unit was returned and not issued again."
    facts = (last.key,)
    return _Fault(reason="returned", text=text, facts=facts, remedy=Remedy.CALL_LABORATORY)


def _before(pre: PreStart, code: StepCode) -> tuple[str, ...]:
    return tuple(step.key for step in pre.unit.done(code) if step_time(step) <= pre.at)


def _issued_after(unit: UnitView, when: datetime) -> bool:
    handed = (i.body.handed_over.instant for i in unit.issues if i.body.handed_over is not None)
    return any(instant is not None and instant >= when for instant in handed)


def appearance(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-06: somebody looked at the bag: leaks, colour, clots, damage, haemolysis.

    That there was no check at all is ID-07's to say, once: here it is listed as not checked.
    """
    say = Stating(pre, "PRE-06")
    text = "Nobody said how the bag looks."
    if pre.check is None:
        return not_checked(say, "appearance-not-attested", text, ("appearance",))
    match pre.check.body.appearance:
        case "normal":
            return say.passed("appearance-normal", "The bag looks normal.")
        case "abnormal":
            return say.failed("appearance-abnormal", "The bag looks abnormal.")
        case _:
            return say.missing("appearance-not-attested", text, ("appearance",))


def own_blood(pre: PreStart) -> tuple[Finding, ...]:
    """PRE-18: an autologous or directed unit to its own patient, and own blood before other."""
    say = Stating(pre, "PRE-18")
    also = Also(facts=_unit_facts(pre))
    meant = [f.body.intended for f in pre.unit.described if f.body.intended is not None]
    if any(not pre.case.is_me(patient) for patient in meant):
        text = "The unit is meant for another patient."
        return say.failed("meant-for-another-patient", text, also=also)
    if _is_restricted(pre) and not meant:
        text = "For whom the autologous or directed unit was given was not sent."
        return say.missing("intended-patient-not-sent", text, ("intended patient",), also=also)
    if _is_restricted(pre) or meant:
        return say.passed("own-unit", "The unit is meant for this patient.", also=also)
    return _own_first(pre, say)


def _own_first(pre: PreStart, say: Stating) -> tuple[Finding, ...]:
    component = supplied(pre).component
    for key, unit in pre.case.units.items():
        if key != pre.unit.key and unit.component is component and _is_own_on_hand(pre, unit):
            row = pre.policy.row("autologous-held-as", pre.at)
            text = "An autologous unit of this patient is on hand."
            facts = tuple(fact.key for fact in unit.described)
            also = Also(facts=facts, cited=(row.cited,))
            return failed_as(say, row.words[0], "autologous-on-hand", text, also=also)
    return ()


def _is_own_on_hand(pre: PreStart, unit: UnitView) -> bool:
    groups = [fact.body.group for fact in unit.described if fact.body.group is not None]
    meant = [f.body.intended for f in unit.described if f.body.intended is not None]
    mine = any(pre.case.is_me(patient) for patient in meant) or any(
        issue.body.patient is not None and pre.case.is_me(issue.body.patient)
        for issue in unit.issues
    )
    gone = unit.started or unit.done(StepCode.RETURN_UNIT, StepCode.DISCARD_UNIT)
    kinds = {COLLECTED_FOR.get(f.body.unit.collection or "") for f in unit.described}
    own = any(_autologous(group) for group in groups) or Restriction.AUTOLOGOUS in kinds
    return own and mine and not gone


def _autologous(group: Group) -> bool:
    return group.restriction is Restriction.AUTOLOGOUS or group.message is LabelMessage.AUTOLOGOUS


def _is_restricted(pre: PreStart) -> bool:
    kinds = {Restriction.AUTOLOGOUS, Restriction.DIRECTED}
    return any(_autologous(g) for g in _groups(pre)) or bool(kinds & _restrictions(pre))


def _restrictions(pre: PreStart) -> frozenset[Restriction]:
    """For whom the unit is, by its group code and by its collection type."""
    collected = {COLLECTED_FOR.get(kind, Restriction.NONE) for kind in _collections(pre)}
    return frozenset(collected | {group.restriction for group in _groups(pre)})


def _collections(pre: PreStart) -> frozenset[str]:
    said = [bag.unit.collection for bag in bags(pre)]
    said += [fact.body.unit.collection for fact in pre.unit.described]
    return frozenset(kind for kind in said if kind is not None)


def _groups(pre: PreStart) -> tuple[Group, ...]:
    said = [*(bag.group for bag in bags(pre)), *(fact.body.group for fact in pre.unit.described)]
    return tuple(group for group in said if group is not None)


def _unit_facts(pre: PreStart) -> tuple[str, ...]:
    return supplied(pre).facts
