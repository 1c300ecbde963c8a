"""Databases are brought forward once, in order, copied first, and never by halves."""

import multiprocessing
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from service.errors import StoreUnfit
from service.store.sqlite import migrating, open_store
from service.store.sqlite.connection import connect
from service.store.sqlite.migrating import Migration, back_up, damage, migrate, migrations
from tests.support.stored import FACILITY, a_version, commit

SNAPSHOT = Path(__file__).with_name("schema.sql")
STEPS = 200  # many times what a copy takes
NUMBER = len(migrations()) + 1
NEXT = Migration(
    number=NUMBER,
    name=f"{NUMBER:04d}_more.sql",
    script="CREATE TABLE more (name TEXT) STRICT;",
)


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "events.sqlite3")


def bring(path: str, known: Sequence[Migration]) -> None:
    connection = connect(path)
    try:
        migrate(path, connection, known)
    finally:
        connection.close()


def tables(path: str) -> set[str]:
    connection = apsw.Connection(path)
    names = {str(row[0]) for row in connection.execute("SELECT name FROM sqlite_schema")}
    connection.close()
    return names


def schema_of(path: str) -> str:
    connection = apsw.Connection(path)
    query = "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY type, name"
    told = [str(row[0]) for row in connection.execute(query) if "sqlite_" not in str(row[0])]
    connection.close()
    return ";\n".join(told) + ";\n"


class TestFiles:
    """Migrations are numbered without gaps and say in words what they do."""

    def test_are_in_order(self) -> None:
        assert [one.number for one in migrations()] == list(range(1, len(migrations()) + 1))

    @pytest.mark.parametrize(
        "names",
        [["0002_second.sql"], ["0001_a.sql", "0003_b.sql"], ["1_a.sql"], ["0001-A.sql"]],
    )
    def test_misnamed_are_refused(self, tmp_path: Path, names: list[str]) -> None:
        for name in names:
            (tmp_path / name).write_text("SELECT 1;", encoding="utf-8")
        with pytest.raises(ValueError, match="was expected"):
            migrations(tmp_path)

    def test_together_make_the_schema_that_was_reviewed(self, path: str) -> None:
        """Update tests/store/schema.sql in the commit that adds a migration; never edit one."""
        open_store(path).close()
        assert schema_of(path) == SNAPSHOT.read_text(encoding="utf-8")


class TestMigrating:
    """Forward only, recorded, whole or not at all."""

    def test_makes_a_new_database_without_a_copy(self, path: str, tmp_path: Path) -> None:
        bring(path, migrations())
        assert "fact" in tables(path)
        assert list(tmp_path.glob("*before*")) == []

    def test_does_nothing_the_second_time(self, path: str, tmp_path: Path) -> None:
        bring(path, migrations())
        before = schema_of(path)
        bring(path, migrations())
        assert schema_of(path) == before
        assert list(tmp_path.glob("*before*")) == []

    def test_copies_a_database_in_use_before_changing_it(self, path: str) -> None:
        store = open_store(path)
        commit(store, resources=(a_version(),))
        bring(path, [*migrations(), NEXT])
        assert "more" in tables(path)
        assert "more" not in tables(f"{path}.before-{NUMBER:04d}")
        store.close()
        kept = open_store(f"{path}.before-{NUMBER:04d}")
        assert kept.head(FACILITY, "Observation", "v1") is not None
        kept.close()

    def test_refuses_a_database_of_newer_software(self, path: str) -> None:
        bring(path, [*migrations(), NEXT])
        with pytest.raises(StoreUnfit, match="newer software"):
            bring(path, migrations())

    def test_refuses_a_migration_that_was_changed_after_it_was_applied(self, path: str) -> None:
        bring(path, [*migrations(), NEXT])
        changed = replace(NEXT, script="CREATE TABLE other (name TEXT);")
        with pytest.raises(StoreUnfit, match=NEXT.name.removesuffix(".sql")):
            bring(path, [*migrations(), changed])

    def test_refuses_a_database_of_something_else(self, path: str) -> None:
        other = apsw.Connection(path)
        other.execute("CREATE TABLE theirs (name TEXT)")
        other.close()
        with pytest.raises(StoreUnfit, match="something else"):
            open_store(path)
        assert tables(path) == {"theirs"}

    def test_leaves_everything_as_it_was_when_a_step_fails(self, path: str) -> None:
        bring(path, migrations())
        before = schema_of(path)
        bad = replace(
            NEXT,
            number=NUMBER + 1,
            name=f"{NUMBER + 1:04d}_bad.sql",
            script="CREATE TABLE third (a); NONSENSE;",
        )
        with pytest.raises(StoreUnfit, match="brought forward"):
            open_store(path, [*migrations(), NEXT, bad])
        assert schema_of(path) == before
        open_store(path).close()

    def test_by_several_processes_at_once_is_done_by_one(self, path: str) -> None:
        spawn = multiprocessing.get_context("spawn")
        with spawn.Pool(3) as pool:
            results = pool.map(_opens, [path] * 6)
        assert results == ["ok"] * 6
        connection = apsw.Connection(path)
        assert connection.execute("SELECT count(*) FROM migration").get == len(migrations())
        connection.close()


