"""What was emitted and what arrived: the outbox against what the stand-ins hold."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import apsw

from service.bench.figures import Spread, spread

OPEN = "('pending', 'sent', 'parked')"
BACKLOG = f"SELECT count(*) FROM outbox WHERE state IN {OPEN}"  # noqa: S608
ROWS = """
SELECT partner, type || '/' || resource_id, body, state FROM outbox JOIN outbox_body USING (id)
WHERE state <> 'superseded' ORDER BY id
"""
LAGS = """
SELECT (a.at - o.created) / 1e6 FROM outbox o
JOIN attempt_row r ON r.row = o.id JOIN attempt a ON a.id = r.attempt
WHERE o.state = 'delivered' AND o.id > ?
"""
EMITTED = "SELECT count(*) FROM outbox WHERE id > ?"
LAST = "SELECT coalesce(max(id), 0) FROM outbox"

Witness = Mapping[str, Mapping[str, list[str]]]  # partner -> Type/id -> SHA-256 of each version


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """The outbox of one run.

    emitted: rows written after the mark. lag: seconds from the start of the intake
    that wrote a row to its recorded delivery. arrived, missing, wrong: of all rows of the
    installation, those that a stand-in holds byte for byte and in order, and the others.
    """

    emitted: int
    lag: Spread
    arrived: int
    missing: int
    wrong: int


class Outbox:
    """The outbox of a running installation, read beside it."""

    def __init__(self, path: Path) -> None:
        self._connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
        self._connection.set_busy_timeout(5000)

    def backlog(self) -> int:
        """Rows that are not delivered."""
        found: int = self._connection.execute(BACKLOG).get
        return found

    def mark(self) -> int:
        """The last row so far."""
        found: int = self._connection.execute(LAST).get
        return found

    def delivered(self, mark: int, held: Witness) -> Delivered:
        """Compares every row with what the stand-ins hold; counts and lags those after a mark."""
        lags = [row[0] for row in self._connection.execute(LAGS, (mark,))]
        sent = self._by_place()
        arrived = missing = wrong = 0
        for (partner, place), bodies in sent.items():
            there = held[partner].get(place, [])
            if there == bodies:
                arrived += len(bodies)
            elif len(there) < len(bodies):
                missing += len(bodies)
            else:
                wrong += len(bodies)
        strangers = sum(
            1 for partner, found in held.items() for place in found if (partner, place) not in sent
        )
        return Delivered(
            emitted=self._connection.execute(EMITTED, (mark,)).get,
            lag=spread(lags),
            arrived=arrived,
            missing=missing,
            wrong=wrong + strangers,
        )

    def close(self) -> None:
        """Closes the connection."""
        self._connection.close()

    def _by_place(self) -> dict[tuple[str, str], list[str]]:
        """(partner, Type/id) -> SHA-256 of every row's body, in order."""
        found: dict[tuple[str, str], list[str]] = defaultdict(list)
        for partner, place, body, _ in self._connection.execute(ROWS):
            found[(partner, place)].append(sha256(body).hexdigest())
        return found
