"""What every store promises of a case as read: everything assess needs, of one moment."""

import threading
from typing import Any

import pytest

from service.facts.case import OtherStart
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref
from service.facts.records import (
    DeviceRecord,
    DeviceUse,
    EncounterRecord,
    Issue,
    LocationRecord,
    Order,
)
from service.store.port import FactRow, Store, StoredCase
from tests.support.stored import (
    FACILITY,
    LAB,
    OTHER_UNIT,
    UNIT,
    a_fact,
    a_start,
    a_state,
    a_step,
    an_act,
    an_emission,
    commit,
    crossmatched,
    described,
    issued,
    minute,
    of,
    unit_ref,
)

WHO = {"subjects": (("Patient/1", "p1"), ("Patient/2", "p2"))}


def read(store: Store, *people: str, **more: Any) -> StoredCase:
    return store.case(FACILITY, people or ("p1",), **more)


def keys(case: StoredCase) -> set[str]:
    return {fact.key for fact in case.facts}


def an_order(key: str, *identifiers: Identifier, **parts: Any) -> Fact[Any]:
    body = Order(status="active", intent="order", identifiers=identifiers, **parts)
    return a_fact(key, body)


class Cases:
    """A case is everything that assess needs, and the stamps that commit checks."""

    def test_of_nobody_is_empty(self, store: Store) -> None:
        empty = read(store)
        assert empty == StoredCase(
            state=a_state(),
            tokens=frozenset(),
            facts=(),
            acts=(),
            emitted=(),
            elsewhere=(),
            units=(),
        )

    def test_has_every_version_of_every_fact_of_the_patient_as_it_was_stored(
        self, store: Store
    ) -> None:
        rows = (of("1", "Task/t", a_step()), of("1", "Task/t", a_step("end"), version=2))
        commit(store, facts=(*rows, of("2", "Task/u", a_step())), **WHO)
        held = sorted(read(store).facts, key=lambda fact: fact.version)
        assert held == [row.fact for row in rows]

    def test_has_the_state_tokens_acts_and_emissions_of_the_person(self, store: Store) -> None:
        commit(
            store,
            people=(a_state(as_of=minute(1), next_wake=minute(9)),),
            subjects=(("Patient/1", "p1"), (f"{LAB}|77", "p1"), ("Patient/2", "p2")),
            acts=(("p1", an_act("b")), ("p1", an_act("a")), ("p2", an_act("c"))),
            emitted=(an_emission(), an_emission("procedure/u2", person="p2")),
        )
        case = read(store)
        assert case.state == a_state(seq=1, as_of=minute(1), next_wake=minute(9))
        assert case.tokens == {"Patient/1", f"{LAB}|77"}
        assert case.acts == (an_act("a"), an_act("b"))
        assert case.emitted == (an_emission(),)

    def test_keeps_a_correction_that_names_another_patient(self, store: Store) -> None:
        """Else the first version would still hold in the case that it was taken out of."""
        commit(
            store,
            facts=(of("1", "Task/t", a_step()), of("2", "Task/t", a_step(), version=2)),
            **WHO,
        )
        assert [fact.version for fact in read(store, "p1").facts] == [1, 2]
        assert [fact.version for fact in read(store, "p2").facts] == [1, 2]


