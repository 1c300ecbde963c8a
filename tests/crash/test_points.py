"""A 2xx survives a killed process, and partners hold each version once (the promise of README).

Each named point is reached five times in one world, at five different arrivals; after each end the
service starts again. Then three histories are compared: what was acknowledged, what is stored,
what the partners received.
"""

import random
import time
from pathlib import Path

import pytest

from service.faults import POINTS
from tests.crash.rig import PARTNERS, Rig, minutes_ago, panel, recalled, world

KILLS = 5
PATIENCE = 120  # s; what a killed process had claimed is sent again only when its claim lapses
PATIENTS = 3
ARRIVALS = 6
# A wake comes by the clock: the first observation of a unit is overdue 20 min after its start.
WAKE = "wake-before-commit"
ALMOST_OVERDUE = 20 - 0.005


@pytest.mark.parametrize("point", POINTS)
def test_nothing_acknowledged_is_lost_or_doubled(point: str, tmp_path: Path) -> None:
    chance = random.Random(point)
    rig = Rig(tmp_path)
    with rig.standins():
        rig.start()
        for resource in world(PATIENTS, minutes_ago(10)):
            rig.insist(resource)
        number = 0
        while rig.crashes < KILLS:
            rig.stop()
            rig.start(f"{point}:{1 if point == WAKE else chance.randint(1, ARRIVALS)}")
            number = _until_crash(rig, number, wakes=point == WAKE)
        rig.quiet()
        rig.stop()

        assert rig.sound()
        assert rig.lost() == set()
        assert rig.partial() == []
        assert [rig.wrong_at(partner) for partner in PARTNERS] == [[], []]
        assert rig.crashes == KILLS
        assert number >= KILLS


def _until_crash(rig: Rig, number: int, *, wakes: bool) -> int:
    """Sends news until the service ends at its point and everything is acknowledged."""
    before = rig.crashes
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        number += 1
        patient = number % PATIENTS
        rig.insist(panel(patient, number, minutes_ago(0)))
        rig.insist(recalled(patient, number))
        if wakes:
            for resource in world(1, minutes_ago(ALMOST_OVERDUE), first=PATIENTS + number):
                rig.insist(resource)
            time.sleep(0.2)
        if rig.crashes > before:
            return number
        time.sleep(0.05)
    raise AssertionError("the point was not reached")
