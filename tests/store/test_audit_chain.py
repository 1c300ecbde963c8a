"""A changed, removed or cut-off audit row is found out."""

from pathlib import Path

import apsw
import pytest

from service.store.sqlite import SqliteStore, open_store
from tests.support.committing import a_change
from tests.support.stored import ELSEWHERE, FACILITY, an_audit, commit

TAMPERING = {
    "a changed word": "UPDATE audit SET outcome = 'refused' WHERE seq = 3",
    "a flipped byte": "UPDATE audit SET detail = x'7b7e' WHERE seq = 3",
    "another instant": "UPDATE audit SET at = at + 1 WHERE seq = 5",
    "a row taken out": "DELETE FROM audit WHERE seq = 3",
    "the first row gone": "DELETE FROM audit WHERE seq = 1",
    "the last row gone": "DELETE FROM audit WHERE seq = 5",
    "two rows turned round": "UPDATE audit SET seq = CASE seq WHEN 2 THEN 30 ELSE seq END",
    "a row slipped in": "INSERT INTO audit SELECT 40, facility, at, 'x', who, outcome, subject, "
    "detail, chain FROM audit WHERE seq = 5",
    "the chain begun afresh": "DELETE FROM audit WHERE facility = 'harrow-vale'",
}


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "events.sqlite3")


@pytest.fixture
def store(path: str) -> SqliteStore:
    made = open_store(path)
    for number in range(5):
        commit(made, audit=(an_audit(f"action-{number}", detail=b"{}"),))
    commit(made, facility=ELSEWHERE, audit=(an_audit("there"),))
    return made


def tamper(path: str, sql: str) -> None:
    connection = apsw.Connection(path)
    connection.execute("DROP TRIGGER audit_stays; DROP TRIGGER audit_kept")
    connection.execute(sql).fetchall()
    connection.close()


class TestAuditChain:
    @pytest.mark.parametrize("sql", TAMPERING.values(), ids=TAMPERING)
    def test_finds_out(self, store: SqliteStore, path: str, sql: str) -> None:
        assert store.audit_fault(FACILITY) is None
        tamper(path, sql)
        assert store.audit_fault(FACILITY) is not None
        assert store.audit_fault(ELSEWHERE) is None
        store.close()

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE audit SET who = 'nobody'",
            "DELETE FROM audit",
            "UPDATE fact SET body = x'7b7d'",
            "UPDATE received SET body = x'7b7d'",
            "UPDATE resource SET body = x'7b7d'",
        ],
    )
    def test_is_not_the_only_guard(self, store: SqliteStore, path: str, sql: str) -> None:
        """What was said stays said: the database itself refuses to change it."""
        store.commit(a_change(1)).result(timeout=30)
        connection = apsw.Connection(path)
        with pytest.raises(apsw.ConstraintError):
            connection.execute(sql).fetchall()
        connection.close()
        store.close()
