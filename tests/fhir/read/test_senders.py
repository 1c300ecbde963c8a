"""What unlike senders state, through the doors and in both releases: one test per row of the list.

Senders without bedside steps, stock without an issue, splits and pools, orders to prepare and to
give, medicines and devices beside the transfusion, panels whose members have no time.
"""

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest

from service.assessment.desired import Procedure
from tests.support import apps
from tests.support.authoring import resources, steps
from tests.support.authoring.words import (
    SNOMED,
    Both,
    Json,
    amount,
    at,
    concept,
    named,
    number,
    of_person,
    of_worker,
    ours,
    own,
    same,
)
from tests.support.bedsides import Bed, with_inputs
from tests.support.worlds import BAG, WREN, admission, order_of, supply, token

ALTERNATE = "http://hl7.org/fhir/StructureDefinition/alternate-reference"
SID = "https://transfusion-events.example/fhir/sid/unit"
PARTICIPATION = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"


@pytest.fixture(params=apps.RELEASES)
def bed(request: pytest.FixtureRequest) -> Iterator[Bed]:
    with apps.house(at="2027-06-08T09:05:00+00:00") as opened:
        yield Bed(house=opened, release=str(request.param))


def ready(bed: Bed, **how: Any) -> Bed:
    bed.ready(**how)
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    return bed


def bag_reference() -> Json:
    return named("BiologicallyDerivedProduct", {"system": SID, "value": BAG.sid})


def procedure(status: str, **period: str) -> Both:
    """A transfusion as a sender without Task sees it."""
    shared: Json = {
        "resourceType": "Procedure",
        "identifier": [number("procedure", "PR-1")],
        "status": status,
        "code": concept(SNOMED, "116859006"),
        "subject": of_person(WREN),
        "basedOn": [named("ServiceRequest", number("order", order_of(WREN)))],
        "performer": [
            {
                "function": concept(PARTICIPATION, "PPRF"),
                "actor": of_worker(resources.PEMBER),
            }
        ],
    }
    when = {name: at(clock) for name, clock in period.items()}
    pointed = {"extension": [{"url": ALTERNATE, "valueReference": bag_reference()}]}
    return {
        "R4": shared | {"performedPeriod": when, "usedReference": [pointed]},
        "R5": shared | {"occurrencePeriod": when, "used": [{"reference": bag_reference()}]},
    }


def administrations(bed: Bed) -> list[Procedure]:
    contents = bed.house.contents(token(WREN)).values()
    return [one for one in contents if isinstance(one, Procedure)]


def send(bed: Bed, both: Both, stamp: str) -> None:
    """A further version of a resource of ours to the sender."""
    bed.tell({r: one | {"meta": {"lastUpdated": at(stamp)}} for r, one in both.items()})


class TestSendersWithoutSteps:
    """Procedure: its status and period become start, interruption and end."""

    def test_start_hold_and_end(self, bed: Bed) -> None:
        ready(bed)
        bed.until("10:06")
        send(bed, procedure("in-progress", start="10:05"), "10:05:30")
        (running,) = administrations(bed)
        assert running.status == "in-progress"
        bed.until("10:31")
        send(bed, procedure("on-hold", start="10:05"), "10:30:30")
        (held,) = administrations(bed)
        assert held.status == "on-hold"
        bed.until("11:31")
        send(bed, procedure("completed", start="10:05", end="11:30"), "11:30:30")
        (over,) = administrations(bed)
        assert over.status == "completed"

    def test_not_done_takes_the_start_back(self, bed: Bed) -> None:
        ready(bed)
        bed.until("10:06")
        send(bed, procedure("in-progress", start="10:05"), "10:05:30")
        send(bed, procedure("not-done", start="10:05"), "10:05:50")
        assert [one.status for one in administrations(bed)] in ([], ["entered-in-error"])

    def test_of_unknown_status_it_counts_as_begun(self, bed: Bed) -> None:
        """A running unit is not lost sight of for want of a status."""
        ready(bed)
        bed.until("10:06")
        send(bed, procedure("unknown", start="10:05"), "10:05:30")
        assert [one.status for one in administrations(bed)] == ["in-progress"]


