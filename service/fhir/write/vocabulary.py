"""From the words of the code to the words of the ward and the laboratory.

Texts of findings, notices and Tasks are made in rooms that know neither the hospital's clock nor
who will read; ``spoken`` turns what a machine would write in them (instants, unit keys, tokens,
code words) into what a person reads. What a sender wrote himself stays as it is.
"""

import re
from collections.abc import Iterable
from datetime import datetime, tzinfo

from service.facts.unit import UNDIVIDED, UnitKey
from service.fhir.write.times import clock_text, day_text
from service.scan.isbt128 import check_character

# Words of the code maps that people write otherwise. Signs are English but for their hyphens.
WORDS: dict[str, str] = {
    "cmv-negative": "CMV negative",
    "cmv-safe": "CMV risk reduced",
    "hbs-negative": "HbS negative",
    "hla-matched": "HLA matched",
    "hla-selected": "HLA selected",
    "iga-deficient": "IgA deficient",
    "sodium-chloride-0.9": "0.9 % sodium chloride",
    "lactated-ringer": "lactated Ringer's solution",
    "ards-risk": "risk of acute respiratory distress syndrome",
    "pf-ratio": "PaO2/FiO2",
    "nt-probnp": "NT-proBNP",
    "hpa-antibody": "HPA antibody",
    "overload-checklist": "checklist of overload risks",
    "observable-here": "whether the patient can be observed here",
    "spoken-confirmed": "whether the spoken name and birth date match",
    "seal-intact": "whether the seal is intact",
    "out-since": "when the unit left controlled storage",
    "second-checked-at": "time of the second check",
    "access-gauge": "size of the venous access",
    "t_out": "leaving controlled storage",
    **{
        word: word.replace("-", " ")
        for word in (
            *("antigen-negative", "filtered-at-issue", "pathogen-reduced", "birth-date"),
            *("back-pain", "chest-imaging", "chest-pain", "chest-tightness", "dark-urine"),
            *("conjunctival-oedema", "diuresis-response", "fluid-balance", "gut-severe"),
            *("infusion-site-pain", "left-atrial-hypertension", "left-heart-failure"),
            *("lip-tongue-uvula-oedema", "localized-angioedema", "loin-pain", "patient-culture"),
            *("periorbital-oedema", "peripheral-oedema", "plasma-colour", "plasma-haemoglobin"),
            *("platelet-count", "pulmonary-oedema", "raised-venous-pressure", "unit-culture"),
            *("respiratory-distress", "respiratory-stability", "stayed-with-patient"),
            *("tongue-larynx-angioedema", "urine-haemoglobin", "white-cell-chimerism"),
            *("critical-care", "day-unit", "least-incompatible", "not-alert", "not-done"),
            *("monitored-refrigerator", "validated-container"),
        )
    },
}

# As a whole item of a list only: elsewhere these are words of their own.
ITEMS: dict[str, str] = {
    "systolic": "systolic pressure",
    "diastolic": "diastolic pressure",
    "saturation": "oxygen saturation",
    "consciousness": "level of consciousness",
    "end": "observation set at the end",
    "din": "donation number",
    "hartmann": "Hartmann's solution",
}

CATEGORY_TEXT = {
    "wrong-blood": "wrong blood or wrong patient",
    "anaphylaxis": "anaphylaxis",
    "TRALI-I": "transfusion-related acute lung injury, type I (TRALI)",
    "TRALI-II": "transfusion-related acute lung injury, type II (TRALI)",
    "TRALI/TACO": "lung injury and circulatory overload not told apart (TRALI/TACO)",
    "TACO": "transfusion-associated circulatory overload (TACO)",
    "respiratory-undetermined": "respiratory reaction, undetermined",
    "TAD": "transfusion-associated dyspnoea (TAD)",
    "AHTR": "acute haemolytic transfusion reaction (AHTR)",
    "sepsis-suspected": "bacterial infection through the unit, suspected (sepsis)",
    "TA-GVHD": "transfusion-associated graft-versus-host disease (TA-GVHD)",
    "PTP": "post-transfusion purpura (PTP)",
    "DHTR": "delayed haemolytic transfusion reaction (DHTR)",
    "DSTR": "delayed serological transfusion reaction (DSTR)",
    "hypotensive": "hypotensive transfusion reaction",
    "FNHTR": "febrile non-haemolytic transfusion reaction (FNHTR)",
    "allergic": "allergic reaction",
}