class CaseUnits:
    """The units that the patient's facts name, and what anybody says of them."""

    def test_bring_descriptions_issues_and_crossmatches_whoever_they_name(
        self, store: Store
    ) -> None:
        step = of("1", "Task/t", a_step(unit=unit_ref()), unit=UNIT.text)
        others = (described(), issued("2"), crossmatched("2"))
        commit(store, facts=(step, *others, described(OTHER_UNIT, "BDP/other")), **WHO)
        assert keys(read(store)) == {"Task/t", *(row.fact.key for row in others)}

    def test_do_not_bring_what_was_done_to_another_patient(self, store: Store) -> None:
        """Findings never rest on another patient's steps: see ``elsewhere``."""
        mine = of("1", "Task/1", a_step(unit=unit_ref()), unit=UNIT.text)
        theirs = of("2", "Task/2", a_step(unit=unit_ref()), unit=UNIT.text)
        commit(store, facts=(mine, theirs), **WHO)
        assert keys(read(store)) == {"Task/1"}

    def test_are_found_by_the_resource_that_was_pointed_at(self, store: Store) -> None:
        """A step that points at an issue that points at a unit not yet fully described."""
        unit, issue = "BiologicallyDerivedProduct/b1", "Basic/i1"
        commit(
            store,
            facts=(
                of("1", "Task/t", a_step(focus=unit_ref(None, issue))),
                of("2", issue, Issue(unit=unit_ref(None, unit))),
                described(UNIT, unit),
            ),
            **WHO,
        )
        case = read(store)
        assert keys(case) == {"Task/t", issue, unit}
        assert case.units == ((UNIT.text, 0),)

    def test_keep_a_correction_that_describes_another_unit(self, store: Store) -> None:
        resource = "BiologicallyDerivedProduct/b1"
        second = described(OTHER_UNIT, resource)
        corrected = FactRow(
            fact=a_fact(resource, second.fact.body, version=2), unit=OTHER_UNIT.text
        )
        step = of("1", "Task/t", a_step(unit=unit_ref()), unit=UNIT.text)
        commit(store, facts=(step, described(UNIT, resource), corrected), **WHO)
        case = read(store)
        assert sorted(fact.version for fact in case.facts if fact.key == resource) == [1, 2]
        assert dict(case.units).keys() == {UNIT.text, OTHER_UNIT.text}

    def test_come_with_their_sequence(self, store: Store) -> None:
        step = of("1", "Task/t", a_step(unit=unit_ref()), unit=UNIT.text)
        commit(store, facts=(step,), touched_units=(UNIT.text,), **WHO)
        commit(store, touched_units=(UNIT.text, OTHER_UNIT.text))
        assert read(store).units == ((UNIT.text, 2),)

    def test_may_be_added_by_who_is_about_to_name_them(self, store: Store) -> None:
        unit = "BiologicallyDerivedProduct/b1"
        commit(store, facts=(described(UNIT, unit),), touched_units=(UNIT.text,), **WHO)
        assert read(store).facts == ()
        for case in (read(store, units=[UNIT.text]), read(store, resources=[unit])):
            assert keys(case) == {unit}
            assert case.units == ((UNIT.text, 1),)
        assert read(store, units=[OTHER_UNIT.text]).units == ((OTHER_UNIT.text, 0),)

    def test_started_in_another_case_say_so_and_no_more(self, store: Store) -> None:
        step = of("1", "Task/1", a_step(unit=unit_ref()), unit=UNIT.text)
        starts = (a_start("Task/1"), a_start("Task/2", id="2", at=minute(5)))
        commit(store, facts=(step,), starts=starts, **WHO)
        assert read(store).elsewhere == (OtherStart(unit=UNIT, at=minute(5), step="Task/2"),)
        commit(store, starts=(a_start("Task/2", id="2", retracted=True),))
        assert read(store).elsewhere == ()

    def test_name_every_person_with_a_fact_about_them(self, store: Store) -> None:
        unit = "BiologicallyDerivedProduct/b1"
        by_text = of("1", "Task/1", a_step(unit=unit_ref()), unit=UNIT.text)
        by_resource = of("2", "Task/2", a_step(unit=unit_ref(None, unit)))
        unrelated = of("3", "Task/3", a_step(unit=unit_ref(OTHER_UNIT)), unit=OTHER_UNIT.text)
        who = (*WHO["subjects"], ("Patient/3", "p3"))
        commit(store, facts=(by_text, by_resource, unrelated), subjects=who)
        assert store.people_of_unit(FACILITY, UNIT.text) == {"p1"}
        commit(store, facts=(described(UNIT, unit),))
        assert store.people_of_unit(FACILITY, UNIT.text) == {"p1", "p2"}


class CaseNames:
    """Orders, places and devices that the case's facts point at, whoever's they are."""

    @pytest.mark.parametrize("by", ["id", "identifier"])
    def test_bring_an_order_that_an_issue_or_a_step_is_based_on(
        self, store: Store, by: str
    ) -> None:
        number = Identifier(LAB, "O-1")
        named = {
            "id": Ref(kind="ServiceRequest", id="o1"),
            "identifier": Ref(kind="ServiceRequest", identifier=number),
        }[by]
        orders = (an_order("ServiceRequest/o1", number), an_order("ServiceRequest/o2"))
        for step in (a_step(based_on=(named,)), None):
            row = of("1", "Task/t", step) if step else issued("2", based_on=(named,))
            subject = "p1" if step else "p2"
            commit(store, facts=(row,), **WHO)
            if step:
                commit(store, facts=tuple(FactRow(fact=order) for order in orders))
            assert keys(read(store, subject)) == {row.fact.key, "ServiceRequest/o1"}

    def test_bring_orders_on_which_an_order_rests_and_those_of_its_requisition(
        self, store: Store
    ) -> None:
        form = Identifier(LAB, "R-1")
        first = Ref(kind="ServiceRequest", id="o1")
        orders = (
            an_order("ServiceRequest/o1", based_on=(Ref(kind="ServiceRequest", id="o2"),)),
            an_order("ServiceRequest/o2", requisition=form),
            an_order("ServiceRequest/o3", requisition=form),
            an_order("ServiceRequest/o4"),
        )
        step = of("1", "Task/t", a_step(based_on=(first,)))
        commit(store, facts=(step, *(FactRow(fact=order) for order in orders)), **WHO)
        found = {f"ServiceRequest/o{number}" for number in (1, 2, 3)}
        assert keys(read(store)) == {"Task/t", *found}

    def test_bring_places_and_devices(self, store: Store) -> None:
        ward, pump = Identifier(LAB, "ward-larch"), Identifier(LAB, "pump-7")
        used = DeviceUse(device=Ref(kind="Device", identifier=pump))
        stay = EncounterRecord(location=Ref(kind="Location", id="bay"))
        step = a_step(
            location=Ref(kind="Location", identifier=ward), set=Ref(kind="Device", id="set-1")
        )
        things = {
            "Location/larch": LocationRecord(identifiers=(ward,), name="Larch"),
            "Location/bay": LocationRecord(),
            "Device/pump": DeviceRecord(identifiers=(pump,)),
            "Device/set-1": DeviceRecord(),
        }
        mine = {"Task/t": step, "DeviceUsage/u": used, "Encounter/e": stay}
        commit(
            store,
            facts=(
                *(of("1", key, body) for key, body in mine.items()),
                *(FactRow(fact=a_fact(key, body)) for key, body in things.items()),
                FactRow(fact=a_fact("Location/far", LocationRecord())),
            ),
            **WHO,
        )
        assert keys(read(store)) == {*mine, *things}


