"""Stories: every step of a unit is told, in order, and alike in both releases."""

import dataclasses
from collections import Counter
from datetime import datetime, timedelta
from itertools import islice
from typing import Any

import pytest

from service.bench.prompts import tell
from service.fhir.edge.strict_json import dump, parse
from service.fhir.edge.structure import Release, check
from service.generate.plans import Plan, Reaction, plans
from service.generate.story import Habits, Message, told
from service.generate.traffic import shipped
from service.generate.vitals import CHANGES, SIGNS, mistyped
from service.generate.words import RELEASES
from tests.support.generated import CODES, SITE
from tests.support.validators import problems

UNLISTED = tuple(
    f"no codes known for {name}"
    for name in (
        *("administrative-gender", "request-intent", "request-status", "consent-state-codes"),
        *("consent-provision-type", "specimen-status"),
        "biologicallyderivedproductdispense-status",
    )
)
ALWAYS = ("issue", "check", "start", "end")


def messages(plan: Plan, *, routine: bool = False) -> list[Message]:
    """An order told."""
    return list(told(plan, 1, shipped(), Habits(), routine=routine))


@pytest.fixture(scope="module")
def ordinary() -> list[tuple[Plan, list[Message]]]:
    found = islice(plans(1, shipped(), routine=False), 250)
    return [(plan, messages(plan)) for plan in found]


@pytest.fixture(scope="module")
def routine() -> list[tuple[Plan, list[Message]]]:
    found = islice(plans(1, shipped(), routine=True), 120)
    return [(plan, messages(plan, routine=True)) for plan in found]


class TestEachUnit:
    """Order, group and screen, sample, issue, check, start, observations, end."""

    def test_that_messages_come_in_order(self, ordinary: list[tuple[Plan, list[Message]]]) -> None:
        for _, told_of in ordinary:
            assert [m.at for m in told_of] == sorted(m.at for m in told_of)
            assert [m.name for m in told_of][:1] == ["order"]

    def test_that_no_step_is_left_out(self, ordinary: list[tuple[Plan, list[Message]]]) -> None:
        for plan, told_of in ordinary:
            for unit in plan.units:
                names = Counter(m.name for m in told_of if m.unit == unit.index)
                assert [names[name] for name in ALWAYS] == [1, 1, 1, 1]

    def test_that_a_routine_unit_is_observed_as_the_policy_asks(
        self, routine: list[tuple[Plan, list[Message]]]
    ) -> None:
        """TIM-11 (S16, S32, S36): at 15 min; TIM-12: hourly; TIM-13: at the end."""
        for plan, told_of in routine:
            for unit in plan.units:
                names = Counter(m.name for m in told_of if m.unit == unit.index)
                assert names["final-observations"] == 1
                runs = unit.ends - unit.start
                if runs > timedelta(minutes=16):
                    assert names["first-observations"] == 1
                assert names["hourly-observations"] <= runs / timedelta(minutes=56)

    def test_that_what_is_defective_is_not_told(
        self, ordinary: list[tuple[Plan, list[Message]]]
    ) -> None:
        for plan, told_of in ordinary:
            for unit in plan.units:
                names = {m.name for m in told_of if m.unit == unit.index}
                for name in ("first-observations", "hourly-observations", "final-observations"):
                    assert not (name in unit.defects and name in names)

    def test_that_something_arrives_late_and_something_is_corrected(
        self, ordinary: list[tuple[Plan, list[Message]]]
    ) -> None:
        every = [m for _, told_of in ordinary for m in told_of]
        assert any(m.name == "correction" for m in every)
        late = [m for m in every if m.name.endswith("observations") and _lateness(m) > 15]
        assert late
        assert max(map(_lateness, late)) <= 2 * shipped().of("late")["quartile-3"] + 2


def _lateness(message: Message) -> float:
    """Minutes from the observation to its arrival."""
    (resource,) = (made("R4") for made in message.resources)
    taken = datetime.fromisoformat(resource["effectiveDateTime"])
    return (message.at - taken) / timedelta(minutes=1)


