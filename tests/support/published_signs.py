"""The catalogue's cases of vital signs and reactions, as what a ward would send."""

from datetime import datetime, timedelta
from typing import Any

from tests.support.apps import Json
from tests.support.authoring import resources
from tests.support.authoring.words import (
    LOINC,
    SNOMED,
    Both,
    Person,
    amount,
    at,
    concept,
    named,
    number,
    ours,
    own,
    same,
)
from tests.support.bedsides import Bed, Told, moment, person_of
from tests.support.published import PANEL, without_vitals
from tests.support.worlds import (
    an_end,
    with_fields,
)

START, DOWN = "10:05", "12:00"
SIGNS = {"chills": "chills", "flank-pain": "loin-pain"}
RESULTS = {"dat-positive": ("dat", "positive"), "hb-fall": ("haemoglobin", "lowered")}


def screen(bed: Bed, given: Json) -> Told:
    """A running or ended unit with signs; the laboratory's step is answered the advice."""
    bed.person = person_of(given)
    bed.ready()
    before = {"temp": 36.8, "hr": 78, "sbp": 124, "spo2": 97} | given.get("baseline", {})
    bed.tell(set_of(bed, "VS-0", "09:55", before))
    if "weight_kg" in given:
        bed.tell(weight(bed.person, given["weight_kg"]))
    for one in results_before(bed, given):
        bed.tell(one)
    bed.tell(bed.check(), bed.start(START))
    when = seen_at(bed, given)
    bed.house.until(when)
    for one in seen(bed, given, before, when):
        bed.tell(one)
    told = bed.last(_at(_asking(bed, given), when))
    bed.house.until(when + timedelta(minutes=16))
    if given_candidates(given):
        report = bed.step("suspect-reaction", START)
        bed.tell(_at(report, when + timedelta(minutes=16)))
    told.events = bed.told({"resource": {}}).events
    return told


def given_candidates(given: Json) -> bool:
    """Cases of delayed or imaged signs, of which a screen alone tells nobody."""
    return bool({"taco", "pf", "days_since", "findings"} & given.keys())


def _asking(bed: Bed, given: Json) -> Both:
    """A step that changes nothing and is answered the advice: the same rate again, or a reply."""
    if ended(given):
        return bed.step("acknowledge", START, unit=False)
    rate = ("rate", "Quantity", amount(140, "mL/h"))
    return bed.step("change-rate", START, rate)


def ended(given: Json) -> bool:
    """True for a case of a unit that is down."""
    return "days_since" in given or ("minutes_since_end" in given and "phase" not in given)


def _at(both: Both, when: datetime) -> Both:
    return with_fields(both, executionPeriod={"start": when.isoformat()})


def seen_at(bed: Bed, given: Json) -> datetime:
    """When the signs are seen; the unit is ended first where the case says so."""
    if not ended(given):
        return moment(START) + timedelta(minutes=given.get("minutes_since_start", 30))
    for clock in ("10:20", "11:05"):
        bed.until(clock)
        bed.tell(resources.vitals(bed.person, f"VS-{clock}", clock))
    bed.until(DOWN)
    bed.tell(an_end(bed.person, bed.bag, DOWN))
    days = timedelta(days=given.get("days_since", 0))
    return moment(DOWN) + days + timedelta(minutes=given.get("minutes_since_end", 0))


def seen(bed: Bed, given: Json, before: Json, when: datetime) -> list[Both]:
    found: list[Both] = []
    if "now" in given or "missing" in given:
        now = {k: v for k, v in (before | given.get("now", {})).items() if k != "chills"}
        made = set_of(bed, "VS-1", "10:35", now)
        found.append(without_vitals(made, given.get("missing", ())))
    words = [*given.get("signs", ()), *(["chills"] if given.get("now", {}).get("chills") else [])]
    found += [a_sign(bed.person, SIGNS.get(word, word)) for word in words if word != "fever"]
    found += overload(bed.person, given["taco"]) if "taco" in given else []
    found += injury(bed.person, given) if "pf" in given else []
    found += [result(bed.person, *RESULTS[word]) for word in given.get("findings", ())]
    if "platelets_now" in given:
        found.append(result(bed.person, "platelet-count", number_=given["platelets_now"]))
        found.append(result(bed.person, "hpa-antibody", "positive"))
    return [with_fields(one, effectiveDateTime=when.isoformat()) for one in found]


