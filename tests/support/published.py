"""The catalogue's cases before the start and of timing, as what a ward would send."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from service.scan.isbt128 import check_character
from tests.support.apps import Json
from tests.support.authoring import resources, steps
from tests.support.authoring.words import (
    CROSS,
    Bag,
    Both,
    Person,
    Worker,
    amount,
    at,
    named,
    number,
    of_worker,
    ours,
    own,
    same,
)
from tests.support.bedsides import (
    LONDON,
    TODAY,
    Bed,
    Told,
    group_text,
    kind_of,
    moment,
    person_of,
    with_inputs,
)
from tests.support.worlds import (
    BAG,
    WREN,
    admission,
    an_end,
    order_of,
    supply,
    with_fields,
)


def compatibility(bed: Bed, given: Json) -> Told:
    bed.person = person_of(given)
    bed.bag = replace(BAG, group=group_text(given["unit"]))
    unknown = given["recipient"] == "unknown"
    bed.ready(
        without={"882-1"} if unknown else (),
        order={"rate": 140},
        issue=switched if given.get("lab_d_switch") else lambda issue: issue,
    )
    if given.get("anti_d"):
        bed.tell(antibody(bed.person, "anti-D"))
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    if given.get("urgency") == "life-threatening":
        reason = ("reason", "CodeableConcept", {"text": "Massive haemorrhage"})
        bed.tell(bed.step("declare-emergency", "09:58", reason, unit=False))
    label = {"label-patient-group": None} if unknown else {}
    return bed.last(bed.check(changed=label))


def switched(issue: Both) -> Both:
    """The laboratory's own word that RhD positive cells are meant."""
    mark = ours("d-switch", valueBoolean=True)
    return {r: one | {"extension": [*one["extension"], mark]} for r, one in issue.items()}


def antibody(person: Person, text: str) -> Both:
    """A red-cell antibody found before."""
    found = resources.antibody_screen(person, "AB-1")["R5"]
    kept = {k: v for k, v in found.items() if k != "interpretation"}
    return same(
        kept
        | {
            "code": own("laboratory-test", "antibody-identification"),
            "extension": [ours("antibody-historical", valueBoolean=True)],
            "valueCodeableConcept": {"text": text},
        }
    )


def four_ways(bed: Bed, given: Json) -> Told:
    """Band, label and order's patient, each as printed."""
    order, band, label = (given[side] for side in ("order", "band", "label"))
    bed.person = replace(
        WREN, number=order["id"], family=order["last"], given=order["first"], born=order["dob"]
    )
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    changed: dict[str, tuple[str, Any]] = {}
    for side, said in (("band", band), ("label", label)):
        changed |= {
            f"{side}-identifier": ("Identifier", number("patient", said["id"])),
            f"{side}-family": ("String", said["last"]),
            f"{side}-given": ("String", said["first"]),
            f"{side}-birth-date": ("Date", said["dob"]),
        }
    return bed.last(bed.check(changed=changed))


