"""One change, written statement by statement inside its savepoint."""

from typing import Any

import apsw

from service.errors import Stale
from service.store.port import Change, OutboxRow, ResourceVersion
from service.store.sqlite.codec import ACT_KIND, encoded, fact_body, json_list, us
from service.store.sqlite.queries import QUERIES as Q


def write(connection: apsw.Connection, change: Change) -> None:
    """Checks every expectation and writes everything. Raises Stale."""
    _expect(connection, change)
    run = connection.execute
    facility = change.facility
    if change.received is not None:
        got = change.received
        run(
            Q["add_received"],
            (facility, got.id, got.source, us(got.at), got.release, got.interaction, got.body),
        )
    for resource in change.resources:
        _resource(connection, facility, resource)
    for source, url, type_, id_ in change.urls:
        run(Q["set_url"], (facility, source, url, type_, id_))
    _people(connection, change)
    _facts(connection, change)
    for person, act in change.acts:
        kind = ACT_KIND[type(act.body)]
        run(Q["add_act"], (facility, act.key, person, us(act.at), kind, encoded(act.body)))
    _emissions(connection, change)
    _starts(connection, change)
    for person, why in change.nudges:
        run(Q["add_nudge"], (facility, person, why))
    for nudge in change.nudges_done:
        run(Q["done_nudge"], (nudge,))
    for row in change.audit:
        run(
            Q["add_audit"],
            (facility, us(row.at), row.action, row.who, row.outcome, row.subject, row.detail),
        )


def _one(connection: apsw.Connection, name: str, values: tuple[Any, ...]) -> int:
    return connection.execute(Q[name], values).get or 0


def _expect(connection: apsw.Connection, change: Change) -> None:
    facility = change.facility
    for state in change.people:
        if _one(connection, "person_seq", (facility, state.person)) != state.seq:
            raise Stale(f"case {state.person} moved on")
    for unit, seq in change.expect_units:
        if _one(connection, "unit_seq", (facility, unit)) != seq:
            raise Stale(f"unit {unit} moved on")
    for type_, id_, version in change.expect_heads:
        if _one(connection, "head_version", (facility, type_, id_)) != version:
            raise Stale(f"{type_}/{id_} moved on")


def _resource(connection: apsw.Connection, facility: str, one: ResourceVersion) -> None:
    run = connection.execute
    place = (facility, one.type, one.id)
    run(Q["retire_head"], place)
    run(
        Q["add_resource"],
        (
            *place,
            one.version,
            one.release,
            one.source,
            us(one.at),
            one.digest,
            one.body,
            one.received,
            us(one.stamp),
            int(one.retracted),
            json_list(one.keys),
        ),
    )
    for key in one.keys:
        _key(connection, facility, one, key)
    run(Q["drop_values"], place)
    for value in one.values:
        run(
            Q["add_value"],
            (
                *place,
                value.param,
                value.kind,
                value.system,
                value.value,
                value.extra,
                us(value.low),
                us(value.high),
            ),
        )


def _key(connection: apsw.Connection, facility: str, one: ResourceVersion, key: str) -> None:
    """A key of a source names one resource; a second resource with it is a lost race."""
    owner = connection.execute(Q["key_owner"], (facility, one.source, one.type, key)).get
    if owner is None:
        connection.execute(Q["add_key"], (facility, one.source, one.type, key, one.id))
    elif owner != one.id:
        raise Stale(f"{key} is already {one.type}/{owner}")
    connection.execute(Q["add_identified"], (facility, one.type, key, one.id))


def _people(connection: apsw.Connection, change: Change) -> None:
    run = connection.execute
    facility = change.facility
    for state in change.people:
        run(
            Q["set_person"],
            (facility, state.person, state.seq + 1, us(state.as_of), us(state.next_wake)),
        )
    for old, new in change.merged:
        run(Q["merge_person"], (new, facility, old))
        for move in ("move_subjects", "move_acts", "move_emitted", "move_starts"):
            run(Q[move], (new, facility, old))
    for token, person in change.subjects:
        run(Q["set_subject"], (facility, token, person))


def _facts(connection: apsw.Connection, change: Change) -> None:
    run = connection.execute
    facility = change.facility
    for row in change.facts:
        fact = row.fact
        kind, body, named = fact_body(fact)
        run(
            Q["add_fact"],
            (
                facility,
                fact.key,
                fact.version,
                kind,
                fact.resource,
                row.subject,
                row.unit,
                fact.source,
                us(fact.received),
                us(fact.stamp),
                fact.digest,
                int(fact.retracted),
                named,
                body,
            ),
        )
    for unit in change.touched_units:
        run(Q["bump_unit"], (facility, unit))


def _emissions(connection: apsw.Connection, change: Change) -> None:
    run = connection.execute
    facility = change.facility
    for one in change.emitted:
        run(
            Q["set_emitted"],
            (
                facility,
                one.key,
                one.person,
                one.stream,
                one.kind,
                one.digest,
                one.version,
                one.content,
                ",".join(sorted(one.to)),
                int(one.critical),
                one.state,
            ),
        )
    for row in change.outbox:
        _outbox(connection, facility, row)


def _outbox(connection: apsw.Connection, facility: str, row: OutboxRow) -> None:
    """A terminal version of what nobody was ever told is not told either."""
    state = row.state
    place = (facility, row.partner, row.key)
    if row.retires and _one(connection, "touched", place) == 0:
        connection.execute(Q["supersede_all"], place)
        state = "superseded"
    connection.execute(
        Q["add_outbox"],
        (
            facility,
            row.partner,
            row.key,
            row.version,
            row.stream,
            row.group,
            row.type,
            row.resource_id,
            row.body,
            int(row.critical),
            us(row.created),
            state,
            int(row.retires),
        ),
    )


def _starts(connection: apsw.Connection, change: Change) -> None:
    """Keeps the starts of units, and gives each unit to the earliest."""
    run = connection.execute
    facility = change.facility
    units: set[str] = set()
    for start in change.starts:
        held = run(Q["started_unit"], (facility, start.step)).get
        if held is not None:
            units.add(held)
        if start.retracted:
            run(Q["drop_start"], (facility, start.step)).fetchall()
            continue
        units.add(start.unit)
        run(
            Q["set_start"],
            (
                facility,
                start.step,
                start.unit,
                start.subject,
                start.person,
                start.identifier,
                us(start.at),
            ),
        )
    for unit in sorted(units):
        run(Q["drop_claim"], (facility, unit))
        run(Q["set_claim"], (facility, unit))
