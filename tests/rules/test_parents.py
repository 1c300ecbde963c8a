"""PRE-05 for splits and pools: what was withdrawn stays withdrawn in what was made from it."""

from dataclasses import replace

import pytest

from service.facts.case import Case
from service.facts.finding import Finding, Verdict
from service.facts.records import UNRECOGNISED
from service.facts.unit import UnitRef
from service.rules.preparation_unit import status
from tests.support.cases import UNIT, a_case, a_unit, pre_start

POOL = replace(UNIT, din="A999925000777")
DONATION = replace(UNIT, din="A999925000778")


def made_from(word: str | None, *, further: bool = False) -> Case:
    """A unit made from another one, or from one that was itself made from another."""
    first = a_unit(key="BiologicallyDerivedProduct/p1", unit=POOL, status=word)
    second = a_unit(
        key="BiologicallyDerivedProduct/p1", unit=POOL, status="unavailable", parents=(DONATION,)
    )
    last = a_unit(key="BiologicallyDerivedProduct/p2", unit=DONATION, status=word)
    extra = (second, last) if further else (first,)
    return a_case(unit={"parents": (UnitRef(din="A999925000001"), POOL, UNIT)}, extra=extra)


def told(case: Case) -> Finding:
    (found,) = status(pre_start(case))
    return found


class TestParents:
    """Recalled and quarantined follow a unit into what was made from it (derived)."""

    @pytest.mark.parametrize("further", [False, True])
    @pytest.mark.parametrize("word", ["recalled", "quarantined", UNRECOGNISED])
    def test_withdrawn(self, word: str, further: bool) -> None:
        found = told(made_from(word, further=further))
        assert (found.verdict, found.reason) == (Verdict.REFUSE, f"parent-{word}")

    @pytest.mark.parametrize("word", ["available", "unavailable", "discarded", None])
    def test_used_up(self, word: str | None) -> None:
        """That a unit is gone is what becomes of one that was split or pooled."""
        assert told(made_from(word)).verdict is Verdict.NO_OBJECTION