def _opens(path: str) -> str:
    store = open_store(path)
    try:
        return "ok" if store.damage() is None else "damaged"
    finally:
        store.close()


class TestBackup:
    """A copy is of one moment, whole, and checked before it takes its name."""

    def test_of_a_database_in_use_can_be_opened(self, path: str, tmp_path: Path) -> None:
        store = open_store(path)
        for number in range(50):
            commit(store, resources=(a_version(f"v{number}"),))
        copy = tmp_path / "copy.sqlite3"
        store.backup(copy)
        commit(store, resources=(a_version("later"),))
        store.close()
        assert [file.name for file in tmp_path.glob("copy*")] == ["copy.sqlite3"]
        restored = open_store(copy)
        assert restored.search(FACILITY, "R4", "Observation", (), count=0).total == 50
        assert restored.damage() is None
        restored.close()

    def test_ends_while_others_keep_writing(
        self, path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A copy that began afresh at each write would not end while there are writes."""
        store = open_store(path)
        commit(store, resources=(a_version(body=b"x" * 1_000_000),))
        steps: list[str] = []

        def write(point: str) -> None:
            steps.append(point)
            assert len(steps) < STEPS, "it began afresh"
            commit(store, resources=(a_version(f"w{len(steps)}"),))

        monkeypatch.setattr(migrating, "PAGES", 20)
        monkeypatch.setattr(migrating, "reach", write)
        store.backup(tmp_path / "copy.sqlite3")
        monkeypatch.undo()
        store.close()
        restored = open_store(tmp_path / "copy.sqlite3")
        assert restored.search(FACILITY, "R4", "Observation", (), count=0).total == 1
        restored.close()
        assert len(steps) > 10

    def test_replaces_an_older_copy_whole(self, path: str, tmp_path: Path) -> None:
        store = open_store(path)
        copy = tmp_path / "copy.sqlite3"
        for number in range(2):
            commit(store, resources=(a_version(f"v{number}"),))
            store.backup(copy)
        store.close()
        restored = open_store(copy)
        assert restored.search(FACILITY, "R4", "Observation", (), count=0).total == 2
        restored.close()

    def test_of_a_damaged_database_never_takes_the_name(self, path: str, tmp_path: Path) -> None:
        store = open_store(path)
        for number in range(200):
            commit(store, resources=(a_version(f"v{number}"),))
        store.close()
        _scribble(path)
        source = apsw.Connection(path)
        assert damage(source) is not None
        with pytest.raises(StoreUnfit, match="damaged"):
            back_up(source, str(tmp_path / "copy.sqlite3"))
        source.close()
        assert not (tmp_path / "copy.sqlite3").exists()


def _scribble(path: str) -> None:
    """Overwrites the middle of a page of an index."""
    connection = apsw.Connection(path)
    root = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'resource_head'").get
    size = connection.execute("PRAGMA page_size").get
    connection.close()
    with Path(path).open("r+b") as file:
        file.seek((int(root) - 1) * int(size) + 8)
        file.write(b"\xff" * 200)