def room_number(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    room = {
        "band-identifier": ("Identifier", number("room", "12")),
        "band-scan": None,
        "band-birth-date": None,
    }
    return bed.last(bed.check(changed=room))


def verifiers(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    first, second, performer = (
        Worker(number=given[who], name=given[who]) if given[who] else None
        for who in ("verifier1", "verifier2", "performer")
    )
    changed: dict[str, Any] = (
        {"second-checker": ("Reference", of_worker(second))}
        if second
        else {
            "second-checker": None,
            "second-checked-at": None,
        }
    )
    if not given["automated"]:
        changed |= typed(bed.bag)
    made = with_fields(bed.check(changed=changed), owner=of_worker(first))  # type: ignore[arg-type]
    return bed.last(made, bed.start(by=performer))


def typed(bag: Bag, donation: str | None = None) -> dict[str, Any]:
    """The bag's label keyed in by hand."""
    return {
        "bag-scan": None,
        "bag-donation-number": ("String", donation or bag.printed),
        "bag-product-code": ("String", f"{bag.product}V00"),
        "bag-group": ("String", bag.group),
        "bag-expiry": ("DateTime", at("23:59", bag.expires[:10])),
    }


def interrupted(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    said = {"interrupted": ("Boolean", given["check_interrupted"])}
    return bed.last(bed.check(changed=said))


def entered_character(bed: Bed, given: Json) -> Told:
    bed.bag = replace(BAG, din=given["din"])
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    keyed = given["din"] + given["entered_check_char"]
    return bed.last(bed.check(changed=typed(bed.bag, keyed)))


def bag_and_label(bed: Bed, given: Json) -> Told:
    bed.bag = replace(BAG, din=given["pack_din"])
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    other = given["label_din"] + check_character(given["label_din"])
    return bed.last(bed.check(changed={"label-donation-number": ("String", other)}))


def sample_age(bed: Bed, given: Json) -> Told:
    """The whole case moves to the invented day: days apart and times of the day stay."""
    collected, planned = (
        datetime.fromisoformat(given[name]) for name in ("collected", "planned_start")
    )
    day = (TODAY - (planned.date() - collected.date())).date().isoformat()
    clock = planned.strftime("%H:%M")
    bed.house.clock.set(moment(clock) + timedelta(minutes=1))
    said = {name: given.get(name) for name in ("recent_transfusion", "recent_pregnancy")}
    marks = [
        ours(name.replace("_", "-"), valueBoolean=value)
        for name, value in said.items()
        if isinstance(value, bool)
    ]
    order, sample = (
        resources.order(bed.person, order_of(bed.person)),
        resources.sample(bed.person, collected=collected.strftime("%H:%M"), day=day),
    )
    rest = [one for one in admission() if kind_of(one) not in ("ServiceRequest", "Specimen")]
    order = {r: one | ({"extension": marks} if marks else {}) for r, one in order.items()}
    window = {"start": at("00:00"), "end": at("23:59")}
    early = (moment(clock) - timedelta(minutes=20)).astimezone(LONDON)
    said_ = (*rest, with_fields(order, occurrencePeriod=window), sample)
    issue = with_fields(supply()[1])
    unit, _, crossmatch = supply()
    handed = early.isoformat()
    issue = handed_over(issue, handed)
    vital = with_fields(resources.vitals(bed.person, "VS-0", "09:55"), effectiveDateTime=handed)
    bed.tell(*said_, unit, issue, with_fields(crossmatch, effectiveDateTime=handed), vital)
    made = bed.check("00:00", "00:00")
    period = {"start": moment(clock).isoformat(), "end": moment(clock).isoformat()}
    second = {
        "second-checked-at": ("DateTime", (moment(clock) + timedelta(seconds=30)).isoformat())
    }
    return bed.last(with_inputs(with_fields(made, executionPeriod=period), second))


def handed_over(issue: Both, when: str) -> Both:
    name = "BiologicallyDerivedProductDispense.whenHandedOver"
    r4 = issue["R4"] | {
        "extension": [
            one | {"valueDateTime": when} if one["url"] == f"{CROSS}{name}" else one
            for one in issue["R4"]["extension"]
        ]
    }
    return {"R4": r4, "R5": issue["R5"] | {"whenHandedOver": when}}


def expiry(bed: Bed, given: Json) -> Told:
    planned = datetime.fromisoformat(given["planned_start"])
    last = datetime.fromisoformat(given["expiry"])
    day = (TODAY - (planned.date() - last.date())).date().isoformat()
    bed.bag = replace(BAG, expires=f"{day}T23:59")
    rate = 140
    if "planned_end" in given:
        hours = (datetime.fromisoformat(given["planned_end"]) - planned) / timedelta(hours=1)
        rate = int(280 / hours)
    return at_night(bed, planned.strftime("%H:%M"), rate)


def at_night(bed: Bed, clock: str, rate: int) -> Told:
    """A check and start at any time of the day, everything else in order at that time."""
    start = moment(clock)
    handed = (start - timedelta(minutes=12)).isoformat()
    bed.house.clock.set(start + timedelta(seconds=1))
    order = resources.order(bed.person, order_of(bed.person), units=2, rate=rate)
    window = {
        "start": (start - timedelta(hours=8)).isoformat(),
        "end": (start + timedelta(hours=8)).isoformat(),
    }
    unit, issue, crossmatch = supply(bed.person, bed.bag)
    vital = resources.vitals(bed.person, "VS-0", "09:55")
    rest = [one for one in admission(bed.person) if kind_of(one) != "ServiceRequest"]
    bed.tell(
        *rest,
        with_fields(order, occurrencePeriod=window),
        unit,
        handed_over(issue, handed),
        with_fields(crossmatch, effectiveDateTime=handed),
        with_fields(vital, effectiveDateTime=handed),
    )
    began, ended = start - timedelta(minutes=5), start - timedelta(minutes=1)
    period = {"start": began.isoformat(), "end": ended.isoformat()}
    seconds = (began + timedelta(seconds=30)).isoformat()
    made = with_inputs(
        with_fields(bed.check("00:00", "00:00"), executionPeriod=period),
        {"second-checked-at": ("DateTime", seconds)},
    )
    return bed.last(made, bed.start(clock, rate=rate))


def requirement(bed: Bed, given: Json) -> Told:
    bed.ready(order={"requirements": given["order_special"]})
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    return bed.last(bed.check())


def no_consent(bed: Bed, given: Json) -> Told:
    bed.ready(without={"Consent"})
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    return bed.last(bed.check())


def line(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    said = {"fluid": ("CodeableConcept", {"text": given["co_infusion"]})}
    return bed.last(bed.check(changed=said))


def baseline(bed: Bed, given: Json) -> Told:
    bed.ready()
    when = given.get("baseline_at", "2025-03-14T09:55")[11:]
    vital = resources.vitals(bed.person, "VS-0", when)
    bed.tell(without_vitals(vital, given.get("baseline_missing", ())))
    clock = given["start"][11:]
    bed.until(clock)
    return bed.last(bed.check("09:56", "09:59"), bed.start(clock))


VITAL_CODES = {
    "temp": "8310-5",
    "respiratory_rate": "9279-1",
    "hr": "8867-4",
    "sbp": "8480-6",
    "spo2": "59408-5",
}
PANEL = {"temp": "temperature", "hr": "heart_rate", "sbp": "systolic", "spo2": "saturation"}


def without_vitals(both: Both, missing: Iterable[str]) -> Both:
    gone = {VITAL_CODES[name] for name in missing}
    parts = [one for one in both["R4"]["component"] if one["code"]["coding"][0]["code"] not in gone]
    return with_fields(both, component=parts)


def removal(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "10:05"))
    bed.until(given["start"])
    out = {"out-since": ("DateTime", at(given["t_out"]))}
    return bed.last(bed.check("10:20", "10:25", changed=out), bed.start(given["start"]))


def returned(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.until("10:45")
    out = (moment("10:45") - timedelta(minutes=given["t_out_min"])).strftime("%H:%M")
    made = steps.give_back("RET-1", bed.person, bed.bag, "10:45", out, "Not needed")
    degrees = given.get("temperature_c", 6.5)
    return bed.last(with_inputs(made, {"temperature": ("Quantity", amount(degrees, "Cel"))}))


def to_the_limit(bed: Bed, given: Json) -> Told:
    """A start whose planned end is the limit itself: 235 mL at 60 mL/h from five past."""
    volume = 235
    bed.ready(order={"rate": 60}, issue=lambda issue: of_volume(issue, volume))
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    if given.get("phase") == "running":
        out = {"out-since": ("DateTime", at(given["t_out"]))}
        bed.tell(bed.check("10:00", "10:02", changed=out), bed.start("10:05", 100))
        bed.until(given["now"])
        return bed.last(bed.step("acknowledge", given["now"], unit=False))
    out = {"out-since": ("DateTime", at(given["t_out"]))}
    told = bed.last(bed.check("10:00", "10:02", changed=out), bed.start("10:05", 60))
    bed.until("13:45")
    told.requests = bed.told({"resource": {}}).requests
    return told


def of_volume(issue: Both, volume: int) -> Both:
    """An issue of so many mL."""
    name = f"{CROSS}BiologicallyDerivedProductDispense.quantity"
    r4 = issue["R4"] | {
        "extension": [
            one | {"valueQuantity": amount(volume, "mL")} if one["url"] == name else one
            for one in issue["R4"]["extension"]
        ]
    }
    return {"R4": r4, "R5": issue["R5"] | {"quantity": amount(volume, "mL")}}


def first_quarter(bed: Bed, given: Json) -> Told:
    bed.ready(order={"rate": 140})
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    bed.until("10:06")
    return bed.last(bed.check(), bed.start("10:05", given["first_15_rate_ml_h"]))


def last_observation(bed: Bed, given: Json) -> Told:
    bed.ready()
    bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
    bed.tell(bed.check(), bed.start())
    for clock in ("10:20", "11:05"):
        bed.until(clock)
        bed.tell(resources.vitals(bed.person, f"VS-{clock}", clock))
    bed.until(given["end"])
    bed.tell(an_end(bed.person, bed.bag, given["end"]))
    bed.until(given["final_obs"])
    return bed.told({"resource": {}})


def fourth_on_the_set(bed: Bed, given: Json) -> Told:
    """Three units before it, each about an hour long, all on the set of the first."""
    bed.tell(*admission(bed.person, units=given["units_on_set"], rate=150))
    one_set = {"set": ("Reference", named("Device", number("set", "SET-1")))}
    hung = moment("14:00") - timedelta(hours=given["set_age_h"])
    told = Told(word="")
    for place in range(given["units_on_set"]):
        last = place == given["units_on_set"] - 1
        start = moment("14:00") if last else hung + timedelta(minutes=75 * place)
        bed.bag = replace(BAG, din=f"A9999273001{place:02d}", issue=f"IS-{place}")
        bed.house.until(start)
        clock = start.astimezone(LONDON).strftime("%H:%M")
        early = (start - timedelta(minutes=12)).astimezone(LONDON).strftime("%H:%M")
        began = (start - timedelta(minutes=5)).astimezone(LONDON).strftime("%H:%M")
        ended = (start - timedelta(minutes=1)).astimezone(LONDON).strftime("%H:%M")
        bed.tell(*supply(bed.person, bed.bag, early))
        bed.tell(resources.vitals(bed.person, f"VS-{clock}", early))
        made = with_inputs(bed.start(clock, 50), one_set)
        told = bed.last(bed.check(began, ended), made)
        if not last:
            down = start + timedelta(minutes=60)
            bed.house.until(down)
            bed.tell(an_end(bed.person, bed.bag, down.astimezone(LONDON).strftime("%H:%M")))
    return told
