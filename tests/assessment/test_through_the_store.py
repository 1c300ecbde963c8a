"""A unit and a notice through the doors: what partners are sent, and what they reply."""

import json
from collections.abc import Iterator
from datetime import timedelta

import httpx
import pytest

from service.assessment.desired import Event, Issue, Request
from service.facts.acts import NoticeEscalated, NoticeWithdrawn
from service.fhir.own import EMITTED_SYSTEM
from service.store.port import OutboxRow
from tests.support.apps import House, Json, issues
from tests.support.apps import house as opened
from tests.support.authoring import steps
from tests.support.authoring.words import at
from tests.support.bedsides import moment, with_inputs
from tests.support.worlds import (
    BAG,
    PIKE,
    WREN,
    a_check,
    a_start,
    an_end,
    answered,
    ready,
    tell,
    token,
    vitals,
    with_fields,
)

NOTICE = f"{BAG.sid}/1"


@pytest.fixture
def house() -> Iterator[House]:
    with opened(at=at("09:58")) as found:
        yield found


def checked() -> list[object]:
    second = (moment("10:00") + timedelta(seconds=30)).isoformat()
    return [with_inputs(a_check(), {"second-checked-at": ("DateTime", second)}), a_start()]


def running(house: House, release: str) -> list[Json]:
    house.until(moment("10:06"))
    return tell(house, (*ready(), *checked()), release)  # type: ignore[arg-type]


def fever(house: House, release: str, clock: str = "10:20") -> None:
    house.until(moment(clock))
    tell(house, [vitals(WREN, clock, temperature=39.2)], release)
    house.settle()


class TestACleanRoutineUnit:
    """Few prompts, or they are ignored: a clean unit raises none from check to end."""

    def test_no_prompt(self, house: House, release: str) -> None:
        entries = running(house, release)
        words = [answered(one) for one in entries if one["resource"]["resourceType"] == "Task"]
        assert words == ["no-objection", "no-objection"]
        for clock in ("10:20", "11:05"):
            house.until(moment(clock))
            tell(house, [vitals(WREN, clock)], release)
            self._quiet(house)
        house.until(moment("12:00"))
        tell(house, [an_end()], release)
        house.until(moment("12:45"))
        tell(house, [vitals(WREN, "12:45")], release)
        house.until(moment("12:45") + timedelta(days=2))
        self._quiet(house)

    def _quiet(self, house: House) -> None:
        held = house.contents(token(WREN)).values()
        assert [one for one in held if isinstance(one, Issue | Event)] == []
        asked = {one.code for one in held if isinstance(one, Request)}
        assert asked <= {"next-observation", "ask-before-next-unit"}
        sent = {row.type for row in house.outbox()}
        assert sent <= {"Procedure", "Task", "Observation", "Provenance"}


def rows_of(house: House, partner: str, type_: str) -> list[OutboxRow]:
    return [row for row in house.outbox(partner) if row.type == type_]