_DIN = re.compile(r"[A-NP-Z1-9][A-NP-Z0-9]{2}[0-9]{10}", re.ASCII)
_UNIT_CODES = {"Cel": "°C", "mm[Hg]": "mmHg", "um": "µm", "mo": "months", "a": "years"}
_MEASURED = re.compile(r"(-?[0-9.]+) (\S+)", re.ASCII)
_TELLTALE = re.compile(r"[-_\d]|Observation end")  # nothing a machine writes is without one
_MACHINE = re.compile(
    rf"""
    (?<![\w|/=.+-])(?:
        (?P<din>{_DIN.pattern})/(?P<product>[A-Z][A-Z0-9]{{4}})/(?P<division>[0-9A-Za-z]{{6}})
      | (?P<system>(?:https?|urn):[^\s|]+)\|(?P<number>[^\s;,|]+)
      | (?P<day>\d{{4}}-\d\d-\d\d)
        (?:[T ](?P<clock>\d\d:\d\d(?::\d\d)?)(?:\.\d+)?[ ]?(?P<offset>Z|[+-]\d\d:?\d\d))?
      | Observation[ ](?P<titled>obs-1|hourly-\d+|end)
      | (?P<set>obs-1|hourly-\d+)
      | (?P<word>[a-z]+(?:[-_](?:[a-z]+|\d+(?:\.\d+)?))+)
    )(?![\w-]|:\d)
    """,
    re.VERBOSE | re.ASCII,
)


def spoken(text: str, zone: tzinfo | None) -> str:
    """A text of ours with what machines write turned into what people read.

    zone: the hospital's; None leaves an instant on the clock it came with.
    """
    if _TELLTALE.search(text) is None:
        return text
    return _MACHINE.sub(lambda found: _spoken(found, zone), text).replace(" /min", "/min")


def item_text(item: str, zone: tzinfo | None = None) -> str:
    """One item of a list of ours, such as a missing input or an observation set."""
    return ITEMS.get(item) or spoken(item, zone)


def items_text(items: Iterable[str], zone: tzinfo | None = None) -> str:
    """A list of ours, its items parted by commas."""
    return ", ".join(item_text(item, zone) for item in items)


def detail_text(label: str, text: str, zone: tzinfo | None) -> tuple[str, str]:
    """A pair of a content list: its label, and its text, whose items are parted by semicolons."""
    words = CATEGORY_TEXT if label == "Candidate" else {}
    items = (words.get(item) or item_text(item, zone) for item in text.split("; "))
    return spoken(label, zone), "; ".join(items)


def policy_value(value: str) -> str:
    """The value of a policy row: a number with its unit as people write it, words as words."""
    measured = _MEASURED.fullmatch(value)
    if measured is not None:
        number, unit = measured.groups()
        return _with_unit(number, unit)
    return items_text(value.split(", "))


def donation_text(din: str) -> str:
    """A donation number as it is printed for the eye: facility, year, serial, check character.

    The check character is not part of the number (ST-001, structure 001): it guards the reading
    aloud and the typing of it. What is no ISBT 128 donation number stays as it is.
    """
    if _DIN.fullmatch(din) is None:
        return din
    return f"{din[:5]} {din[5:7]} {din[7:]} {check_character(din)}"


def division_text(division: str) -> str:
    """``undivided``, or which division."""
    return "undivided" if division == UNDIVIDED else f"division {division}"


def unit_key_text(key: UnitKey) -> str:
    """A unit's key for people: donation number, product code, division."""
    return f"{donation_text(key.din)}, product {key.product}, {division_text(key.division)}"


def _spoken(found: re.Match[str], zone: tzinfo | None) -> str:
    part = found.groupdict()
    if part["din"]:
        return unit_key_text(UnitKey(part["din"], part["product"], part["division"]))
    if part["number"]:
        return f"{part['number']} ({part['system']})"
    if part["day"]:
        return _time(found, zone)
    if part["titled"]:
        return f"The {_set(part['titled'])}"
    if part["set"]:
        return _set(part["set"])
    word: str = part["word"]
    return WORDS.get(word) or word.replace("_", " ")


def _time(found: re.Match[str], zone: tzinfo | None) -> str:
    day, clock, offset = found["day"], found["clock"], found["offset"]
    if clock is None:
        return day_text(day)
    try:
        instant = datetime.fromisoformat(f"{day}T{clock}{offset}")
    except ValueError:
        return found[0]
    return clock_text(instant, zone)


def _set(ordinal: str) -> str:
    if ordinal in ITEMS:
        return ITEMS[ordinal]
    word, _, number = ordinal.partition("-")
    return "first observation set" if word == "obs" else f"hourly observation set {number}"


def _with_unit(number: str, unit: str) -> str:
    if unit.startswith("{"):
        return f"{number} {unit.strip('{}')}"
    if unit == "/min":
        return f"{number}/min"
    return f"{number} {_UNIT_CODES.get(unit, unit)}"
