"""What ward and blood bank answered to a notice, and which of its Tasks are in whose hands."""

from dataclasses import dataclass, replace
from datetime import datetime

from service.assessment.checking import Bench
from service.assessment.course import Course
from service.assessment.desired import Key
from service.facts.acts import NoticeRaised
from service.facts.case import step_finished
from service.facts.clinical import clinical_time
from service.facts.fact import Fact
from service.facts.records import Reply
from service.facts.steps import Step, StepCode

TAKEN_UP = frozenset({"accepted", "in-progress", "completed", "ready", "on-hold"})
TURNED_DOWN = frozenset({"rejected", "failed"})
NOT_BEGUN = frozenset({"draft", "requested", "received"})
INVESTIGATE = "investigate-reaction"
TELEPHONE = "telephone-laboratory"


def ward_word(
    bench: Bench, group: tuple[Course, ...], code: StepCode, raised: NoticeRaised
) -> Fact[Step] | None:
    """The ward's first step of a code on the notice, by its name or on a unit of its group."""
    keys = {course.key for course in group}
    for step in bench.case.steps:
        if step.body.code is not code or step_finished(step) < raised.onset:
            continue
        named = step.body.notice
        about = bench.case.unit_of_step(step.body)
        if _names(named.value if named else None, raised) or (
            named is None and about in keys | {None}
        ):
            return step
    return None


def _names(value: str | None, raised: NoticeRaised) -> bool:
    """True when a reply's identifier, already turned into our identity, is of this notice."""
    return value is not None and f"/{raised.notice}/" in value


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """The blood bank's word: facts that took the notice up or turned it down, and its end."""

    taken_up: str | None = None
    turned_down: str | None = None
    concluded: datetime | None = None


def blood_bank_word(bench: Bench, group: tuple[Course, ...], raised: NoticeRaised) -> Word:
    """What the blood bank replied, its latest word; else that the ward has it by telephone."""
    word = Word()
    for reply in _replies(bench, raised):
        if reply.body.status in TAKEN_UP:
            ends = reply.body.status == "completed" and _rule(reply) == INVESTIGATE
            concluded = word.concluded or (_replied(reply) if ends else None)
            word = Word(taken_up=reply.key, concluded=concluded)
        elif reply.body.status in TURNED_DOWN:
            word = Word(turned_down=reply.key)
    acknowledged = ward_word(bench, group, StepCode.ACKNOWLEDGE, raised)
    if word.taken_up is None and acknowledged is not None:
        return replace(word, taken_up=acknowledged.key)
    return word


def in_hand(bench: Bench, raised: NoticeRaised, until: datetime | None) -> frozenset[str]:
    """Codes of the notice's Tasks whose status was the blood bank's by an instant, None for now.

    One that is asked for or merely received is still ours to cancel.
    """
    said = {
        _rule(reply): reply.body.status
        for reply in _replies(bench, raised)
        if until is None or _replied(reply) <= until
    }
    return frozenset(code for code, status in said.items() if status not in NOT_BEGUN)


def _replies(bench: Bench, raised: NoticeRaised) -> list[Fact[Reply]]:
    """The blood bank's replies to a notice, in the order in which they were made."""
    found = (r for r in bench.case.every(Reply) if _answers(bench, r, raised))
    return sorted(found, key=lambda reply: (_replied(reply), reply.key))


def _answers(bench: Bench, reply: Fact[Reply], raised: NoticeRaised) -> bool:
    """True for a reply to the notice by whom it was for: the blood bank, never the ward."""
    speaks = bench.site.laboratory is None or reply.source in bench.site.laboratory
    return speaks and _names(reply.body.notice.value, raised) and _rule(reply) != TELEPHONE


def _replied(reply: Fact[Reply]) -> datetime:
    return clinical_time(reply) or reply.received


def _rule(reply: Fact[Reply]) -> str:
    """The code of the Task of ours that is answered."""
    return Key.read(reply.body.notice.value).rule