class TestEmergencyStock:
    """A unit that nobody issued: refused, and authorised only on the emergency path (ID-13)."""

    def check(self, bed: Bed) -> Both:
        bed.bag = replace(BAG, group="O RhD negative")
        unit = supply(bed.person, bed.bag)[0]
        bed.tell(*admission(bed.person), unit, resources.vitals(bed.person, "VS-0", "09:55"))
        return with_inputs(bed.check(), dict.fromkeys(steps.LABEL_INPUTS))

    def test_without_an_emergency_it_is_refused(self, bed: Bed) -> None:
        told = bed.last(self.check(bed))
        assert told.word == "refuse"
        assert "refuse" in told.rules["PRE-05"]

    def test_in_an_emergency_it_is_authorised(self, bed: Bed) -> None:
        made = self.check(bed)
        reason = ("reason", "CodeableConcept", {"text": "Massive haemorrhage"})
        bed.tell(bed.step("declare-emergency", "09:58", reason, unit=False))
        told = bed.last(made)
        assert told.word == "authorise"
        assert "authorise" in told.rules["ID-13"]


class TestSplitsAndPools:
    """``parent``: what was recalled before it was split or pooled is refused as what it became."""

    def parent(self, status: str | None) -> Both:
        return resources.unit(replace(BAG, din="A999927300077"), status=status)

    def child(self) -> Both:
        sid = f"A999927300077/{BAG.product}/000000"
        made_from = named("BiologicallyDerivedProduct", {"system": SID, "value": sid})
        return {r: one | {"parent": [made_from]} for r, one in resources.unit(BAG).items()}

    @pytest.mark.parametrize(("status", "word"), [("recalled", "refuse"), (None, "no-objection")])
    def test_each(self, bed: Bed, status: str | None, word: str) -> None:
        _, issue, crossmatch = supply(bed.person, bed.bag, "09:45")
        bed.tell(
            *admission(bed.person),
            self.parent(status),
            self.child(),
            issue,
            crossmatch,
            resources.vitals(bed.person, "VS-0", "09:55"),
        )
        assert bed.last(bed.check()).word == word


class TestOrders:
    """To prepare and to administer, linked: the requirements are those of both."""

    def test_the_union_of_the_requirements(self, bed: Bed) -> None:
        first = resources.order(
            bed.person, "PREP-1", kind="prepare", requirements=("irradiated",), rate=150
        )
        again = resources.order(
            bed.person,
            order_of(bed.person),
            units=2,
            rate=150,
            kind="administer",
            requirements=("cmv-negative",),
            based_on="PREP-1",
        )
        rest = [
            one for one in admission(bed.person) if one["R5"]["resourceType"] != "ServiceRequest"
        ]
        bed.tell(*rest, first, again, *supply(bed.person, bed.bag, "09:45"))
        bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
        told = bed.last(bed.check())
        assert told.rules["PRE-03"]
        assert "authorise" in told.rules["PRE-03"]

    def test_an_order_to_prepare_alone_is_enough_to_judge_by(self, bed: Bed) -> None:
        order = resources.order(bed.person, order_of(bed.person), units=2, kind="prepare")
        rest = [
            one for one in admission(bed.person) if one["R5"]["resourceType"] != "ServiceRequest"
        ]
        bed.tell(*rest, order, *supply(bed.person, bed.bag, "09:45"))
        bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
        assert bed.last(bed.check()).word == "no-objection"

    def test_do_not_perform_is_honoured(self, bed: Bed) -> None:
        ready(bed)
        forbid = resources.order(bed.person, "NO-1")
        bed.tell({r: one | {"doNotPerform": True} for r, one in forbid.items()})
        told = bed.last(bed.check())
        assert "refuse" in told.rules["PRE-01"]


def device(**more: Any) -> Both:
    """A blood warmer."""
    kind = own("device", "warmer")
    shared = {
        "resourceType": "Device",
        "identifier": [number("device", "W-1")],
        "status": "active",
        "extension": [ours("device-approved", valueBoolean=True)],
    }
    r4, r5 = deepcopy(shared | more), deepcopy(shared | more)
    return {"R4": r4 | {"type": kind}, "R5": r5 | {"type": [kind]}}


def warmth(release: str, degrees: float) -> Json:
    """A property: R4 holds a list of quantities, R5 one."""
    value = amount(degrees, "Cel")
    held = {"type": own("device-property", "warmer-temperature")}
    return held | {"valueQuantity": [value] if release == "R4" else value}


def use_of(status: str) -> Both:
    """The use of the warmer for the patient."""
    pointed = named("Device", number("device", "W-1"))
    shared = {"identifier": [number("use", "U-1")], "status": status}
    when = {"start": at("09:50")} | ({"end": at("09:55")} if status == "completed" else {})
    r4 = {"resourceType": "DeviceUseStatement", "subject": of_person(WREN), "device": pointed}
    r5 = {"resourceType": "DeviceUsage", "patient": of_person(WREN)}
    r5 |= {"device": {"reference": pointed}}
    return {"R4": r4 | shared | {"timingPeriod": when}, "R5": r5 | shared | {"timingPeriod": when}}