def results_before(bed: Bed, given: Json) -> list[Both]:
    found = []
    if "taco" in given:
        found.append(result(bed.person, "nt-probnp", number_=100, unit="ng/L", name="before"))
    if "platelets_pre" in given:
        found.append(
            result(bed.person, "platelet-count", number_=given["platelets_pre"], name="before")
        )
    return [with_fields(one, effectiveDateTime=at("09:00")) for one in found]


def set_of(bed: Bed, value: str, clock: str, values: Json) -> Both:
    known = {PANEL[name]: held for name, held in values.items() if name in PANEL}
    made = resources.vitals(bed.person, value, clock, **known)
    if "map" in values:
        mean = {
            "code": concept(LOINC, "8478-0", "Mean blood pressure"),
            "valueQuantity": amount(values["map"], "mm[Hg]"),
        }
        made = with_fields(made, component=[*made["R4"]["component"], mean])
    if values.get("oxygen") == "room-air":
        air = ours("room-air", valueBoolean=True)
        parts = [
            one | ({"extension": [air]} if one["code"]["coding"][0]["code"] == "59408-5" else {})
            for one in made["R4"]["component"]
        ]
        made = with_fields(made, component=parts)
    return made


def observation(person: Person, value: str, code: Json, **said: Any) -> Both:
    return same(
        {
            "resourceType": "Observation",
            "identifier": [number("observation", value)],
            "status": "final",
            "code": code,
            "subject": named("Patient", number("patient", person.number)),
            "effectiveDateTime": at("09:00"),
            **said,
        }
    )


def weight(person: Person, kilograms: float) -> Both:
    code = concept(LOINC, "29463-7", "Body weight")
    return observation(person, "W-1", code, valueQuantity=amount(kilograms, "kg"))


def a_sign(person: Person, word: str, present: bool = True) -> Both:
    said = concept(SNOMED, "52101004" if present else "2667000")
    return observation(person, f"S-{word}", own("sign", word), valueCodeableConcept=said)


def result(
    person: Person,
    word: str,
    said: str | None = None,
    *,
    number_: float | None = None,
    unit: str = "10*9/L",
    name: str = "after",
) -> Both:
    value: Json = (
        {"valueCodeableConcept": own("result-word", said)}
        if said
        else {"valueQuantity": amount(number_ or 0, unit)}
    )
    return observation(person, f"R-{word}-{name}", own("result", word), **value)


def overload(person: Person, flags: dict[str, bool]) -> list[Both]:
    """Criteria A to E as facts; those that are false as denied or measured normal."""
    return [
        a_sign(person, "dyspnoea", flags["A"]),
        result(person, "chest-imaging", "bilateral-oedema" if flags["B"] else "clear"),
        a_sign(person, "tachycardia", flags["C"]),
        result(person, "fluid-balance", "positive" if flags["D"] else "negative"),
        result(person, "nt-probnp", number_=200 if flags["E"] else 110, unit="ng/L"),
    ]


def injury(person: Person, given: Json) -> list[Both]:
    found = [result(person, "pf-ratio", number_=given["pf"], unit="mm[Hg]")]
    if given.get("bilateral_imaging") is True:
        found.append(result(person, "chest-imaging", "bilateral-oedema"))
    for flag, word in (
        ("lah", "left-atrial-hypertension"),
        ("ards_risk", "ards-risk"),
        ("stable_12h", "respiratory-stability"),
    ):
        if flag in given:
            found.append(result(person, word, "positive" if given[flag] else "negative"))
    return found
