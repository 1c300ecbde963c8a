"""Bad news about a unit that runs or has just come down (COMP-11).

News is what differs between the facts as they had been told by the start and as they stand now.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

from service.facts.case import Case, told_at
from service.facts.fact import Fact
from service.facts.finding import Finding
from service.facts.records import (
    UNRECOGNISED,
    AllowedGroups,
    CrossmatchResult,
    GroupResult,
    Issue,
    Order,
)
from service.facts.unit import Component
from service.rules.compatibility_crossmatch import WORST_FIRST
from service.rules.compatibility_label import Correction, corrections
from service.rules.compatibility_pair import is_listed, listed_by, newest_lists
from service.rules.compatibility_told import at_start, in_time, now, until
from service.rules.context import Running, advice_of
from service.rules.orders import in_window, linked
from service.rules.recipient import Typed, known_by, typed_by
from service.rules.supplied import OVER

WITHDRAWN = ("recalled", "quarantined")
SETTLING = ("least-incompatible", "compatible")
TABLES = {
    Component.RED_CELLS: "red-cells",
    Component.GRANULOCYTES: "red-cells",
    Component.PLASMA: "plasma",
}


def news(running: Running) -> tuple[Finding, ...]:
    """COMP-11: what came to light against the unit; findings with advice, never a verdict.

    Recall, quarantine, a withdrawn issue, an incompatible crossmatch, a changed group or list of
    allowed groups and a corrected label advise stop, once the bag is down escalate for as long as
    a unit stays a suspect; a revoked order advises pause while it runs.
    """
    return tuple(finding for told in NEWS for finding in told(running))


def unit_withdrawn(running: Running) -> tuple[Finding, ...]:
    """The unit is recalled or quarantined."""
    found = [
        f for f in running.unit.described if f.body.status in WITHDRAWN and in_time(running, f)
    ]
    if not found:
        return ()
    status = found[-1].body.status or ""
    text = f"The unit is {status}."
    return _told(running, f"unit-{status}", text, [fact.key for fact in found])


def issue_withdrawn(running: Running) -> tuple[Finding, ...]:
    """The laboratory took back its issue of the unit to this patient."""
    key = running.unit.key
    if key is None or _issued_here(running.case, running.unit.issues):
        return ()
    held = _issued_here(running.case, at_start(running).unit(key).issues)
    gone = [fact.key for fact in held if fact.body.status == "issued" and _fell(running, fact)]
    text = "The laboratory withdrew its issue of the unit to this patient after the start."
    return _told(running, "issue-withdrawn", text, gone) if gone else ()


def _issued_here(case: Case, issues: tuple[Fact[Issue], ...]) -> list[Fact[Issue]]:
    return [
        fact
        for fact in issues
        if fact.body.status not in OVER
        and (fact.body.patient is None or case.is_me(fact.body.patient))
    ]


def _fell(running: Running, fact: Fact[Issue]) -> bool:
    return told_at(running.case.history.get(fact.key, (fact,))[-1]) <= until(running)


def crossmatch_incompatible(running: Running) -> tuple[Finding, ...]:
    """A crossmatch of the unit, often done after an emergency release, is incompatible."""
    found = [
        fact
        for fact in running.unit.crossmatches
        if fact.body.result == WORST_FIRST[0]
        and in_time(running, fact)
        and not _overtaken(running, fact)
    ]
    text = "The crossmatch of the unit is incompatible."
    keys = [fact.key for fact in found]
    return _told(running, "crossmatch-incompatible", text, keys) if found else ()


def _overtaken(running: Running, fact: Fact[CrossmatchResult]) -> bool:
    """Known at the start, and settled by a newer result of before the start (COMP-10)."""
    start = running.started_at
    at = fact.body.at.instant if fact.body.at is not None else None
    if at is None or at > start or told_at(fact) > start:
        return False
    newer = (
        other.body.at.instant
        for other in running.unit.crossmatches
        if other.body.result in SETTLING and other.body.at is not None
    )
    return any(instant is not None and at < instant <= start for instant in newer)


def group_changed(running: Running) -> tuple[Finding, ...]:
    """The patient's group is another one than at the start, or now known not to suit the unit."""
    if _lists_now(running):
        return ()
    start = running.started_at
    held = {f.key: f for f in at_start(running).of(GroupResult) if _known_at(running, f, start)}
    stands = {f.key: f for f in now(running).of(GroupResult) if _known(running, f, until(running))}
    keys = _moved(held, stands)
    if not keys:
        return ()
    before, after = _typed(held), _typed(stands)
    shown = (("group at the start", _shown(before)), ("group now", _shown(after)))
    other_abo = before.abo is not None and after.abo != before.abo
    other_rhd = None not in (before.rhd, after.rhd) and after.rhd != before.rhd
    if other_abo or other_rhd:
        text = "The patient's group was changed after the start."
        return _told(running, "recipient-group-changed", text, keys, shown)
    if before.abo is None and _refused(running, after):
        text = "The patient's group is now known and does not suit the unit."
        return _told(running, "recipient-group-incompatible", text, keys, shown)
    return ()