class TestBothReleases:
    """Every resource passes the door's structure check, and says the same in R4 and in R5."""

    @pytest.mark.parametrize("release", RELEASES)
    def test_that_the_structure_is_valid(
        self, ordinary: list[tuple[Plan, list[Message]]], release: Release
    ) -> None:
        seen: set[tuple[str, ...]] = set()
        for _, told_of in ordinary:
            for made in (made for m in told_of for made in m.resources):
                resource = parse(dump(made(release)))
                shape = (resource["resourceType"], *sorted(resource))
                if shape not in seen:
                    seen.add(shape)
                    assert check(resource, release) == (), resource["resourceType"]
        assert len(seen) > 12

    @pytest.mark.parametrize("release", RELEASES)
    def test_that_independent_validators_find_nothing(
        self, ordinary: list[tuple[Plan, list[Message]]], release: str
    ) -> None:
        """But for extensions and codes of types that are never sent out, which they do not list."""
        seen: set[tuple[str, str]] = set()
        for resource in (made(release) for _, m in ordinary for one in m for made in one.resources):
            shape = (resource["resourceType"], str(resource.get("code")))
            if shape not in seen:
                seen.add(shape)
                found = [text for text in problems(resource, release) if not _unlisted(text)]
                assert found == [], shape
        assert len(seen) > 15

    def test_that_the_facts_are_the_same(self, ordinary: list[tuple[Plan, list[Message]]]) -> None:
        for plan, told_of in ordinary[:80]:
            r4, r5 = (
                [_neutral(fact.body) for fact in tell(plan, told_of, name, SITE, CODES).facts]
                for name in RELEASES
            )
            assert r4 == r5

    def test_that_no_code_goes_unread(self, ordinary: list[tuple[Plan, list[Message]]]) -> None:
        """``tell`` refuses what is read with a warning, so that reading is the assertion."""
        for plan, told_of in ordinary[80:160]:
            assert tell(plan, told_of, "R4", SITE, CODES).facts


def _unlisted(problem: str) -> bool:
    return problem.startswith("extension ") or problem.endswith(UNLISTED)


def _neutral(body: Any) -> Any:
    """A body without what only one release has a place for: the time of day of a consent."""
    if type(body).__name__ == "ConsentRecord":
        return (type(body), body.in_force)
    return body


class TestReactions:
    """Signs and vital signs belong together, by category."""

    def reacting(self, category: str, *, severe: bool) -> tuple[Plan, list[Message]]:
        """A routine order whose only unit meets this reaction at 20 minutes."""
        plan = next(
            plan
            for plan in plans(1, shipped(), routine=True)
            if plan.component == "red_cells" and not plan.person.child and len(plan.units) == 1
        )
        (unit,) = plan.units
        onset = unit.start + timedelta(minutes=20)
        reaction = Reaction(category=category, severe=severe, onset=onset)
        ends = onset + timedelta(minutes=12)
        changed = dataclasses.replace(unit, reaction=reaction, ends=ends)
        plan = dataclasses.replace(plan, units=(changed,))
        return plan, messages(plan, routine=True)

    @pytest.mark.parametrize("severe", [False, True])
    @pytest.mark.parametrize("category", sorted(CHANGES))
    def test_that_values_move_as_far_as_the_category_says(
        self, category: str, severe: bool
    ) -> None:
        _, told_of = self.reacting(category, severe=severe)
        sets = [m.body("R4") for m in told_of if m.name.endswith(("observations", "baseline"))]
        before, worst = _values(sets[0]), _values(sets[2])
        for word, change in CHANGES[category].items():
            moved = worst[word] - before[word]
            assert moved * change > 0, (word, moved)

    @pytest.mark.parametrize("category", sorted(SIGNS))
    def test_that_the_ward_reports_the_signs(self, category: str) -> None:
        _, told_of = self.reacting(category, severe=True)
        (report,) = (m.body("R5") for m in told_of if m.name == "suspect-reaction")
        words = [
            given["valueCodeableConcept"]["coding"][0]["code"]
            for given in report["input"]
            if given["type"]["coding"][0]["code"] == "sign"
        ]
        assert words == [word for part in SIGNS[category] for word in part]

    def test_that_the_bag_comes_down_for_a_reason(self) -> None:
        _, told_of = self.reacting("febrile", severe=False)
        (ended,) = (m.body("R4") for m in told_of if m.name == "end")
        assert "reason" in {given["type"]["coding"][0]["code"] for given in ended["input"]}
        assert [m.name for m in told_of if m.name in ("interrupt", "end")] == ["interrupt", "end"]


WORDS = {
    "8310-5": "temperature",
    "8867-4": "heart_rate",
    "9279-1": "respiratory_rate",
    "8480-6": "systolic",
    "8462-4": "diastolic",
    "59408-5": "saturation",
}


def _values(panel: dict[str, Any]) -> dict[str, float]:
    return {
        WORDS[part["code"]["coding"][0]["code"]]: part["valueQuantity"]["value"]
        for part in panel["component"]
    }


@pytest.mark.parametrize(("right", "typed"), [(36.9, 39.6), (36.4, 34.6), (37.0, 30.7)])
def test_that_the_last_two_digits_change_places(right: float, typed: float) -> None:
    assert mistyped(right) == typed
