"""Any life of two patients and two bags: whatever happens in whatever order, these always hold."""

from contextlib import ExitStack
from datetime import timedelta
from typing import Any

import httpx
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from tests.support.apps import FACILITY, House, Json, read_json
from tests.support.apps import house as opened
from tests.support.authoring import resources, steps
from tests.support.authoring.scene import bundle
from tests.support.authoring.words import HOSPITAL, LARK, Bag, Both, Person, at
from tests.support.worlds import (
    BAG,
    OTHER_BAG,
    PIKE,
    WREN,
    a_check,
    a_start,
    admission,
    an_end,
    order_of,
    supply,
    token,
    with_fields,
)

RELEASES = st.sampled_from(["R4", "R5"])
PEOPLE = st.sampled_from([WREN, PIKE])
BAGS = st.sampled_from([BAG, OTHER_BAG])
CLOCKS = st.integers(0, 170).map(lambda n: f"{10 + n // 60:02d}:{n % 60:02d}")
VALUES = st.sampled_from([36.8, 38.0, 39.2])
SOURCES = st.sampled_from(["ward", "lab"])


class AnyLife(RuleBasedStateMachine):
    """One house, two patients, two bags; every message is answered 2xx or refused with a reason."""

    def __init__(self) -> None:
        super().__init__()
        self.opened = ExitStack()
        self.house: House
        self.sent: list[tuple[str, str, Json]] = []

    def teardown(self) -> None:
        self.opened.close()

    def post(self, release: str, source: str, *said: Both) -> httpx.Response:
        return self.send(release, source, bundle(list(said), release))

    def send(self, release: str, source: str, content: Json) -> httpx.Response:
        self.sent.append((release, source, content))
        answer = self.house.post(f"/fhir/{release.lower()}", content, source=source)
        assert answer.status_code < 500, answer.text
        return answer

    @initialize(release=RELEASES, seed=st.integers(0, 2**32))
    def admit(self, release: str, seed: int) -> None:
        """The ids of a life are those of its seed, so that a life can be lived again."""
        self.house = self.opened.enter_context(opened(at=at("10:00"), seed=seed))
        self.post(release, "ward", *admission(WREN), *supply(WREN, BAG))

    @rule(release=RELEASES, source=SOURCES, who=PEOPLE)
    def somebody_comes(self, release: str, source: str, who: Person) -> None:
        self.post(release, source, *admission(who))

    @rule(release=RELEASES, who=PEOPLE, bag=BAGS)
    def a_unit_is_issued(self, release: str, who: Person, bag: Bag) -> None:
        self.post(release, "lab", *supply(who, bag))

    @rule(release=RELEASES, who=PEOPLE, clock=CLOCKS, value=VALUES)
    def vital_signs(self, release: str, who: Person, clock: str, value: float) -> None:
        name = f"VS-{who.number}-{clock}"
        self.post(release, "ward", resources.vitals(who, name, clock, temperature=value))

    @rule(
        release=RELEASES,
        who=PEOPLE,
        clock=CLOCKS,
        value=VALUES,
        status=st.sampled_from(["corrected", "entered-in-error"]),
    )
    def vital_signs_are_corrected(
        self, release: str, who: Person, clock: str, value: float, status: str
    ) -> None:
        name = f"VS-{who.number}-{clock}"
        mended = resources.vitals(who, name, clock, status=status, temperature=value)
        self.post(release, "ward", mended)

    @rule(release=RELEASES, who=PEOPLE, bag=BAGS, clock=CLOCKS, kind=st.sampled_from("csed"))
    def a_step(self, release: str, who: Person, bag: Bag, clock: str, kind: str) -> None:
        made = {
            "c": lambda: a_check(who, bag, clock, clock, second=LARK),
            "s": lambda: a_start(who, bag, clock),
            "e": lambda: an_end(who, bag, clock),
            "d": lambda: steps.step("dismiss-reaction", f"D-{clock}", who, clock, bag=bag),
        }[kind]()
        self.post(release, "ward", made)

    @rule(release=RELEASES, who=PEOPLE, bag=BAGS, clock=CLOCKS)
    def a_start_was_in_error(self, release: str, who: Person, bag: Bag, clock: str) -> None:
        self.post(release, "ward", with_fields(a_start(who, bag, clock), status="entered-in-error"))

    @rule(release=RELEASES, who=PEOPLE, bag=BAGS, clock=CLOCKS)
    def a_reaction_is_reported(self, release: str, who: Person, bag: Bag, clock: str) -> None:
        said = steps.step(
            "suspect-reaction", f"R-{who.number}-{clock}", who, clock, bag=bag, order=order_of(who)
        )
        self.post(release, "ward", said)

    @rule(release=RELEASES, tied=st.booleans())
    def two_records_are_tied_or_parted(self, release: str, tied: bool) -> None:
        """A third record bears both numbers, or only one of them."""
        base = f"/fhir/{release.lower()}/Patient"
        numbers = [{"system": f"{HOSPITAL}/patient", "value": who.number} for who in (WREN, PIKE)]
        own = {"system": f"{HOSPITAL}/index", "value": "X-1"}
        record: dict[str, Any] = resources.patient(WREN)[release] | {
            "identifier": [own, *numbers] if tied else [own]
        }
        query = f"{base}?identifier={own['system']}|{own['value']}"
        found = read_json(self.house.get(query, source="lab")).get("entry", [])
        if found:
            held = found[0]["resource"]
            version = held["meta"]["versionId"]
            answer = self.house.put(
                f"{base}/{held['id']}",
                record | {"id": held["id"]},
                source="lab",
                if_match=f'W/"{version}"',
            )
        else:
            answer = self.house.post(base, record, source="lab")
        assert answer.status_code < 500, answer.text

    @rule(choice=st.integers(0, 1000))
    def a_message_comes_again(self, choice: int) -> None:
        release, source, content = self.sent[choice % len(self.sent)]
        self.house.settle()
        before = self.house.counts()
        answer = self.house.post(f"/fhir/{release.lower()}", content, source=source)
        assert answer.status_code < 500
        if answer.status_code != 200:
            assert self.house.counts() == before

    @rule(minutes=st.integers(1, 40))
    def time_passes(self, minutes: int) -> None:
        self.house.until(self.house.clock.now() + timedelta(minutes=minutes))

    @invariant()
    def every_fact_has_a_case(self) -> None:
        """And every token and emission one that is not absorbed by another."""
        lost = self.house.rows(
            "SELECT f.key FROM fact f WHERE f.subject IS NOT NULL AND NOT EXISTS "
            "(SELECT 1 FROM subject s WHERE s.facility = f.facility AND s.token = f.subject)"
        )
        assert lost == []

    @invariant()
    def a_started_unit_has_one_claim(self) -> None:
        started = {row[0] for row in self.house.rows("SELECT DISTINCT unit FROM unit_start")}
        claimed = [row[0] for row in self.house.rows("SELECT unit FROM unit_claim")]
        assert sorted(claimed) == sorted(started)

    @invariant()
    def every_row_to_send_is_of_a_decision(self) -> None:
        strange = self.house.rows(
            "SELECT o.key FROM outbox o WHERE o.type <> 'Provenance' AND NOT EXISTS "
            "(SELECT 1 FROM emitted e WHERE e.facility = o.facility AND e.key = o.key "
            "AND e.version >= o.version)"
        )
        assert strange == []

    @invariant()
    def looking_again_sends_nothing(self) -> None:
        self.house.settle()
        before = self.house.counts()["outbox"]
        people = {row[0] for row in self.house.rows("SELECT person FROM subject")}
        for person in people:
            self.house.run(self.house.app.reconciler.reassess(FACILITY, person))
        assert self.house.counts()["outbox"] == before

    @invariant()
    def a_patient_is_in_one_case(self) -> None:
        people = self.house.app.store.people(FACILITY, [token(WREN), token(PIKE)])
        for who in set(people.values()):
            open_now = [
                row
                for row in self.house.app.store.case(FACILITY, [who]).emitted
                if row.kind == "event" and row.state == "active" and b'"in-progress"' in row.content
            ]
            assert len({row.key for row in open_now}) == len(open_now)

    @invariant()
    def the_audit_is_whole(self) -> None:
        assert self.house.app.store.audit_fault(FACILITY) is None


AnyLife.TestCase.settings = settings(
    max_examples=25,
    stateful_step_count=20,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
TestAnyLife = AnyLife.TestCase
