"""Few prompts, or they are ignored (S104): a clean unit none, ordinary traffic within the budget.

The rules catalogue's budget: a clean routine unit 0 prompts; at most 1 prompt per 10 units and 1
authorisation per 100. This is the short form; the long one is
``transfusion-events bench prompts --units 10000``, and with ``--ordinary``.
"""

from dataclasses import replace

import pytest

from service.bench.prompts import Prompts, by_habits, count, tell
from service.cli import main
from service.errors import BenchFault
from service.generate.stream import orders
from service.generate.traffic import shipped
from service.policy.files import mappings
from service.policy.load import profiles
from tests.support.generated import CODES, SITE
from tests.support.policies import profile, with_rows

Capture = pytest.CaptureFixture[str]
PROFILES = {name: profile(name) for name in profiles(mappings())}


def counted(units: int, *names: str, routine: bool, seed: int = 1) -> dict[str, Prompts]:
    """What is asked about generated units, by profile."""
    found = {name: Prompts() for name in names}
    for habits, alike in by_habits({name: PROFILES[name] for name in names}).items():
        made = orders(units, seed, shipped(), routine=routine, habits=habits)
        for plan, messages in made:
            told = tell(plan, messages, "R4", SITE, CODES)
            for name in alike:
                count(told, PROFILES[name], SITE, found[name])
    return found


@pytest.fixture(scope="module")
def routine() -> dict[str, Prompts]:
    """300 clean units under every profile."""
    return counted(300, *PROFILES, routine=True)


@pytest.fixture(scope="module")
def ordinary() -> Prompts:
    """600 units with all that goes wrong in a hospital."""
    return counted(600, "default", routine=False)["default"]


@pytest.mark.parametrize("name", sorted(PROFILES))
class TestACleanRoutineUnit:
    """Nothing is asked, nothing is advised, and the ward has no Task beyond the schedule."""

    def test_that_nobody_is_prompted(self, routine: dict[str, Prompts], name: str) -> None:
        assert routine[name].units == 300
        assert dict(routine[name].asked) == {}
        assert routine[name].total == 0

    def test_that_no_unit_is_advised_against(self, routine: dict[str, Prompts], name: str) -> None:
        assert dict(routine[name].advised) == {}

    def test_that_no_task_is_beyond_the_schedule(
        self, routine: dict[str, Prompts], name: str
    ) -> None:
        assert routine[name].reminders == 0, dict(routine[name].tasks)
        assert routine[name].within_budget(routine=True)

    def test_that_every_check_was_answered(self, routine: dict[str, Prompts], name: str) -> None:
        assert set(routine[name].verdicts) <= {"no-objection", "note"}
        assert routine[name].verdicts.total() == 300


class TestOrdinaryTraffic:
    """At most one prompt per 10 units and one authorisation per 100; and something is asked."""

    def test_that_the_budget_is_kept(self, ordinary: Prompts) -> None:
        assert 0 < ordinary.total <= ordinary.units / 10, dict(ordinary.asked)
        assert ordinary.authorisations <= ordinary.units / 100, dict(ordinary.asked)

    def test_that_what_was_left_out_is_asked_for(self, ordinary: Prompts) -> None:
        """PRE-11 (S16, S32, S36): a missing baseline is a caution."""
        assert any(said[1] == "PRE-11" for said in ordinary.asked)
        assert ordinary.reminders > 0


class TestTheCountItself:
    """It counts what it says, and fails where the budget is exceeded."""

    def test_that_a_stricter_policy_is_seen(self) -> None:
        """Of a baseline that may be 3 minutes old every unit's check says that it is too old."""
        strict = with_rows({"baseline-age": 3})
        found = Prompts()
        for plan, messages in orders(6, 1, shipped(), routine=True):
            count(tell(plan, messages, "R5", SITE, CODES), strict, SITE, found)
        assert found.prompted == found.units == 6
        assert found.acknowledgements == 6, "at the start the check's caution is not said again"
        assert {said[:2] for said in found.asked} == {("check", "PRE-11")}
        assert not found.within_budget(routine=True)
        assert not found.within_budget(routine=False)

    def test_that_one_in_ten_is_the_most(self) -> None:
        assert Prompts(units=100, refusals=10).within_budget(routine=False)
        assert not Prompts(units=100, refusals=11).within_budget(routine=False)
        assert Prompts(units=100, authorisations=1).within_budget(routine=False)
        assert not Prompts(units=100, authorisations=2).within_budget(routine=False)

    def test_that_a_message_with_a_code_nobody_knows_is_refused(self) -> None:
        plan, messages = next(orders(1, 1, shipped(), routine=True))
        start = next(m for m in messages if m.name == "start")
        strange = start.body("R4") | {"code": {"coding": [{"system": "urn:x", "code": "y"}]}}
        spoilt = replace(start, resources=(lambda _: strange,))
        with pytest.raises(BenchFault, match="Task: "):
            tell(plan, [m if m is not start else spoilt for m in messages], "R4", SITE, CODES)


class TestTheCommand:
    """``bench prompts`` prints the figure per profile and fails beyond the budget."""

    def test_that_clean_units_pass(self, capsys: Capture) -> None:
        assert main(["bench", "prompts", "--units", "4", "--profile", "uk"]) == 0
        out = capsys.readouterr().out
        assert "4 routine units, R4" in out
        assert "uk       0.0000 prompts per unit at check and start" in out

    def test_that_too_many_prompts_fail(self, capsys: Capture) -> None:
        ordinary = ["bench", "prompts", "--units", "12", "--seed", str(TROUBLED), "--ordinary"]
        assert main([*ordinary, "--profile", "default", "--release", "R5"]) == 1
        assert "12 ordinary units, R5" in capsys.readouterr().out


TROUBLED = 3  # a seed whose first 12 units are objected to more often than the budget allows
