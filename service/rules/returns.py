"""A unit that comes back unopened: accepted to stock or discarded (TIM-01, TIM-02)."""

from datetime import datetime
from decimal import Decimal

from service.facts.case import Case, UnitView, step_time
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding, Stage
from service.facts.steps import Step, StepCode
from service.facts.unit import Component
from service.policy.policy import Policy, Site
from service.rules.storage import Whereabouts, whereabouts

ACCEPT = "accept"
DISCARD = "discard"


def judge_return(
    case: Case, unit: UnitView, step: Fact[Step], policy: Policy, site: Site
) -> tuple[Finding, ...]:
    """What a return is answered, with the reasons: ``accept`` once, or ``discard`` with each.

    step: a ``return-unit`` step of the unit. The rows in force at its own instant apply.
    """
    judge = _Judge(unit, step, policy, site)
    found = (*judge.opened(), *judge.measured())
    if not found:
        found = judge.untimed() or judge.other_component() or judge.overdue()
    return found or judge.accepted()


class _Judge:
    def __init__(self, unit: UnitView, step: Fact[Step], policy: Policy, site: Site) -> None:
        self.unit = unit
        self.step = step
        self.policy = policy
        self.at: datetime = step.body.start.instant or step.received
        self.place: Whereabouts = whereabouts(unit, self.at, site.zone, returning=True)

    def opened(self) -> tuple[Finding, ...]:
        """A broken seal is never restocked, and an unknown one is taken for broken."""
        started = any(step_time(s) <= self.at for s in self.unit.done(StepCode.START))
        if started:
            return self._says("TIM-01", "already-spiked", "The unit was started: never restocked.")
        if self.step.body.seal_intact is False:
            return self._says("TIM-01", "seal-broken", "The seal is broken: never restocked.")
        if self.step.body.seal_intact is None:
            text = "Whether the seal is intact was not said."
            return self._says("TIM-01", "seal-not-stated", text, missing=("seal-intact",))
        return ()

    def measured(self) -> tuple[Finding, ...]:
        """A measured temperature outside the limits discards, whatever the time."""
        most = self.policy.row("return-temperature", self.at)
        least = self.policy.row("return-temperature-least", self.at)
        found = self.step.body.temperature
        if found is None or least.number <= found <= most.number:
            return ()
        if found > most.number:
            text = f"The unit measured more than {_plain(most.number)} °C on return."
            return self._says("TIM-02", "temperature-above-10", text, cited=(most.cited,))
        text = f"The unit measured less than {_plain(least.number)} °C on return."
        return self._says("TIM-02", "temperature-below-1", text, cited=(least.cited,))

    def untimed(self) -> tuple[Finding, ...]:
        """A return to the day only cannot be held against a window of minutes."""
        if self.step.body.start.instant is not None:
            return ()
        text = "When the unit came back was not sent to the minute."
        return self._says("TIM-01", "return-time-not-known", text, missing=("time of return",))

    def other_component(self) -> tuple[Finding, ...]:
        """The window is published for red cells only; the laboratory decides about the rest."""
        if self.unit.component is Component.RED_CELLS:
            return ()
        missing = () if self.unit.component else ("component",)
        text = "The return window holds for red cells only; the laboratory decides."
        return self._says("TIM-01", "no-return-window", text, missing=missing)

    def overdue(self) -> tuple[Finding, ...]:
        """By temperature where the profile goes by it, else by the time out of storage."""
        by = self.policy.row("return-by", self.at)
        if by.words == ("temperature",):
            return self._by_temperature(by.cited)
        if self.place.stored:
            return ()
        window = self.policy.row("return-window", self.at)
        if self.place.out is None:
            text = "When the unit left controlled storage was not said."
            return self._says("TIM-01", "exit-unknown", text, missing=("out-since",))
        if self.at <= self.place.out + window.span:
            return ()
        text = f"Out of controlled storage for more than {_plain(window.number)} {window.unit}."
        return self._says("TIM-01", "out-beyond-window", text, cited=(window.cited,))

    def accepted(self) -> tuple[Finding, ...]:
        """Nothing speaks against the return; the laboratory's own inspection still follows."""
        text = "Within the return limits on the facts given; the laboratory inspects the unit."
        if self.place.assumed:
            text += " When it left controlled storage is assumed, not recorded."
        return self._says("TIM-01", "return-within-limits", text, word=ACCEPT)

    def _by_temperature(self, cited: Cited) -> tuple[Finding, ...]:
        if self.step.body.temperature is not None:
            return ()
        text = "The profile goes by temperature, and none was measured."
        return self._says(
            "TIM-01", "temperature-not-measured", text, missing=("temperature",), cited=(cited,)
        )

    def _says(
        self,
        rule: str,
        reason: str,
        text: str,
        *,
        word: str | None = None,
        missing: tuple[str, ...] = (),
        cited: tuple[Cited, ...] = (),
    ) -> tuple[Finding, ...]:
        row = self.policy.rule(rule, self.at)
        stated = row.when_missing if missing else row.on_failure
        chosen = word or stated
        if chosen not in (ACCEPT, DISCARD):
            return ()
        finding = Finding(
            rule=rule,
            reason=reason,
            stage=Stage.RETURN,
            text=text,
            returned=chosen,
            known=not missing,
            missing=missing,
            unit=self.unit.key,
            facts=tuple(sorted({self.step.key, *self.place.facts})),
            cited=(row.cited, *cited),
        )
        return (finding,)


def _plain(number: Decimal) -> str:
    return f"{number.normalize():f}"