class TestDevices:
    """Device and its use: a warmer that is set too warm (PRE-10, 41 Cel [S35])."""

    @pytest.mark.parametrize(("degrees", "objects"), [(42.0, True), (40.5, False)])
    @pytest.mark.parametrize("place", ["extension", "property"])
    def test_the_temperature_is_read(
        self, bed: Bed, place: str, degrees: float, objects: bool
    ) -> None:
        ready(bed)
        made = device()
        for release, one in made.items():
            if place == "extension":
                value = amount(degrees, "Cel")
                one["extension"].append(ours("warmer-temperature", valueQuantity=value))
            else:
                one["property"] = [warmth(release, degrees)]
        bed.tell(made, use_of("active"))
        found = bed.last(bed.check()).rules.get("PRE-10", set())
        assert ("caution" in found) is objects

    @pytest.mark.parametrize("status", ["intended", "entered-in-error", "completed"])
    def test_a_device_that_is_not_in_use_does_not_count(self, bed: Bed, status: str) -> None:
        ready(bed)
        hot = ours("warmer-temperature", valueQuantity=amount(43, "Cel"))
        bed.tell(device(extension=[hot]), use_of(status))
        assert "caution" not in bed.last(bed.check()).rules.get("PRE-10", set())


class TestPremedication:
    """MedicationAdministration: given half an hour before, or not given (PRE-13, note)."""

    @pytest.mark.parametrize(
        ("status", "noted"),
        [
            ("completed", False),
            ("in-progress", False),
            ("not-done", True),
            ("on-hold", True),
            ("stopped", True),
            ("unknown", True),
        ],
    )
    def test_each_status(self, bed: Bed, status: str, noted: bool) -> None:
        ready(bed)
        wanted = ours("premedication-ordered", valueBoolean=True)
        order = resources.order(bed.person, "PM-1", units=2)
        bed.tell({r: one | {"extension": [wanted]} for r, one in order.items()})
        shared = {
            "resourceType": "MedicationAdministration",
            "identifier": [number("medicine", "M-1")],
            "status": status,
            "subject": of_person(WREN),
        }
        what = {"text": "Paracetamol 1 g"}
        given = {
            "R4": shared | {"medicationCodeableConcept": what, "effectiveDateTime": at("09:20")},
            "R5": shared | {"medication": {"concept": what}, "occurenceDateTime": at("09:20")},
        }
        bed.tell(given)
        told = bed.last(with_order(bed.check(), "PM-1"))
        assert ("PRE-13" in told.rules) is noted


def with_order(step: Both, value: str) -> Both:
    """A step under another order as well."""
    more = named("ServiceRequest", number("order", value))
    return {r: one | {"basedOn": [*one.get("basedOn", ()), more]} for r, one in step.items()}


class TestPanelsWithoutTimesInside:
    """A member without a time of its own has its panel's: the baseline is complete (PRE-11)."""

    def test_members_of_a_timed_panel(self, bed: Bed) -> None:
        bed.ready()
        whole = resources.vitals(bed.person, "VS-0", "09:55")["R5"]
        members = []
        for place, part in enumerate(whole["component"]):
            kept = {k: v for k, v in whole.items() if k not in ("component", "effectiveDateTime")}
            numbered = {"identifier": [number("observation", f"VS-0-{place}")]}
            members.append(same(kept | numbered | part))
        alone = bed.last(*members, bed.check())
        assert "PRE-11" in alone.rules
        held = [named("Observation", one["R5"]["identifier"][0]) for one in members]
        panel = {k: v for k, v in whole.items() if k != "component"} | {"hasMember": held}
        told = bed.last(same(panel), bed.check("10:10", "10:14"))
        assert "PRE-11" not in told.rules


class TestBandsInIsbt128:
    """band-scan is raw, data identifiers included: structures 024 and 025 of a band."""

    @pytest.mark.parametrize(
        ("scans", "word"),
        [
            (["&#0107{number}"], "no-objection"),
            (["&#0107{number}", "=#0119610412"], "no-objection"),
            (["=+02000&#0107{number}=#0119610412"], "no-objection"),
            (["&#01070061002"], "refuse"),
            (["&#0107{number}", "=#0119610413"], "refuse"),
            (["&#0707{number}"], "refuse"),
        ],
    )
    def test_each(self, bed: Bed, scans: list[str], word: str) -> None:
        ready(bed)
        made = with_inputs(bed.check(), {"band-scan": None})
        more = [
            {"type": own("step-input", "band-scan"), "valueString": raw.format(number=WREN.number)}
            for raw in scans
        ]
        sent = {r: one | {"input": [*one["input"], *more]} for r, one in made.items()}
        assert bed.last(sent).word == word
