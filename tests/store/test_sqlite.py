"""The embedded store keeps every promise of the port, on a database file."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store.sqlite import SqliteStore, open_store

pytest.register_assert_rewrite(
    "tests.store.contract.changes",
    "tests.store.contract.cases",
    "tests.store.contract.judgements",
    "tests.store.contract.outbox",
    "tests.store.contract.searching",
)

from tests.store.contract import cases, changes, judgements, outbox, searching  # noqa: E402


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.sqlite3"


@pytest.fixture
def again(path: Path) -> Iterator[Callable[[], SqliteStore]]:
    """Opens the database once more."""
    opened: list[SqliteStore] = []

    def open_again() -> SqliteStore:
        opened.append(open_store(path))
        return opened[-1]

    yield open_again
    for one in opened:
        one.close()


@pytest.fixture
def store(again: Callable[[], SqliteStore]) -> SqliteStore:
    return again()


class TestChanges(changes.Changes):
    pass


class TestResources(changes.Resources):
    pass


class TestPeople(changes.People):
    pass


class TestAudit(changes.Audit):
    pass


class TestLearned(changes.Learned):
    pass


class TestClosing(changes.Closing):
    pass


class TestCases(cases.Cases):
    pass


class TestCaseUnits(cases.CaseUnits):
    pass


class TestCaseNames(cases.CaseNames):
    pass


class TestCaseOfSeveral(cases.CaseOfSeveral):
    pass


class TestSnapshots(cases.Snapshots):
    pass


class TestClaims(cases.Claims):
    pass


class TestJudgements(judgements.Judgements):
    pass


class TestSearchByToken(searching.SearchByToken):
    pass


class TestSearchByReference(searching.SearchByReference):
    pass


class TestSearchByDate(searching.SearchByDate):
    pass


class TestSearchScope(searching.SearchScope):
    pass


class TestPaging(searching.Paging):
    pass


class TestClaiming(outbox.Claiming):
    pass


class TestGivingBack(outbox.GivingBack):
    pass


class TestFencing(outbox.Fencing):
    pass


class TestParking(outbox.Parking):
    pass


class TestSuperseding(outbox.Superseding):
    pass


class TestRetiring(outbox.Retiring):
    pass


class TestLooking(outbox.Looking):
    pass
