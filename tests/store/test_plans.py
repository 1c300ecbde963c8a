"""Queries find their rows by an index: none that a request or a delivery waits for walks a table.

Not from a published source: the cost of one request must not grow with what is stored.
"""

import re

import apsw
import pytest

from service.store.sqlite import open_store
from service.store.sqlite.queries import QUERIES

# Asked by people, by checks of the whole store, or when two patients become one.
MAY_WALK = {
    "outbox_listed",
    "audit_links",
    "audited",
    "move_merged",
    "move_starts",
    "move_nudges",
}
# Taken in the order of an index and stopped by a limit.
IN_ORDER = {"nudged", "ready_streams", "set_audit_end"}
# One row, or a few, for each facility or partner.
FEW = re.compile(r"^SEARCH (audit_end|learned) ")
# Whatever shares no more than its facility or its partner with what is asked for is too much.
WALK = re.compile(
    r"^SCAN (?!.*VIRTUAL TABLE|CONSTANT ROW|waiting|sendable)|\((facility|partner)=\?\)$"
)


@pytest.fixture(scope="module")
def connection(tmp_path_factory: pytest.TempPathFactory) -> apsw.Connection:
    path = tmp_path_factory.mktemp("plans") / "store.sqlite3"
    open_store(path).close()
    return apsw.Connection(str(path))


def walked(connection: apsw.Connection, query: str) -> list[str]:
    """The steps of a query's plan that walk a table."""
    numbered = set(re.findall(r"\?\d+", query))
    values = ("x",) * (len(numbered) or query.count("?"))
    connection.create_scalar_function("audit_link", lambda *row: b"")
    steps = [row[3] for row in connection.execute("EXPLAIN QUERY PLAN " + query, values)]
    return [step for step in steps if WALK.search(step) and not FEW.match(step)]


@pytest.mark.parametrize("name", sorted(QUERIES.keys() - MAY_WALK - IN_ORDER))
def test_a_query_walks_no_table(connection: apsw.Connection, name: str) -> None:
    assert walked(connection, QUERIES[name]) == []


@pytest.mark.parametrize("name", sorted(IN_ORDER))
def test_a_walk_in_order_stops_by_itself(name: str) -> None:
    assert "LIMIT" in QUERIES[name]


def test_a_walk_would_be_seen(connection: apsw.Connection) -> None:
    assert walked(connection, "SELECT * FROM fact WHERE facility = ? AND kind = ?")
    assert walked(connection, "SELECT * FROM fact WHERE kind = ?")