def list_changed(running: Running) -> tuple[Finding, ...]:
    """The laboratory's list of allowed groups, in place of the tables, now leaves the unit out."""
    before, after = _lists_then(running), _lists_now(running)
    keys = _moved({f.key: f for f in before}, {f.key: f for f in after})
    if not keys or not after:
        return ()
    groups = [fact.body.group for fact in running.unit.described if fact.body.group is not None]
    allowed = [group for group in groups if not before or is_listed(before, group)]
    out = [group for group in allowed if group.abo is not None and not is_listed(after, group)]
    if not out:
        return ()
    text = "The unit's group is no longer on the laboratory's list of allowed groups."
    listed = ", ".join(sorted(listed_by(after)))
    shown = (("unit", out[0].text), ("allowed groups now", listed))
    return _told(running, "group-no-longer-allowed", text, keys, shown)


def label_corrected(running: Running) -> tuple[Finding, ...]:
    """The unit's description was corrected after the start and differs from what was checked."""
    found: tuple[Correction, ...] = corrections(running)
    if not found:
        return ()
    text = "The unit's label was corrected after the start."
    shown = tuple(dict.fromkeys(pair for one in found for pair in one.shown))
    return _told(running, "label-corrected", text, [one.fact for one in found], shown)


def order_revoked(running: Running) -> tuple[Finding, ...]:
    """The order no longer stands while the unit runs: ask before going on."""
    if running.ended is not None:
        return ()
    for reason, text, orders in (
        ("order-revoked", "The order was revoked while the unit runs.", _revoked(running)),
        ("order-withdrawn", "The order was entered in error.", _withdrawn_orders(running)),
        ("order-forbids", "An order says that this component is not to be given.", _bans(running)),
        ("order-on-hold", "The order was put on hold while the unit runs.", _held(running)),
    ):
        if orders:
            row = running.policy.row("order-revoked-as", running.started_at)
            return _told(running, reason, text, orders, advice=row.words[0])
    return ()


def _revoked(running: Running) -> list[str]:
    return [o.key for o in running.orders if o.body.status == "revoked" or o.body.do_not_perform]


def _held(running: Running) -> list[str]:
    """Its authority is withdrawn for now: an order on hold that no active one stands beside."""
    active = any(order.body.status == "active" for order in running.orders)
    return [] if active else [o.key for o in running.orders if o.body.status == "on-hold"]


def _withdrawn_orders(running: Running) -> list[str]:
    """Orders that the unit was given under at the start, and that were retracted since."""
    then, unit = at_start(running), running.unit
    if then is running.case or unit.key is None:
        return []
    zone, start = running.site.zone, running.started_at
    held = linked(then, then.orders_of(then.unit(unit.key)), unit.component, start, zone)
    standing = {fact.key for fact in running.case.of(Order)}
    return [fact.key for fact in held if then.mine(fact) and fact.key not in standing]


def _bans(running: Running) -> list[str]:
    """Orders in force that forbid this component, whether or not the unit names them."""
    return [
        fact.key
        for fact in running.case.of(Order)
        if fact.body.do_not_perform
        and fact.body.status == "active"
        and (
            None in (fact.body.component, running.unit.component)
            or fact.body.component is running.unit.component
        )
        and _holds(running, fact.body)
    ]


def _holds(running: Running, order: Order) -> bool:
    opens = order.start.instant if order.start is not None else None
    if opens is not None and opens > running.started_at:
        return running.clock.reached(opens)
    return in_window(order, running.started_at, running.site.zone) is not False


NEWS: tuple[Callable[[Running], tuple[Finding, ...]], ...] = (
    unit_withdrawn,
    issue_withdrawn,
    crossmatch_incompatible,
    group_changed,
    list_changed,
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


def _known(running: Running, fact: Fact[Any], instant: datetime) -> bool:
    return known_by(fact.body.at, instant, running.site.zone)


def _known_at(running: Running, fact: Fact[Any], instant: datetime) -> bool:
    """Taken by an instant and told by then: a result bears the time of its sample."""
    return _known(running, fact, instant) and told_at(fact) <= instant


def _moved(held: dict[str, Fact[Any]], stands: dict[str, Fact[Any]]) -> list[str]:
    """The keys of facts that are new, gone, or stand in another version."""
    return sorted(k for k in held.keys() | stands.keys() if held.get(k) is not stands.get(k))


def _lists_then(running: Running) -> tuple[Fact[AllowedGroups], ...]:
    start = running.started_at
    lists = at_start(running).of(AllowedGroups)
    known = tuple(fact for fact in lists if _known_at(running, fact, start))
    return newest_lists(known, running.unit.component)


def _lists_now(running: Running) -> tuple[Fact[AllowedGroups], ...]:
    lists = now(running).of(AllowedGroups)
    known = tuple(fact for fact in lists if _known(running, fact, until(running)))
    return newest_lists(known, running.unit.component)


def _typed(results: dict[str, Fact[GroupResult]]) -> Typed:
    """The group by these results; an RhD type that was not read is no other type."""
    return typed_by(_as_read(fact) for fact in results.values())


def _as_read(fact: Fact[GroupResult]) -> Fact[GroupResult]:
    group = fact.body.group
    if group.rhd != UNRECOGNISED:
        return fact
    return replace(fact, body=replace(fact.body, group=replace(group, rhd=None)))


def _refused(running: Running, after: Typed) -> bool:
    table = TABLES.get(running.unit.component) if running.unit.component is not None else None
    abos = {fact.body.group.abo for fact in running.unit.described if fact.body.group is not None}
    if table is None or after.abo is None:
        return False
    cells = running.policy.matrix(table, running.started_at)
    return any(abo is not None and cells.cell(after.abo, abo) == "refuse" for abo in abos)


def _shown(typed: Typed) -> str:
    return f"{typed.text}, RhD {typed.rhd or 'unknown'}"
