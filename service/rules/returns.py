"""A unit that comes back unopened: accepted to stock or discarded (TIM-01, TIM-02)."""

from datetime import datetime
from decimal import Decimal

from service.facts.case import Case, UnitView, step_time
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding, Stage
from service.facts.moment import latest_instant
from service.facts.records import UNRECOGNISED
from service.facts.steps import BagLabel, CompatibilityLabel, Step, StepCode
from service.facts.unit import Component
from service.policy.policy import Policy, Site
from service.rules.storage import Whereabouts, whereabouts

ACCEPT = "accept"
DISCARD = "discard"
LABORATORY_DECIDES = "no-return-window"

NOT_FOR_STOCK = frozenset({"quarantined", "recalled", "discarded", UNRECOGNISED})
UNFIT: dict[str, str] = {
    "expired": "The unit has expired: never restocked.",
    "unit-withdrawn": "The unit is withdrawn, or its status is not known: not restocked.",
    "appearance-abnormal": "The bag looked abnormal: never restocked.",
    "unit-mismatch": "What names the unit does not agree: not restocked before it is resolved.",
}


def judge_return(
    case: Case, unit: UnitView, step: Fact[Step], policy: Policy, site: Site
) -> tuple[Finding, ...]:
    """What a return is answered, with the reasons: ``accept`` once, or ``discard`` with each.

    step: a ``return-unit`` step of the unit. The rows in force at its own instant apply.
    """
    judge = _Judge(case, unit, step, policy, site)
    return (*judge.unfit(), *judge.beyond_limits()) or judge.accepted()


def beyond_limits(
    case: Case, unit: UnitView, step: Fact[Step], policy: Policy, site: Site
) -> tuple[Finding, ...]:
    """Why a return was not within the limits of seal, temperature and time; empty where it was."""
    return _Judge(case, unit, step, policy, site).beyond_limits()


class _Judge:
    def __init__(
        self, case: Case, unit: UnitView, step: Fact[Step], policy: Policy, site: Site
    ) -> None:
        self.case = case
        self.unit = unit
        self.step = step
        self.policy = policy
        self.site = site
        self.at: datetime = step.body.start.instant or step.received
        self.place: Whereabouts = whereabouts(unit, self.at, site.zone, returning=True)

    def beyond_limits(self) -> tuple[Finding, ...]:
        """Everything about seal, temperature and time that speaks against the return."""
        found = (*self.opened(), *self.measured())
        return found or self.untimed() or self.other_component() or self.overdue()

    def unfit(self) -> tuple[Finding, ...]:
        """What no window mends: such a unit does not go back to stock, however soon it came."""
        found = {
            "expired": self._expired(),
            "unit-withdrawn": self._withdrawn(),
            "appearance-abnormal": self._abnormal(),
            "unit-mismatch": self._mismatched(),
        }
        return tuple(
            finding
            for reason, facts in found.items()
            if facts
            for finding in self._says("TIM-01", reason, UNFIT[reason], facts=facts)
        )

    def _expired(self) -> tuple[str, ...]:
        said = [(fact.key, fact.body.expiry) for fact in self.unit.described]
        for step in self._by_then():
            labels = (step.body.bag, step.body.label)
            said += [(step.key, label.expiry) for label in labels if label is not None]
        ends = [(key, latest_instant(on, self.site.zone)) for key, on in said if on is not None]
        return tuple(key for key, end in ends if end is not None and end < self.at)

    def _withdrawn(self) -> tuple[str, ...]:
        return tuple(f.key for f in self.unit.described if f.body.status in NOT_FOR_STOCK)

    def _abnormal(self) -> tuple[str, ...]:
        return tuple(s.key for s in self._by_then() if s.body.appearance == "abnormal")

    def _mismatched(self) -> tuple[str, ...]:
        """Bag and label name different units or groups, or another unit was meant to go back."""
        wrong = [step.key for step in self._by_then() if _differ(step.body.bag, step.body.label)]
        focus = self.step.body.focus
        meant = self.case.unit_of(focus) if focus is not None else None
        return (*wrong, *([self.step.key] if meant not in (None, self.unit.key) else []))

    def _by_then(self) -> tuple[Fact[Step], ...]:
        return tuple(step for step in self.unit.steps if step_time(step) <= self.at)

    def opened(self) -> tuple[Finding, ...]:
        """A broken seal is never restocked, and an unknown one is taken for broken."""
        started = any(step_time(s) <= self.at for s in self.unit.done(StepCode.START))
        if started or any(other.at <= self.at for other in self.unit.elsewhere):
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
        if self.unit.component is None:
            text = "The return window holds for red cells only; the component was not sent."
            return self._says("TIM-01", "component-unknown", text, missing=("component",))
        text = "The return window holds for red cells only; the laboratory decides."
        return self._says("TIM-01", LABORATORY_DECIDES, text)

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
        facts: tuple[str, ...] = (),
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
            facts=tuple(sorted({self.step.key, *self.place.facts, *facts})),
            cited=(row.cited, *cited),
        )
        return (finding,)


def _differ(bag: BagLabel | None, label: CompatibilityLabel | None) -> bool:
    """Whether the bag's own label and the laboratory's contradict each other about the unit."""
    if bag is None or label is None:
        return False
    said = [
        (bag.unit.din, label.din),
        (bag.unit.product, label.product),
        (bag.unit.division, label.division),
    ]
    if bag.group is not None and label.unit_group is not None:
        said += [(bag.group.abo, label.unit_group.abo), (bag.group.rhd, label.unit_group.rhd)]
    return any(read and printed and read != printed for read, printed in said)


def _plain(number: Decimal) -> str:
    return f"{number.normalize():f}"
