"""Vital signs that belong to a patient, and how a reaction moves them.

Numbers by age and by category are from memory, within the definitions that the rules quote; they
make plausible courses, not a model of anybody.
"""

from datetime import datetime, timedelta

from service.generate.draws import Draws
from service.generate.plans import Plan, Reaction, UnitPlan
from service.generate.words import Json, own

NORMAL = (  # months of age up to: heart rate, respiratory rate, systolic, diastolic
    (12, 132, 36, 86, 50),
    (60, 108, 27, 96, 58),
    (144, 90, 21, 106, 64),
    (216, 80, 17, 116, 70),
    (9999, 80, 16, 126, 74),
)
WHOLE = ("heart_rate", "respiratory_rate", "systolic", "diastolic", "saturation")
LOWEST = {"systolic": 48.0, "diastolic": 28.0, "saturation": 70.0, "respiratory_rate": 8.0}
SPREAD = {  # between patients, between two sets of one patient: furthest from the middle
    "temperature": (0.4, 0.2),
    "heart_rate": (10, 4),
    "respiratory_rate": (2, 1),
    "systolic": (14, 5),
    "diastolic": (8, 4),
    "saturation": (1, 1),
}
CHANGES: dict[str, dict[str, float]] = {  # at the worst, when mild
    "allergic": {"heart_rate": 12},
    "febrile": {"temperature": 1.3, "heart_rate": 16},
    "hypotensive": {"systolic": -50, "diastolic": -25, "heart_rate": 12},
    "tad": {"respiratory_rate": 8, "saturation": -4, "heart_rate": 12},
    "trali": {"respiratory_rate": 14, "saturation": -11, "heart_rate": 26, "temperature": 0.8},
    "taco": {"respiratory_rate": 11, "saturation": -8, "systolic": 38, "heart_rate": 22},
    "ahtr": {"temperature": 1.6, "systolic": -32, "diastolic": -20, "heart_rate": 34},
    "sepsis": {"temperature": 2.4, "systolic": -36, "diastolic": -20, "heart_rate": 46},
}
SEVERE = 1.3  # times as much
SIGNS = {  # mild, and in addition when severe
    "allergic": (("urticaria", "pruritus"), ("wheeze", "hypotension")),
    "febrile": (("chills",), ("rigors", "nausea")),
    "hypotensive": (("hypotension",), ("syncope",)),
    "tad": (("dyspnoea",), ("respiratory-distress",)),
    "trali": (("dyspnoea",), ("respiratory-distress", "cyanosis")),
    "taco": (("dyspnoea", "orthopnoea"), ("pulmonary-oedema",)),
    "ahtr": (("loin-pain", "chills"), ("dark-urine",)),
    "sepsis": (("rigors",), ("vomiting",)),
}
SEVERE_CHANGES = {"allergic": {"systolic": -45.0, "saturation": -6.0, "respiratory_rate": 8.0}}
TITLES = {
    "allergic": "Allergic reaction",
    "febrile": "Febrile reaction",
    "hypotensive": "Hypotensive reaction",
    "tad": "Breathlessness after transfusion",
    "trali": "Lung injury suspected",
    "taco": "Circulatory overload",
    "ahtr": "Haemolytic reaction suspected",
    "sepsis": "Bacterial contamination suspected",
}
FULL = timedelta(minutes=25)  # how long a reaction stays at its worst, and how long it fades
FADES = timedelta(minutes=150)


def usual(draws: Draws, plan: Plan) -> dict[str, float]:
    """A patient's own values."""
    months = plan.person.months
    _, rate, breaths, systolic, diastolic = next(row for row in NORMAL if months < row[0])
    middle = {
        "temperature": 36.8,
        "heart_rate": rate,
        "respiratory_rate": breaths,
        "systolic": systolic,
        "diastolic": diastolic,
        "saturation": 97.0,
    }
    return {word: draws.near(value, SPREAD[word][0]) for word, value in middle.items()}


def readings(
    draws: Draws, own_values: dict[str, float], unit: UnitPlan, when: datetime
) -> dict[str, float]:
    """One set at an instant, as far as a reaction has come by then."""
    found = {word: draws.near(value, SPREAD[word][1]) for word, value in own_values.items()}
    if unit.reaction is not None:
        share = _share(unit.reaction, when)
        for word, change in _changes(unit.reaction).items():
            found[word] += change * share
    return {word: _written(word, value) for word, value in found.items()}


def _changes(reaction: Reaction) -> dict[str, float]:
    changes = dict(CHANGES[reaction.category])
    if reaction.severe:
        changes = {word: change * SEVERE for word, change in changes.items()}
        changes |= SEVERE_CHANGES.get(reaction.category, {})
    return changes


def _share(reaction: Reaction, when: datetime) -> float:
    """0 before the onset, 1 while it is at its worst, then fading."""
    since = when - reaction.onset
    if since < timedelta():
        return 0.0
    return min(1.0, max(0.0, 1 - (since - FULL) / FADES))


def _written(word: str, value: float) -> float:
    bounded = max(value, LOWEST.get(word, value))
    if word == "saturation":
        bounded = min(bounded, 100.0)
    return round(bounded) if word in WHOLE else round(bounded, 1)


def mistyped(value: float) -> float:
    """A temperature with its last two digits exchanged: 39.6 for 36.9."""
    tens, last = divmod(round(value * 10), 10)
    return (tens // 10 * 100 + last * 10 + tens % 10) / 10


def signs(reaction: Reaction) -> list[Json]:
    """What is seen and said, in our own code system."""
    mild, more = SIGNS[reaction.category]
    return [own("sign", word) for word in (*mild, *(more if reaction.severe else ()))]
