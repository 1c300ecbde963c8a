"""Bad news about a unit that runs or has just come down (COMP-11)."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.records import AllowedGroups, BloodUnit, GroupResult
from service.facts.steps import BagLabel, StepCode
from service.facts.unit import Component
from service.rules.compatibility_crossmatch import WORST_FIRST
from service.rules.context import Running, advice_of
from service.rules.recipient import Typed, known_by, typed_at

WITHDRAWN = ("recalled", "quarantined")
FOREVER = datetime(9000, 1, 1, tzinfo=UTC)
TABLES = {
    Component.RED_CELLS: "red-cells",
    Component.GRANULOCYTES: "red-cells",
    Component.PLASMA: "plasma",
}


def news(running: Running) -> tuple[Finding, ...]:
    """COMP-11: what came to light against the unit; findings with advice, never a verdict.

    Recall, quarantine, an incompatible crossmatch, a changed group and a corrected label advise
    stop, once the bag is down escalate for as long as a unit stays a suspect; a revoked order
    advises pause while it runs.
    """
    return tuple(finding for told in NEWS for finding in told(running))


def unit_withdrawn(running: Running) -> tuple[Finding, ...]:
    """The unit is recalled or quarantined."""
    found = [
        f for f in running.unit.described if f.body.status in WITHDRAWN and _in_time(running, f)
    ]
    if not found:
        return ()
    status = found[-1].body.status or ""
    text = f"The unit is {status}."
    return _told(running, f"unit-{status}", text, [fact.key for fact in found])


def crossmatch_incompatible(running: Running) -> tuple[Finding, ...]:
    """A crossmatch of the unit, often done after an emergency release, is incompatible."""
    found = [
        fact
        for fact in running.unit.crossmatches
        if fact.body.result == WORST_FIRST[0] and _in_time(running, fact)
    ]
    text = "The crossmatch of the unit is incompatible."
    keys = [fact.key for fact in found]
    return _told(running, "crossmatch-incompatible", text, keys) if found else ()


def group_changed(running: Running) -> tuple[Finding, ...]:
    """The patient's group is another one than at the start, or now known not to suit the unit."""
    if _listed(running):
        return ()
    keys = [
        fact.key
        for fact in running.case.of(GroupResult)
        if not known_by(fact.body.at, running.started_at, running.site.zone)
    ]
    if not keys:
        return ()
    before = typed_at(running.case, running.site, running.started_at)
    after = typed_at(running.case, running.site, _until(running))
    shown = (("group at the start", _shown(before)), ("group now", _shown(after)))
    if _differs(before.abo, after.abo) or _differs(before.rhd, after.rhd):
        text = "The patient's group was changed after the start."
        return _told(running, "recipient-group-changed", text, keys, shown)
    if before.abo is None and _refused(running, after):
        text = "The patient's group is now known and does not suit the unit."
        return _told(running, "recipient-group-incompatible", text, keys, shown)
    return ()


def label_corrected(running: Running) -> tuple[Finding, ...]:
    """The unit's description was corrected after the start and differs from what was checked."""
    found = [
        (fact, differences)
        for fact in running.unit.described
        if fact.version > 1
        and running.started_at < _when(fact)
        and _in_time(running, fact)
        and (differences := _differences(running, fact.body))
    ]
    if not found:
        return ()
    text = "The unit's label was corrected after the start."
    shown = tuple(pair for _, differences in found for pair in differences)
    return _told(running, "label-corrected", text, [fact.key for fact, _ in found], shown)


def order_revoked(running: Running) -> tuple[Finding, ...]:
    """The order was revoked while the unit runs: ask before going on."""
    revoked = [o.key for o in running.orders if o.body.status == "revoked" or o.body.do_not_perform]
    if not revoked or running.ended is not None:
        return ()
    row = running.policy.row("order-revoked-as", running.started_at)
    text = "The order was revoked while the unit runs."
    return _told(running, "order-revoked", text, revoked, advice=row.words[0])


NEWS: tuple[Callable[[Running], tuple[Finding, ...]], ...] = (
    unit_withdrawn,
    crossmatch_incompatible,
    group_changed,
    label_corrected,
    order_revoked,
)


def _told(
    running: Running,
    reason: str,
    text: str,
    facts: list[str],
    shown: tuple[tuple[str, str], ...] = (),
    advice: str | None = None,
) -> tuple[Finding, ...]:
    row = running.policy.rule("COMP-11", running.started_at)
    finding = Finding(
        rule="COMP-11",
        reason=reason,
        stage=running.stage,
        text=text,
        advice=advice_of(advice or row.on_failure, ended=running.ended is not None),
        unit=running.unit.key,
        facts=tuple(sorted(facts)),
        cited=(row.cited,),
        shown=shown,
        critical=row.never_loosen,
    )
    return (finding,)


def _until(running: Running) -> datetime:
    """How long news counts: while the unit runs, and while it stays a suspect after its end."""
    if running.ended_at is None:
        return FOREVER
    return running.ended_at + running.policy.row("suspects-after-end", running.started_at).span


def _when(fact: Fact[Any]) -> datetime:
    moment = getattr(fact.body, "at", None)
    return (moment.instant if moment is not None else None) or fact.stamp or fact.received


def _in_time(running: Running, fact: Fact[Any]) -> bool:
    return _when(fact) <= _until(running)


def _listed(running: Running) -> bool:
    return any(
        fact.body.component in (None, running.unit.component)
        for fact in running.case.of(AllowedGroups)
    )


def _differs(before: str | None, after: str | None) -> bool:
    return before is not None and after != before


def _refused(running: Running, after: Typed) -> bool:
    table = TABLES.get(running.unit.component) if running.unit.component is not None else None
    abos = {fact.body.group.abo for fact in running.unit.described if fact.body.group is not None}
    if table is None or after.abo is None:
        return False
    cells = running.policy.matrix(table, running.started_at)
    return any(abo is not None and cells.cell(after.abo, abo) == "refuse" for abo in abos)


def _shown(typed: Typed) -> str:
    return f"{typed.text}, RhD {typed.rhd or 'unknown'}"


def _bags(running: Running) -> tuple[BagLabel, ...]:
    steps = running.unit.done(StepCode.CHECK_UNIT, StepCode.START)
    return tuple(step.body.bag for step in steps if step.body.bag is not None)


def _differences(running: Running, body: BloodUnit) -> tuple[tuple[str, str], ...]:
    """What the bag said when it was read, beside what the unit's description says now."""
    found: list[tuple[str, str]] = []
    for bag in _bags(running):
        read, now = bag.group, body.group
        if read and now and (read.abo, read.rhd) != (now.abo, now.rhd):
            found += [("group on the bag", read.text), ("group now", now.text)]
        printed, told = bag.expiry, body.expiry
        if printed and told and printed.instant != told.instant:
            found += [("expiry on the bag", printed.text), ("expiry now", told.text)]
    return tuple(dict.fromkeys(found))
