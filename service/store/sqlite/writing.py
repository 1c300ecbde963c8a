"""One change as a list of statements: made where it is asked for, run in its savepoint."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import apsw

from service.errors import Stale
from service.facts.fact import KIND_OF
from service.facts.naming import own_names, unit_resources
from service.fhir.search import SearchValue
from service.store.port import Change, FactRow, OutboxRow, ResourceVersion, UnitStart
from service.store.sqlite.codec import ACT_KIND, encoded, json_list, json_rows, span, us
from service.store.sqlite.queries import QUERIES

# Name of a query, its values, and what is stale when it does not answer with a true value.
Statement = tuple[str, tuple[Any, ...], str | None]


def run(connection: apsw.Connection, statements: Iterable[Statement]) -> None:
    """Runs a change's statements. Raises Stale at the first expectation that does not hold."""
    for name, values, stale in statements:
        held = connection.execute(QUERIES[name], values).get
        if stale is not None and not held:
            raise Stale(stale)


def statements(change: Change) -> Sequence[Statement]:
    """Every expectation of a change, then everything that it writes."""
    return tuple(_all(change))


def _all(change: Change) -> Iterator[Statement]:
    facility = change.facility
    yield from _expectations(change)
    if change.received is not None:
        got = change.received
        values = (got.id, got.source, us(got.at), got.release, got.interaction, got.body)
        yield "add_received", (facility, *values), None
    for resource in change.resources:
        yield from _resource(facility, resource)
    for url in change.urls:
        yield "set_url", (facility, *url), None
    yield from _people(change)
    for row in change.facts:
        yield from _fact(facility, row)
    for unit in change.touched_units:
        yield "bump_unit", (facility, unit), None
    yield from _decided(change)
    for start in change.starts:
        yield from _start(facility, start, dict(change.merged))
    for person, why in change.nudges:
        yield "add_nudge", (facility, person, why), None
    for nudge in change.nudges_done:
        yield "done_nudge", (nudge,), None
    for audit in change.audit:
        event = (audit.action, audit.who, audit.outcome, audit.subject, audit.detail)
        yield "add_audit", (facility, us(audit.at), *event), None
        yield "set_audit_end", (facility,), None


def _expectations(change: Change) -> Iterator[Statement]:
    facility = change.facility
    for state in change.people:
        stale = f"case {state.person} moved on"
        yield "person_holds", (facility, state.person, state.seq), stale
    for unit, seq in change.expect_units:
        yield "unit_holds", (facility, unit, seq), f"unit {unit} moved on"
    for token, person in change.expect_subjects:
        stale = f"{token} was given to somebody"
        yield "subject_holds", (facility, token, person or ""), stale
    for type_, id_, version in change.expect_heads:
        yield "head_holds", (facility, type_, id_, version), f"{type_}/{id_} moved on"


def _resource(facility: str, one: ResourceVersion) -> Iterator[Statement]:
    place = (facility, one.type, one.id)
    if one.version > 1:
        yield "retire_head", place, None
    said = (one.version, one.release, one.source, us(one.at), one.digest, one.body)
    more = (one.received, us(one.stamp), int(one.retracted), json_list(one.keys))
    yield "add_resource", (*place, *said, *more), None
    for key in one.keys:
        owned = (facility, one.source, one.type, key, one.id)
        yield "add_key", owned, None
        yield "key_holds", owned, f"{key} is already another {one.type}"
        yield "add_identified", (facility, one.type, key, one.id), None
    if one.version > 1:
        yield "drop_values", place, None
    if one.values:
        yield "add_values", (*place, json_rows(map(_value, one.values))), None


def _value(value: SearchValue) -> tuple[str | int | None, ...]:
    said = (value.param, value.kind, value.system, value.value, value.extra)
    return (*said, *span(value))


def _people(change: Change) -> Iterator[Statement]:
    facility = change.facility
    for state in change.people:
        values = (state.person, state.seq + 1, us(state.as_of), us(state.next_wake))
        yield "set_person", (facility, *values), None
    for old, new in change.merged:
        for move in ("merge_person", "move_merged", "move_subjects", "move_acts"):
            yield move, (facility, old, new), None
        for move in ("move_emitted", "move_starts", "move_nudges"):
            yield move, (facility, old, new), None
        yield "drop_judged", (facility, old), None
    for token, person in change.subjects:
        yield "set_subject", (facility, token, person), None


def _fact(facility: str, row: FactRow) -> Iterator[Statement]:
    fact = row.fact
    place = (fact.key, fact.version, KIND_OF[type(fact.body)], fact.resource)
    # Every version of a resource that does not state a fact withdraws it again; see missing_facts.
    kept = "add_withdrawal" if fact.retracted else "add_fact"
    yield kept, (facility, *place, row.subject, row.unit, encoded(fact)), None
    for name in sorted(own_names(fact)):
        yield "add_fact_name", (facility, name, fact.resource), None
    if row.subject is not None:
        for unit in sorted({*unit_resources(fact), *([row.unit] if row.unit else [])}):
            yield "add_unit_subject", (facility, unit, row.subject), None


def _decided(change: Change) -> Iterator[Statement]:
    """Acts, emissions and rows to send; those of a merged person are the other's."""
    facility = change.facility
    merged = dict(change.merged)
    for person, act in change.acts:
        owner = merged.get(person, person)
        kind = ACT_KIND[type(act.body)]
        yield "add_act", (facility, act.key, owner, us(act.at), kind, encoded(act.body)), None
    for person, body in change.judged:
        if person not in merged:
            yield "set_judged", (facility, person, body), None
    for one in change.emitted:
        owner = merged.get(one.person, one.person)
        content = (one.digest, one.version, one.content, ",".join(sorted(one.to)))
        values = (one.key, owner, one.stream, one.kind, *content, int(one.critical), one.state)
        yield "set_emitted", (facility, *values), f"{one.key} was decided by somebody else"
    for row in change.outbox:
        yield from _outbox(facility, row)
    for partner, stream in dict.fromkeys((row.partner, row.stream) for row in change.outbox):
        yield "refresh_stream", (partner, facility, stream), None


def _outbox(facility: str, row: OutboxRow) -> Iterator[Statement]:
    if row.retires:
        yield "supersede_untold", (facility, row.partner, row.key), None
    what = (row.partner, row.key, row.version, row.stream, row.group, row.type, row.resource_id)
    how = (int(row.critical), us(row.created), int(row.retires), row.state)
    yield "add_outbox", (facility, *what, *how), None
    yield "add_body", (row.body,), None


def _start(facility: str, start: UnitStart, merged: dict[str, str]) -> Iterator[Statement]:
    yield "drop_start", (facility, start.step), None
    if not start.retracted:
        person = merged.get(start.person, start.person)
        who = (start.unit, start.subject, person, start.identifier, us(start.at))
        yield "add_start", (facility, start.step, *who), None
