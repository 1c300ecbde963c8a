"""Fills an installation with patients whose unit runs, before anything is measured.

Usage: python -m service.bench.preparing SETTINGS FIRST COUNT BEGIN RATE
Goes through the same planning, assessing and storing as a request, without HTTP. The n-th patient's
unit was hung so long before its panel is planned that the panel is the first observation, in time.
"""

import asyncio
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path

from service.app import Application, build
from service.bench import ward
from service.clock import HandClock
from service.fhir.edge.strict_json import dump, parse
from service.reconcile.intake import Caller, Entry, Intake
from service.settings import load

OBSERVED = timedelta(minutes=12)  # from the start to the panel: within the first observation's time
AT_ONCE = 32


def hung_at(number: int, begin: datetime, rate: float) -> datetime:
    """When the n-th patient's unit was hung, for panels sent from ``begin`` on."""
    return begin + timedelta(seconds=number / rate) - OBSERVED


def patients(first: int, count: int, begin: datetime, rate: float) -> Iterator[ward.Patient]:
    """The patients with these numbers."""
    for number in range(first, first + count):
        yield ward.patient(number, hung_at(number, begin, rate))


async def prepare(application: Application, who: Iterator[ward.Patient]) -> None:
    """Stores patients, ``AT_ONCE`` at a time so that one commit carries several."""
    caller = Caller(facility="harrow-vale", source="ward", actor="ward")

    async def lane() -> None:
        for one in who:
            resources = [*ward.admitted(one), *ward.hung(one, one.bags[0])]
            entries = tuple(
                Entry(method="POST", type=found["resourceType"], resource=parse(dump(found)))
                for found in resources
            )
            intake = Intake(
                caller=caller, release="R4", interaction="transaction", body=b"", entries=entries
            )
            await application.reconciler.receive(intake)

    await asyncio.gather(*(lane() for _ in range(AT_ONCE)))


@asynccontextmanager
async def _open(settings: Path, now: datetime) -> AsyncIterator[Application]:
    application = build(load(settings), clock=HandClock(now))
    try:
        yield application
    finally:
        application.store.close()


async def main(settings: Path, first: int, count: int, begin: datetime, rate: float) -> None:
    """Prepares as if it were the instant at which the measurement begins."""
    async with _open(settings, begin) as application:
        await prepare(application, patients(first, count, begin, rate))


if __name__ == "__main__":
    path, first, count, begin, rate = sys.argv[1:]
    asyncio.run(
        main(Path(path), int(first), int(count), datetime.fromisoformat(begin), float(rate))
    )
