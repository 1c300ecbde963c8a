"""Queries stand in one file, by name, each with what it is for; all are used and none is slow."""

import re
from importlib.resources import files
from pathlib import Path

import apsw
import pytest

import service.store.sqlite as room
from service.store.sqlite import open_store
from service.store.sqlite.queries import COLUMNS, QUERIES, read

ROOM = Path(room.__file__).parent
SCANS = {"outbox_listed"}  # newest first, up to a limit


@pytest.fixture(scope="module")
def connection(tmp_path_factory: pytest.TempPathFactory) -> apsw.Connection:
    path = tmp_path_factory.mktemp("queries") / "events.sqlite3"
    open_store(path).close()
    made = apsw.Connection(str(path))
    made.create_scalar_function("audit_link", lambda *_: b"")
    return made


class TestReading:
    """The parser: forty lines that must not guess."""

    def test_takes_what_follows_a_name_without_its_comments(self) -> None:
        one = "-- name: one\n-- Why.\nSELECT 1,\n  -- here too\n  2;\n"
        two = "-- name: two\n-- Why.\nSELECT 2"
        assert read(f"-- preface\n\n{one}\n{two}") == {"one": "SELECT 1,\n  2", "two": "SELECT 2"}

    def test_puts_columns_in_their_place(self) -> None:
        for place, columns in COLUMNS.items():
            assert read(f"-- name: q\n-- Why.\nSELECT {place};") == {"q": f"SELECT {columns}"}

    @pytest.mark.parametrize(
        ("text", "fault"),
        [
            ("-- name: q\n-- Why.\nSELECT 1;\n-- name: q\n-- Why.\nSELECT 2;", "twice"),
            ("-- name: q\nSELECT 1;", "what it is for"),
            ("-- name: q\n-- Why.\n", "empty"),
        ],
    )
    def test_refuses(self, text: str, fault: str) -> None:
        with pytest.raises(ValueError, match=fault):
            read(text)

    def test_finds_every_name_of_the_file(self) -> None:
        text = files("service.store.sqlite").joinpath("queries.sql").read_text(encoding="utf-8")
        assert list(QUERIES) == re.findall(r"^-- name: (\w+)$", text, re.M)


class TestQueries:
    """Every query is understood by the schema, used, and led by an index."""

    def test_are_all_used_by_name(self) -> None:
        code = "\n".join(file.read_text(encoding="utf-8") for file in ROOM.glob("*.py"))
        assert [name for name in QUERIES if f'"{name}"' not in code] == []

    @pytest.mark.parametrize("name", QUERIES)
    def test_are_understood_and_scan_no_table(self, connection: apsw.Connection, name: str) -> None:
        query = QUERIES[name]
        numbered = re.findall(r"\?(\d+)", query)
        count = max(map(int, numbered)) if numbered else query.count("?")
        plan = connection.execute(f"EXPLAIN QUERY PLAN {query}", ("[]",) * count)
        steps = [str(row[3]) for row in plan]
        small = ("json_each", "waiting", "sendable", "SUBQUERY", "CONSTANT ROW", "j ", "j")
        scans = [
            step
            for step in steps
            if step.startswith("SCAN")
            and not step.removeprefix("SCAN ").startswith(small)
            and "USING" not in step
        ]
        assert scans == [] or name in SCANS, steps
