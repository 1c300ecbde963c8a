"""Only what changed is sent; what is asked for no longer ends in a terminal status."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given

from service.assessment.desired import (
    Content,
    Desired,
    Issue,
    Key,
    Procedure,
    Request,
    To,
    UnitShown,
)
from service.facts.finding import Finding, Stage, Verdict
from service.facts.identity import Ref
from service.facts.moment import at
from service.facts.steps import StepCode
from service.facts.unit import UnitKey, UnitRef
from service.reconcile.difference import CONTENT, Moved, decode, difference, encode
from service.store.port import Attempt
from tests.support.apps import House
from tests.support.apps import house as opened
from tests.support.cases import CHECK_AT, START_AT, UNIT, UNIT_KEY, a_case, a_step
from tests.support.cases import a_start as start_of
from tests.support.contents import ANY
from tests.support.desired import (
    a_procedure,
    a_request,
    a_volume,
    an_event,
    an_issue,
    an_observed,
)
from tests.support.worlds import (
    BAG,
    WREN,
    a_check,
    a_start,
    an_end,
    ready,
    tell,
    token,
    vitals,
    with_fields,
)

PEOPLE = "person-1"
MINUTE = timedelta(minutes=1)
OTHER = UnitRef(din="A999925123457", product="E0398", division="000000", collection="V")
LATER = START_AT + timedelta(hours=1)


def want(content: Content, key: Key | None = None, **fields: object) -> Desired:
    kind = next(name for name, held in CONTENT.items() if isinstance(content, held))
    made = Desired(
        key=key or Key(kind, "U/1/000000", "X-1"),
        to=frozenset({To.RECORD_SYSTEM}),
        stream="U/1/000000",
        content=content,
    )
    return replace(made, **fields)  # type: ignore[arg-type]


def moved(wanted: list[Desired], held: list[Moved] | None = None) -> list[Moved]:
    emitted = [one.emitted for one in held or []]
    people = {one.key.text: PEOPLE for one in wanted}
    return difference(wanted, emitted, people, a_case())


EVERY: list[Content] = [
    a_procedure(),
    a_volume(),
    an_issue(),
    an_event(),
    a_request(),
    an_observed(),
]


class TestContents:
    """Content is compared as bytes; what is written is what is read back."""

    @pytest.mark.parametrize("content", EVERY, ids=lambda c: type(c).__name__)
    def test_there_and_back_one_of_each(self, content: Content) -> None:
        kind = next(name for name, held in CONTENT.items() if isinstance(content, held))
        again = decode(kind, encode(content))
        assert encode(again) == encode(content)
        assert again == content

    @given(content=ANY)
    def test_there_and_back(self, content: Content) -> None:
        kind = next(name for name, held in CONTENT.items() if isinstance(content, held))
        assert encode(decode(kind, encode(content))) == encode(content)


class TestWhatIsSent:
    """Rule 5: equal content is never sent twice; a change is sent once, as the next version."""

    @pytest.mark.parametrize("content", EVERY, ids=lambda c: type(c).__name__)
    def test_equal(self, content: Content) -> None:
        first = moved([want(content)])
        assert [(one.sends, one.emitted.version) for one in first] == [(True, 1)]
        assert moved([want(content)], first) == []

    def test_changed(self) -> None:
        first = moved([want(a_request(priority="routine"))])
        second = moved([want(a_request(priority="urgent"))], first)
        assert [(one.sends, one.emitted.version) for one in second] == [(True, 2)]

    def test_another_partner(self) -> None:
        first = moved([want(a_request())])
        both = frozenset(To)
        assert [one.sends for one in moved([want(a_request(), to=both)], first)] == [True]

    def test_a_basis_or_stream_alone_changes_nothing(self) -> None:
        first = moved([want(a_request())])
        assert moved([want(a_request(), basis=("Task/1",))], first) == []

    @pytest.mark.parametrize("status", ["completed", "cancelled"])
    def test_a_request_that_is_over_before_it_was_made(self, status: str) -> None:
        assert moved([want(a_request(status=status))]) == []

    def test_the_order_of_identity(self) -> None:
        wanted = [want(a_request(), Key("task", f"U/{n}/000000", "X")) for n in (3, 1, 2)]
        keys = [one.desired.key.subject for one in moved(wanted)]
        assert keys == ["U/1/000000", "U/2/000000", "U/3/000000"]


class TestWhatIsWithdrawn:
    """Rule 6: an identity that nothing asks for ends in a terminal status, once."""

    @pytest.mark.parametrize(
        ("content", "status"),
        [
            (a_procedure(), "entered-in-error"),
            (a_volume(), "entered-in-error"),
            (an_event(), "entered-in-error"),
            (a_request(), "cancelled"),
            (an_observed(), "entered-in-error"),
        ],
        ids=lambda value: value if isinstance(value, str) else type(value).__name__,
    )
    def test_its_terminal_status(self, content: Content, status: str) -> None:
        first = moved([want(content)])
        (ended,) = moved([], first)
        assert ended.desired.content.status == status
        assert (ended.emitted.state, ended.retires, ended.sends) == ("withdrawn", True, True)
        assert moved([], [ended]) == []

    def test_a_request_that_was_done_stays_done(self) -> None:
        first = moved([want(a_request())])
        done = moved([want(a_request(status="completed"))], first)
        (ended,) = moved([], done)
        assert ended.desired.content.status == "completed"
        assert (ended.sends, ended.emitted.state) == (False, "withdrawn")

    def test_an_issue_of_standing_facts_is_final(self) -> None:
        """The world moved on is not a retraction."""
        key = UnitKey("A999925123456", "E0398")
        finding = Finding(
            rule="PRE-11",
            reason="no-baseline",
            stage=Stage.CHECK,
            text="x",
            verdict=Verdict.AUTHORISE,
            unit=key,
            facts=("Task/check",),
        )
        issue = Issue(
            findings=(finding,), patient=Ref(kind="Patient"), status="final", severity="moderate"
        )
        first = moved([want(issue)])
        (ended,) = moved([], first)
        assert ended.desired.content.status == "final"
        assert ended.desired.content.mitigation  # type: ignore[union-attr]

    @pytest.mark.parametrize(
        ("judged", "changed", "since", "status"),
        [
            ("Task/start", {}, None, "final"),
            ("Task/gone", {}, None, "entered-in-error"),
            ("Task/start", {"retracted": True, "received": LATER}, None, "entered-in-error"),
            ("Task/start", {"received": LATER}, LATER, "entered-in-error"),
            ("Task/start", {"received": LATER}, LATER + MINUTE, "final"),
        ],
        ids=["stands", "unknown", "retracted", "corrected", "corrected-before-it-was-found"],
    )
    def test_an_issue_ends_with_the_step_that_was_judged(
        self, judged: str, changed: dict[str, Any], since: datetime | None, status: str
    ) -> None:
        """Retracting a start or a check retracts what was found of it; a correction that was known
        when the issue was written does not make it an error once the world moved on."""
        issue = replace(an_issue(findings=()), judged=judged)
        start = start_of()
        newer = [replace(start, version=2, stamp=None, **changed)] if changed else []
        case = a_case(start={}, extra=newer)
        first = moved([want(issue)])
        (ended,) = difference([], [one.emitted for one in first], {}, case, since)
        assert ended.desired.content.status == status

    @pytest.mark.parametrize(
        ("came", "since", "about", "status"),
        [
            (LATER, LATER, UNIT, "completed"),
            (LATER, None, UNIT, "completed"),
            (LATER, LATER, UnitRef(), "completed"),
            (LATER, LATER + MINUTE, UNIT, "cancelled"),
            (LATER, LATER, OTHER, "cancelled"),
        ],
        ids=["now", "first-look", "no-unit-named", "before", "another-unit"],
    )
    def test_a_request_that_the_ward_has_met(
        self, came: datetime, since: datetime | None, about: UnitRef, status: str
    ) -> None:
        """TIM-15: the set was changed; one changed before was not changed for this."""
        changed = replace(a_step(StepCode.CHANGE_SET, "Task/set", came, unit=about), received=came)
        shown = UnitShown(key=UNIT_KEY)
        first = moved([want(a_request(code="set-change", unit=shown))])
        case = a_case(start={}, extra=(changed,))
        (ended,) = difference([], [one.emitted for one in first], {}, case, since)
        assert ended.desired.content.status == status

    @pytest.mark.parametrize(
        ("rule", "since", "status"),
        [
            ("VIT-03", LATER, "mitigated"),
            ("VIT-03", LATER + MINUTE, "final"),
            ("COMP-11", LATER, "final"),
        ],
    )
    def test_an_issue_that_the_ward_dismissed(
        self, rule: str, since: datetime, status: str
    ) -> None:
        """A dismissal answers what screening found, when it ended it; a recall it does not."""
        said = a_step(StepCode.DISMISS_REACTION, "Task/no", LATER - MINUTE, end=at(LATER))
        said = replace(said, received=LATER)
        found = Finding(rule=rule, reason="x", stage=Stage.RUNNING, text="x")
        issue = replace(an_issue(findings=(found,)), judged=None, unit=UnitShown(key=UNIT_KEY))
        first = moved([want(issue)])
        case = a_case(start={}, extra=(said,))
        (ended,) = difference([], [one.emitted for one in first], {}, case, since)
        content = ended.desired.content
        assert isinstance(content, Issue)
        assert content.status == status
        done = (said.body.owner, at(LATER)) if status == "mitigated" else (None, None)
        assert (content.mitigated_by, content.mitigated_at) == done

    def test_that_it_may_come_back(self) -> None:
        first = moved([want(a_request())])
        ended = moved([], first)
        (again,) = moved([want(a_request())], ended)
        assert (again.sends, again.emitted.version, again.emitted.state) == (True, 3, "active")


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at="2027-06-08T09:04:00+00:00") as found:
        yield found


class TestThroughTheStore:
    """The same, as partners see it: rows in the outbox."""

    def test_that_repeated_messages_and_wakes_send_nothing(
        self, house: House, release: str
    ) -> None:
        said = (*ready(), a_check(), a_start())
        tell(house, said, release)
        house.settle()
        before = len(house.outbox())
        for _ in range(3):
            tell(house, said, release)
            for facility, person in (("harrow-vale", house.person(token(WREN))),):
                house.run(house.app.reconciler.reassess(facility, person))
        assert len(house.outbox()) == before

    def test_that_one_quiet_case_sends_little(self, house: House, release: str) -> None:
        """Nothing that only tells the time is content: a quiet unit is a handful of rows."""
        tell(house, (*ready(), a_check(), a_start()), release)
        for clock in ("10:20", "11:05"):
            house.until(f"2027-06-08T{int(clock[:2]) - 1:02d}:{clock[3:]}:00+00:00")
            tell(house, [vitals(WREN, clock)], release)
        house.until("2027-06-08T11:00:00+00:00")
        tell(house, [an_end()], release)
        house.until("2027-06-09T12:00:00+00:00")
        for partner in ("chart", "laboratory"):
            rows = [row for row in house.outbox(partner) if row.type != "Provenance"]
            assert len(rows) < 25, [(row.key, row.version) for row in rows]

    def test_that_what_nobody_was_told_is_not_taken_back(self, house: House, release: str) -> None:
        """A check in error whose issues never left: the terminal version goes nowhere either."""
        tell(house, ready(), release)
        check = a_check(leave_out=("spoken-confirmed",))
        tell(house, [check], release)
        house.until("2027-06-08T09:10:00+00:00")
        key = f"issue/{BAG.sid}/ID-04/"
        keys = {row.key for row in house.outbox() if row.key.startswith("issue/")}
        assert keys, key
        tell(house, [with_fields(check, status="entered-in-error")], release)
        states = {row.state for row in house.outbox() if row.key in keys}
        assert states == {"superseded"}

    @pytest.mark.parametrize("taken_back", ["start", "check"])
    def test_that_a_step_in_error_takes_its_issues_along(
        self, house: House, release: str, taken_back: str
    ) -> None:
        """Rule 6: what was found of a step that was not done is an error, not past history."""
        lacking = [one for one in ready() if one["R5"]["resourceType"] != "Consent"]
        check = a_check(leave_out=("spoken-confirmed",))
        steps = {"check": [check], "start": [a_start()]}[taken_back]
        tell(house, (*lacking, *steps), release)
        house.until("2027-06-08T09:10:00+00:00")
        held = house.contents(token(WREN))
        found = [key for key, one in held.items() if isinstance(one, Issue)]
        assert found
        tell(house, [with_fields(steps[0], status="entered-in-error")], release)
        rows = house.emitted(token(WREN))
        ends = {decode("issue", rows[key.text].content).status for key in found}
        assert ends == {"entered-in-error"}

    def test_that_what_was_told_is_taken_back(self, house: House, release: str) -> None:
        tell(house, (*ready(), a_check(), a_start()), release)
        key = f"procedure/{BAG.sid}//"
        rows = [row for row in house.outbox("chart") if row.key == key]
        house.rows("SELECT 1")
        attempt = _delivered(house, [row.id for row in rows])
        assert attempt
        tell(house, [with_fields(a_start(), status="entered-in-error")], release)
        last = [row for row in house.outbox("chart") if row.key == key][-1]
        assert (last.retires, last.state) == (True, "pending")
        assert b'"entered-in-error"' in last.body


def _delivered(house: House, ids: list[int]) -> bool:
    """Marks rows as delivered, as the delivery worker would."""
    now = house.clock.now()
    store = house.app.store
    streams = store.claim_streams("chart", now, limit=10, lease=now.replace(hour=23)).result()
    rows = [row for stream in streams for row in stream if row.id in ids]
    attempt = Attempt(
        rows=tuple(row.id for row in rows),
        partner="chart",
        at=now,
        outcome="delivered",
        status=200,
        detail="",
    )
    store.record(attempt, [replace(row, state="delivered", attempts=1) for row in rows]).result()
    return len(rows) == len(ids)


class TestStatusOverTime:
    """A unit's record keeps its identity from start to end."""

    def test_one_procedure(self, house: House, release: str) -> None:
        seen = []
        tell(house, (*ready(), a_check(), a_start()), release)
        for said in (None, an_end()):
            if said:
                tell(house, [said], release)
            record = house.contents(token(WREN))[Key("procedure", BAG.sid)]
            assert isinstance(record, Procedure)
            seen.append(record.status)
        assert seen == ["in-progress", "completed"]
        assert CHECK_AT.tzinfo is not None

    def test_the_reminder_that_was_met(self, house: House, release: str) -> None:
        tell(house, (*ready(), a_check(), a_start()), release)
        key = Key("task", BAG.sid, "next-observation")
        first = house.contents(token(WREN))[key]
        assert isinstance(first, Request)
        assert first.status == "requested"
        tell(house, [an_end(when="10:40")], release)
        house.until("2027-06-08T12:00:00+00:00")
        assert house.contents(token(WREN)).get(key, first).status != "in-progress"
