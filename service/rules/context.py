"""What a rule is given, and how a rule states what it found."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from service.facts.case import Case, UnitView, step_time
from service.facts.deadline import Clock
from service.facts.fact import Fact
from service.facts.finding import Advice, Cited, Finding, Remedy, Stage, Verdict
from service.facts.once import once
from service.facts.records import Order
from service.facts.steps import Step, StepCode
from service.policy.policy import ADVICE, VERDICTS, Policy, RuleRow, Site


@dataclass(frozen=True, kw_only=True)
class PreStart:
    """One judgement before the start: at a recorded or dry-run check, or at the start itself.

    at: the rule's own instant (end of the check, or the start). check: the check that is judged,
    None at a start that no valid check covers. urgency: routine, urgent or life-threatening. brief:
    nobody asks which rules were simply met.
    """

    case: Case
    unit: UnitView
    policy: Policy
    site: Site
    at: datetime
    stage: Stage
    check: Fact[Step] | None
    start: Fact[Step] | None
    urgency: str
    orders: tuple[Fact[Order], ...]
    brief: bool = False

    @property
    def emergency(self) -> bool:
        """True while urgency is life-threatening."""
        return self.urgency == "life-threatening"


@dataclass(frozen=True, kw_only=True)
class Running:
    """One unit from its start on. ``ended`` is the step that took it down, None while it runs."""

    case: Case
    unit: UnitView
    policy: Policy
    site: Site
    clock: Clock
    start: Fact[Step]
    ended: Fact[Step] | None
    orders: tuple[Fact[Order], ...]

    @property
    def stage(self) -> Stage:
        """RUNNING until the bag is down."""
        return Stage.RUNNING if self.ended is None else Stage.ENDED

    @property
    def started_at(self) -> datetime:
        """The clinical start."""
        return step_time(self.start)

    @property
    def ended_at(self) -> datetime | None:
        """The clinical end, None while it runs."""
        return step_time(self.ended) if self.ended else None

    def emergency_at(self, instant: datetime) -> bool:
        """True while urgency was life-threatening at an instant."""
        return urgency_at(self.case, self.orders, instant) == "life-threatening"


PreStartRule = Callable[[PreStart], tuple[Finding, ...]]


def urgency_at(case: Case, orders: tuple[Fact[Order], ...], instant: datetime) -> str:
    """The urgency at an instant.

    Life-threatening only between the steps declare-emergency and end-emergency, or when an order
    carries the site's code for it (rules.md 0: stat alone softens nothing).
    """
    if any(order.body.urgency == "life-threatening" for order in orders):
        return "life-threatening"
    declared = [step for step in _declarations(case) if step_time(step) <= instant]
    if declared and declared[-1].body.code is StepCode.DECLARE_EMERGENCY:
        return "life-threatening"
    return "urgent" if any(order.body.urgency == "urgent" for order in orders) else "routine"


@once
def _declarations(case: Case) -> tuple[Fact[Step], ...]:
    ends = (StepCode.DECLARE_EMERGENCY, StepCode.END_EMERGENCY)
    return tuple(step for step in case.steps if step.body.code in ends)


@dataclass(frozen=True, slots=True, kw_only=True)
class Also:
    """What a finding carries besides its sentence."""

    facts: tuple[str, ...] = ()
    cited: tuple[Cited, ...] = ()
    shown: tuple[tuple[str, str], ...] = ()
    remedy: Remedy | None = None


class Stating:
    """Builds the findings of one rule at one judgement, so that every rule cites its row."""

    def __init__(self, pre: PreStart, rule: str) -> None:
        self.row: RuleRow = pre.policy.rule(rule, pre.at)
        self._pre = pre

    def passed(self, reason: str, text: str, *, also: Also = Also()) -> tuple[Finding, ...]:
        """The rule was met; nothing in a brief judgement."""
        return () if self._pre.brief else self.met(reason, text, also=also)

    def met(self, reason: str, text: str, *, also: Also = Also()) -> tuple[Finding, ...]:
        """The rule was met, as far as it was checked."""
        if self.row.off:
            return ()
        return self._finding(reason, text, Verdict.NO_OBJECTION, also)

    def failed(
        self, reason: str, text: str, *, verdict: Verdict | None = None, also: Also = Also()
    ) -> tuple[Finding, ...]:
        """The rule was not met: the row's verdict, or a given one for a rule with a table.

        Nothing where the row in force says ``off``.
        """
        emergency = self._in_emergency(self.row.in_emergency)
        if "off" in (self.row.on_failure, emergency):
            return ()
        given = verdict if verdict is not None else VERDICTS[self.row.on_failure]
        chosen = _softened(given, emergency)
        return self._finding(reason, text, chosen, also, remedy=self.row.remedy)

    def missing(
        self,
        reason: str,
        text: str,
        missing: tuple[str, ...],
        *,
        verdict: Verdict | None = None,
        also: Also = Also(),
    ) -> tuple[Finding, ...]:
        """Data was missing: the row's *when missing* verdict; ``off`` gives one without verdict.

        Nothing where the row in force switches the whole rule off.
        """
        emergency = self._in_emergency(self.row.missing_in_emergency or self.row.in_emergency)
        if self.row.off or emergency == "off":
            return ()
        if verdict is not None:
            chosen: Verdict | None = _softened(verdict, emergency)
        elif self.row.when_missing == "off":
            chosen = None
        else:
            chosen = _softened(VERDICTS[self.row.when_missing], emergency)
        remedy = self.row.remedy_missing or self.row.remedy
        return self._finding(reason, text, chosen, also, remedy=remedy, missing=missing)

    def _in_emergency(self, word: str | None) -> str | None:
        return word if self._pre.emergency else None

    def _finding(
        self,
        reason: str,
        text: str,
        verdict: Verdict | None,
        also: Also,
        *,
        remedy: Remedy | None = None,
        missing: tuple[str, ...] = (),
    ) -> tuple[Finding, ...]:
        pre, row = self._pre, self.row
        check = (pre.check.key,) if pre.check else ()
        finding = Finding(
            rule=row.id,
            reason=reason,
            stage=pre.stage,
            text=text,
            verdict=verdict,
            known=not missing,
            missing=missing,
            unit=pre.unit.key,
            facts=also.facts or check,
            cited=(row.cited, *also.cited),
            remedy=_fitting(verdict, also.remedy or remedy),
            shown=also.shown,
            critical=row.never_loosen,
        )
        return (finding,)


def _fitting(verdict: Verdict | None, remedy: Remedy | None) -> Remedy | None:
    """A refusal or an authorise carries a remedy, a caution only that of measuring (rules.md 0)."""
    if verdict is Verdict.CAUTION:
        return remedy if remedy is Remedy.MEASURE_NOW else None
    return remedy if verdict in (Verdict.AUTHORISE, Verdict.REFUSE) else None


def _softened(verdict: Verdict, word: str | None) -> Verdict:
    return verdict if word is None else min(verdict, VERDICTS[word])


def advice_of(word: str, *, ended: bool) -> Advice:
    """A row's advice word; once the bag is down, pause and stop become escalate."""
    advice = ADVICE[word]
    return Advice.ESCALATE if ended and advice in (Advice.PAUSE, Advice.STOP) else advice