class TestTheNotice:
    """One event and its Tasks under one identity, to both; what led to it goes with it."""

    def test_what_goes_out(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        events = {
            partner: rows_of(house, partner, "AdverseEvent") for partner in ("chart", "laboratory")
        }
        assert {name: len(rows) for name, rows in events.items()} == {"chart": 1, "laboratory": 1}
        assert len({row.resource_id for rows in events.values() for row in rows}) == 1
        tasks = [json.loads(row.body) for row in rows_of(house, "laboratory", "Task")]
        groups = {task["groupIdentifier"]["value"] for task in tasks if "groupIdentifier" in task}
        assert len(groups) == 1
        (stream,) = {row.stream for row in events["laboratory"]}
        group = {row.group for row in house.outbox("laboratory") if row.stream == stream}
        assert len(group) == 1, "one transaction"

    def test_that_more_of_the_same_sends_one_newer_version(
        self, house: House, release: str
    ) -> None:
        running(house, release)
        fever(house, release)
        fever(house, release, "10:24")
        rows = rows_of(house, "laboratory", "AdverseEvent")
        assert [row.version for row in rows] == list(range(1, len(rows) + 1))
        assert len({row.resource_id for row in rows}) == 1


def replied(
    house: House, status: str, clock: str, release: str = "R5", source: str = "lab"
) -> httpx.Response:
    """The laboratory's own copy of a Task of ours, with its status."""
    row = next(
        row for row in rows_of(house, "laboratory", "Task") if "investigate-reaction" in row.key
    )
    task = json.loads(row.body) | {"status": status}
    if status in ("rejected", "failed"):
        reason = {"text": "no sample has come"}
        task["statusReason"] = {"concept": reason} if release == "R5" else reason
    house.until(moment(clock))
    answer = house.post("/fhir/r5/Task", task, source=source, prefer="return=OperationOutcome")
    assert answer.status_code in (200, 201), answer.text
    house.settle()
    return answer


def requests(house: House) -> dict[str, Request]:
    held = house.contents(token(WREN)).values()
    return {one.code: one for one in held if isinstance(one, Request)}


def acts(house: House, kind: type) -> list[object]:
    return [act.body for act in house.acts(token(WREN)).values() if isinstance(act.body, kind)]


class TestTheLaboratorysReply:
    """A Task that bears our identifier is a reply, and belongs to the notice's own case."""

    @pytest.mark.parametrize("status", ["accepted", "in-progress", "completed"])
    def test_taken_up(self, house: House, release: str, status: str) -> None:
        running(house, release)
        fever(house, release)
        replied(house, status, "10:25")
        house.until(moment("11:30"))
        assert "telephone-laboratory" not in requests(house)

    def test_only_received(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        replied(house, "received", "10:21")
        house.until(moment("10:31"))
        assert requests(house)["telephone-laboratory"].status == "requested"

    def test_rejected(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        replied(house, "rejected", "10:22")
        assert requests(house)["telephone-laboratory"].status == "requested"
        assert [one.why for one in acts(house, NoticeEscalated)] == ["rejected"]  # type: ignore[attr-defined]

    def test_silence_and_then_the_telephone(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        house.until(moment("10:29"))
        assert "telephone-laboratory" not in requests(house)
        house.until(moment("10:31"))
        assert requests(house)["telephone-laboratory"].status == "requested"
        done = steps.step("acknowledge", "ACK-1", WREN, "10:33")
        house.until(moment("10:33"))
        tell(house, [done], release)
        assert requests(house)["telephone-laboratory"].status == "completed"


def warned(answer: httpx.Response) -> list[tuple[str, str]]:
    """(code, expression) of the warnings in an answer."""
    found = [one for one in issues(answer) if one["severity"] == "warning"]
    return [(one["code"], one["expression"][0]) for one in found]


class TestWhoMayAnswer:
    """Only who speaks for the blood bank acknowledges (design: the authority table); what anybody
    else sends is stored, and who sent it is told that it counts for nothing."""

    def test_the_ward(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        answer = replied(house, "accepted", "10:25", source="ward")
        assert warned(answer) == [("forbidden", "Task.identifier")]
        assert "reply" in {fact.kind for fact in house.stored(token(WREN)).facts}
        house.until(moment("10:31"))
        assert requests(house)["telephone-laboratory"].status == "requested"

    def test_the_laboratory(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        assert warned(replied(house, "accepted", "10:25")) == []

    def test_an_identifier_of_nobodys(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        row = rows_of(house, "laboratory", "Task")[-1]
        task = json.loads(row.body) | {"status": "accepted"}
        for name in (
            "11111111-2222-4333-8444-555555555555",
            f"task/{NOTICE}/investigate-reaction/",
        ):
            task["identifier"] = [{"system": EMITTED_SYSTEM, "value": name}]
            answer = house.post(
                "/fhir/r5/Task", task, source="lab", prefer="return=OperationOutcome"
            )
            assert answer.status_code == 201, answer.text
            assert warned(answer) == [("not-found", "Task.identifier")]
        house.until(moment("10:31"))
        assert requests(house)["telephone-laboratory"].status == "requested"

    def test_a_step_that_names_no_notice_of_ours(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        known = {"identifier": {"system": EMITTED_SYSTEM, "value": "nobody"}}
        plain = with_fields(steps.step("acknowledge", "ACK-1", WREN, "10:25"), input=[])
        done = with_inputs(plain, {"notice": ("Reference", known)})
        house.until(moment("10:25"))
        path = f"/fhir/{release.lower()}/Task"
        answer = house.post(path, done[release], prefer="return=OperationOutcome")
        assert ("not-found", "Task.input") in warned(answer)
        house.until(moment("10:31"))
        assert requests(house)["telephone-laboratory"].status == "requested"


class TestACorrection:
    """A mistyped temperature, corrected before and after the laboratory took the notice up."""

    def _corrected(self, house: House, release: str) -> None:
        house.until(moment("10:40"))
        mended = with_fields(vitals(WREN, "10:20", temperature=36.9), status="corrected")
        tell_correction(house, mended[release], release)

    def test_before(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        self._corrected(house, release)
        event = house.emitted(token(WREN))[f"event/{NOTICE}/reaction/"]
        assert b'"entered-in-error"' in event.content
        states = {row.state for row in rows_of(house, "laboratory", "AdverseEvent")}
        assert states == {"superseded"}, "nobody was told: nothing goes out"

    def test_after(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        replied(house, "accepted", "10:25")
        self._corrected(house, release)
        (gone,) = acts(house, NoticeWithdrawn)
        assert gone.acknowledged is True  # type: ignore[attr-defined]
        assert requests(house)["basis-changed"].status == "requested"
        keys = {row.key for row in rows_of(house, "laboratory", "Task")}
        assert f"task/{NOTICE}/basis-changed/" in keys

    def test_a_start_in_error_after_the_laboratory_took_it_up(
        self, house: House, release: str
    ) -> None:
        """No unit is left: the event is over, not an error, and a person closes the one Task."""
        running(house, release)
        fever(house, release)
        replied(house, "accepted", "10:25")
        tell(house, [with_fields(a_start(), status="entered-in-error")], release)
        house.settle()
        event = house.emitted(token(WREN))[f"event/{NOTICE}/reaction/"]
        assert b'"completed"' in event.content
        assert b'"entered-in-error"' not in event.content
        last = {row.key: json.loads(row.body) for row in rows_of(house, "laboratory", "Task")}
        assert last[f"task/{NOTICE}/investigate-reaction/"]["status"] == "requested"
        assert last[f"task/{NOTICE}/basis-changed/"]["status"] == "requested"

    def test_that_the_returning_fever_leaves_it_alone(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        self._corrected(house, release)
        before = [row for row in house.outbox() if NOTICE in row.key]
        fever(house, release, "10:50")
        assert [row for row in house.outbox() if NOTICE in row.key] == before

    def test_that_the_next_suspicion_has_the_next_name(self, house: House, release: str) -> None:
        running(house, release)
        fever(house, release)
        self._corrected(house, release)
        fever(house, release, "10:50")
        raised = sorted(key for key in house.acts(token(WREN)) if key.startswith("notice-raised:"))
        assert raised == [f"notice-raised:{BAG.sid}/{n}" for n in (1, 2)]


def tell_correction(house: House, resource: Json, release: str) -> None:
    answer = house.post(f"/fhir/{release.lower()}/Observation", resource)
    assert answer.status_code == 200, answer.text
    house.settle()


class TestPauseGrade:
    """38.0 °C asks the ward; unanswered for 15 min it goes out as an unconfirmed screen."""

    def test_the_ward_is_asked_and_then_the_laboratory_told(
        self, house: House, release: str
    ) -> None:
        running(house, release)
        house.until(moment("10:20"))
        tell(house, [vitals(WREN, "10:20", temperature=38.0)], release)
        assert requests(house)["confirm-or-dismiss"].status == "requested"
        assert rows_of(house, "laboratory", "AdverseEvent") == []
        house.until(moment("10:36"))
        (row,) = rows_of(house, "laboratory", "AdverseEvent")
        assert b"unconfirmed screen" in row.body
        assert "confirm-or-dismiss" not in requests(house)
        asked = [row for row in rows_of(house, "chart", "Task") if "confirm-or-dismiss" in row.key]
        assert json.loads(asked[-1].body)["status"] == "cancelled"

    def test_dismissed(self, house: House, release: str) -> None:
        running(house, release)
        house.until(moment("10:20"))
        tell(house, [vitals(WREN, "10:20", temperature=38.0)], release)
        house.until(moment("10:24"))
        tell(house, [steps.step("dismiss-reaction", "DIS-1", WREN, "10:24", bag=BAG)], release)
        house.until(moment("12:00"))
        assert rows_of(house, "laboratory", "AdverseEvent") == []


class TestNearMiss:
    """A wrong band at the check, never started: one event for the record system, none else."""

    def test_once_per_unit(self, house: House, release: str) -> None:
        house.until(moment("10:06"))
        tell(house, ready(), release)
        for began, ended in (("10:00", "10:02"), ("10:03", "10:05")):
            tell(house, [a_check(band=PIKE, began=began, ended=ended)], release)
        house.until(moment("10:10"))
        rows = rows_of(house, "chart", "AdverseEvent")
        assert {row.key for row in rows} == {f"event/{BAG.sid}/near-miss/"}
        assert rows_of(house, "laboratory", "AdverseEvent") == []
        assert json.loads(rows[0].body)["actuality"] == "potential"
