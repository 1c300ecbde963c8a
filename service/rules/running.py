"""How a rule that follows a started unit states what it found."""

from datetime import datetime

from service.facts.finding import Advice, Cited, Finding, Remedy, Verdict
from service.policy.policy import ADVICE, VERDICTS, RuleRow
from service.rules.context import Running, advice_of


class Following:
    """Builds the findings of one rule on one started unit.

    The rule's own instant is the start, unless ``at`` names another: the row in force then
    applies, and urgency is taken then.
    """

    def __init__(self, running: Running, rule: str, at: datetime | None = None) -> None:
        self._running = running
        self.at = at if at is not None else running.started_at
        self.row: RuleRow = running.policy.rule(rule, self.at)

    @property
    def softened(self) -> str | None:
        """The word that replaces the row's own while urgency is life-threatening."""
        return self.row.in_emergency if self._running.emergency_at(self.at) else None

    def says(
        self,
        reason: str,
        text: str,
        *,
        word: str | None = None,
        missing: tuple[str, ...] = (),
        facts: tuple[str, ...] = (),
        cited: tuple[Cited, ...] = (),
        shown: tuple[tuple[str, str], ...] = (),
        remedy: Remedy | None = None,
    ) -> tuple[Finding, ...]:
        """One finding in the row's word, or a given one; nothing where that word is ``off``.

        A verdict's or an advice's word is set as such; any other (``reminder``, ``task``) is a
        matter for a Task, and the finding only informs.
        """
        own = word if word is not None else self.row.on_failure
        chosen = self.softened or own
        if "off" in (own, chosen, self.row.on_failure):
            return ()
        return self._finding(reason, text, chosen, missing, facts, cited, shown, remedy)

    def unchecked(
        self, reason: str, text: str, missing: tuple[str, ...], *, facts: tuple[str, ...] = ()
    ) -> tuple[Finding, ...]:
        """The rule is silent without the data, and says so: no verdict, no advice."""
        if self.row.off:
            return ()
        return self._finding(reason, text, "off", missing, facts)

    def _finding(
        self,
        reason: str,
        text: str,
        word: str,
        missing: tuple[str, ...],
        facts: tuple[str, ...],
        cited: tuple[Cited, ...] = (),
        shown: tuple[tuple[str, str], ...] = (),
        remedy: Remedy | None = None,
    ) -> tuple[Finding, ...]:
        verdict, advice = self._graded(word)
        finding = Finding(
            rule=self.row.id,
            reason=reason,
            stage=self._running.stage,
            text=text,
            verdict=verdict,
            advice=advice,
            known=not missing,
            missing=missing,
            unit=self._running.unit.key,
            facts=facts or (self._running.start.key,),
            cited=(self.row.cited, *cited),
            remedy=remedy,
            shown=shown,
            critical=self.row.never_loosen,
        )
        return (finding,)

    def _graded(self, word: str) -> tuple[Verdict | None, Advice | None]:
        if word in ADVICE:
            return None, advice_of(word, ended=self._running.ended is not None)
        return VERDICTS.get(word), None