class CaseOfSeveral:
    """Several people about to be joined are read as one case."""

    def test_has_the_first_ones_state_and_everything_of_all(self, store: Store) -> None:
        commit(
            store,
            people=(a_state("p1"), a_state("p2", next_wake=minute(1))),
            facts=(of("1", "Patient/1"), of("2", "Patient/2")),
            acts=(("p2", an_act()),),
            emitted=(an_emission(person="p2"),),
            starts=(a_start("Task/2", id="2"),),
            **WHO,
        )
        case = read(store, "p1", "p2", units=[UNIT.text])
        assert case.state == a_state("p1", 1)
        assert case.tokens == {"Patient/1", "Patient/2"}
        assert keys(case) == {"Patient/1", "Patient/2"}
        assert len(case.acts) == len(case.emitted) == 1
        assert case.elsewhere == ()


class Snapshots:
    """What is read of a case is of one moment."""

    def test_hold_while_others_write(self, store: Store) -> None:
        """Each change adds one act and one to the sequence: a reader sees them together."""
        over = threading.Event()
        torn: list[tuple[int, int]] = []

        def watch() -> None:
            while not over.is_set():
                case = read(store)
                if case.state.seq != len(case.acts):
                    torn.append((case.state.seq, len(case.acts)))

        watcher = threading.Thread(target=watch)
        watcher.start()
        for number in range(60):
            commit(store, people=(a_state(seq=number),), acts=(("p1", an_act(f"a{number:03}")),))
        over.set()
        watcher.join()
        assert torn == []
        assert read(store).state.seq == 60


class Claims:
    """Two starts of one unit are both kept; exactly one holds the unit."""

    def held(self, store: Store, unit: str = UNIT.text) -> str | None:
        found = store.claim(FACILITY, unit)
        return found and found.step

    def test_go_to_the_earliest_clinical_time_whichever_was_recorded_first(
        self, store: Store
    ) -> None:
        commit(store, starts=(a_start("Task/1", at=minute(5)),))
        assert self.held(store) == "Task/1"
        commit(store, starts=(a_start("Task/2", id="2", at=minute(3)),))
        assert self.held(store) == "Task/2"
        commit(store, starts=(a_start("Task/3", id="3", at=minute(4)),))
        assert self.held(store) == "Task/2"

    def test_go_to_the_lower_identifier_at_equal_times(self, store: Store) -> None:
        commit(store, starts=(a_start("Task/1", identifier="s|9"),))
        commit(store, starts=(a_start("Task/2", identifier="s|10"),))
        assert self.held(store) == "Task/2"

    def test_are_told_whole(self, store: Store) -> None:
        start = a_start("Task/1", at=minute(2.5))
        commit(store, starts=(start,))
        assert store.claim(FACILITY, UNIT.text) == start
        assert store.claim(FACILITY, OTHER_UNIT.text) is None

    def test_pass_on_when_the_start_is_retracted(self, store: Store) -> None:
        commit(store, starts=(a_start("Task/1"), a_start("Task/2", at=minute(1))))
        commit(store, starts=(a_start("Task/1", retracted=True),))
        assert self.held(store) == "Task/2"
        commit(store, starts=(a_start("Task/2", retracted=True),))
        assert self.held(store) is None

    def test_move_with_a_start_that_is_corrected(self, store: Store) -> None:
        commit(store, starts=(a_start("Task/1"), a_start("Task/2", at=minute(1))))
        commit(store, starts=(a_start("Task/1", at=minute(2)),))
        assert self.held(store) == "Task/2"
        commit(store, starts=(a_start("Task/2", unit=OTHER_UNIT),))
        assert self.held(store) == "Task/1"
        assert self.held(store, OTHER_UNIT.text) == "Task/2"
