"""The bedside triggers as a table (rules.md 5.1), with those that only make candidates (5.2).

A trigger is met when every condition of one of its combinations is shown in one set. It cannot be
told when a combination lacks only what was not measured or cannot be compared.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from service.facts.quantity import Vital
from service.rules import monitoring_conditions as c
from service.rules.monitoring_conditions import OF_VITAL

PRESSURE = c.HYPOTENSIVE, c.CHILD_FALL, c.SMALL_FALL, c.SAID_HYPOTENSION
ANY_FALL = *PRESSURE, c.LOW
NOT_ALONE = c.AIRWAY_OR_BREATHING, c.DESATURATED, c.SYNCOPE, c.SEVERE_GUT


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """One row. ``any_of``: combinations of conditions as masks.

    rule: the catalogue id; reason: stable code; text: one plain sentence. whether: the clause for
    "it cannot be told whether". unless: reason of a graver trigger that speaks in its place. word:
    the advice where it is not the rule row's; unsure_word: the same when it cannot be told. ended:
    the advice after the bag is down where it is not the usual one. rows: the thresholds to cite.
    silent: makes no finding.
    """

    rule: str
    reason: str
    text: str = ""
    whether: str = ""
    any_of: tuple[int, ...]
    unless: str | None = None
    word: str | None = None
    unsure_word: str | None = None
    ended: str | None = None
    rows: tuple[str, ...] = ()
    silent: bool = False

    @property
    def conditions(self) -> int:
        """Every condition that some combination asks for."""
        found = 0
        for combination in self.any_of:
            found |= combination
        return found

    @property
    def vitals(self) -> tuple[Vital, ...]:
        """The vitals whose readings bear on it."""
        wanted = self.conditions
        return tuple(vital for vital, bits in OF_VITAL.items() if bits & wanted)


def _each(firsts: tuple[int, ...], seconds: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(first | second for first in firsts for second in seconds)


SEPSIS = _each((c.SEPTIC_HEAT, c.RIGORS), (c.SEPTIC_RATE, c.SEPTIC_FALL))
ANAPHYLAXIS = (
    *_each((c.SKIN,), (*NOT_ALONE, *ANY_FALL)),
    *_each(PRESSURE, NOT_ALONE),
    c.BRONCHOSPASM_OR_LARYNX,
    c.AIRWAY_SWELLING,
)
FEVERS = c.NEW_FEVER, c.FEVER_SAID

TRIGGERS: tuple[Trigger, ...] = (
    Trigger(
        rule="VIT-01",
        reason="fever-with-rise",
        text="Temperature and its rise are both at fever: a febrile reaction is suspected.",
        whether="temperature and its rise are both at fever",
        any_of=(c.FEBRILE,),
        rows=("fever", "fever-rise"),
    ),
    Trigger(
        rule="VIT-02",
        reason="fever-or-rise",
        text="Temperature or its rise alone is at fever.",
        whether="temperature or its rise alone is at fever",
        any_of=(c.HOT, c.RISEN, c.FEVER_SAID),
        unless="fever-with-rise",
        rows=("fever", "fever-rise"),
    ),
    Trigger(
        rule="VIT-03",
        reason="high-rise",
        text="The temperature has risen far: haemolysis and infection have to be looked for.",
        whether="the temperature has risen far",
        any_of=(c.STOP_RISE, c.HIGH),
        rows=("fever-rise-stop", "high-fever", "fever-rise"),
    ),
    Trigger(
        rule="VIT-04",
        reason="chills-or-rigors",
        text="Chills or rigors were reported.",
        any_of=(c.CHILLS,),
    ),
    Trigger(
        rule="VIT-05",
        reason="hypotension",
        text="Systolic pressure has fallen to the definition of a hypotensive reaction.",
        whether="systolic pressure has fallen to the definition of a hypotensive reaction",
        any_of=(c.HYPOTENSIVE,),
        rows=("hypotension-drop", "hypotension-floor"),
    ),
    Trigger(
        rule="VIT-06",
        reason="pressure-falling",
        text="Systolic pressure is falling: an early warning.",
        whether="systolic pressure is falling",
        any_of=(c.LOW,),
        unless="hypotension",
        rows=("hypotension-drop", "low-pressure", "low-pressure-drop"),
    ),
    Trigger(
        rule="VIT-07",
        reason="child-hypotension",
        text="A child's systolic pressure has fallen by more than the share.",
        whether="a child's systolic pressure has fallen by more than the share",
        any_of=(c.CHILD_FALL,),
        rows=("child-drop",),
    ),
    Trigger(
        rule="VIT-07",
        reason="child-pressure-falling",
        text="A child's systolic pressure has fallen close to the share.",
        whether="a child's systolic pressure has fallen close to the share",
        any_of=(c.CHILD_DIP,),
        unless="child-hypotension",
        word="watch",
        rows=("child-drop-watch",),
    ),
    Trigger(
        rule="VIT-08",
        reason="small-child-hypotension",
        text="A small child's pressure has fallen by more than the share.",
        whether="a small child's pressure has fallen by more than the share",
        any_of=(c.SMALL_FALL,),
        rows=("child-drop",),
    ),
    Trigger(
        rule="VIT-09",
        reason="pressure-fall-with-fever-or-pain",
        text="Pressure has fallen with fever, pain or dark urine: haemolysis is suspected.",
        whether="pressure has fallen together with fever, pain or dark urine",
        any_of=_each((c.FALL,), (*FEVERS, c.PAIN, c.DARK_URINE)),
        rows=("haemolysis-drop", "fever"),
    ),
    Trigger(
        rule="VIT-10",
        reason="sepsis-screen",
        text="High temperature or rigors together with signs of shock: sepsis is suspected.",
        whether="high temperature or rigors go with signs of shock",
        any_of=SEPSIS,
        rows=(
            "sepsis-temperature",
            "sepsis-rise",
            "sepsis-heart-rate",
            "sepsis-heart-rate-rise",
            "sepsis-heart-rate-jump",
            "sepsis-pressure-drop",
        ),
    ),
    Trigger(
        rule="VIT-11",
        reason="desaturation",
        text="Oxygen saturation is low and has fallen.",
        whether="a low oxygen saturation has fallen",
        any_of=(c.DESATURATED,),
        rows=("saturation-floor", "saturation-drop"),
    ),
    Trigger(
        rule="VIT-11",
        reason="breathlessness",
        text="Breathlessness or another sign of respiratory trouble was reported.",
        any_of=(c.BREATHLESS,),
    ),
    Trigger(
        rule="VIT-11",
        reason="oxygen-need-rising",
        text="More oxygen is needed than before.",
        whether="more oxygen is needed than before",
        any_of=(c.OXYGEN_UP,),
        unsure_word="watch",
    ),
    Trigger(
        rule="VIT-12",
        reason="pressure-rise-with-breathlessness",
        text="Pressure has risen together with breathlessness: circulatory overload is suspected.",
        whether="pressure has risen together with breathlessness",
        any_of=_each((c.SURGE,), (c.SHORT_OF_BREATH,)),
        rows=("pressure-rise",),
    ),
    Trigger(
        rule="VIT-13",
        reason="skin-signs",
        text="Skin signs were reported and nothing else: the path for mild allergic reactions.",
        any_of=(c.SKIN,),
        unless="anaphylaxis-signs",
        ended="watch",
    ),
    Trigger(
        rule="VIT-14",
        reason="anaphylaxis-signs",
        text="Signs of anaphylaxis: the anaphylaxis pathway.",
        whether="skin signs go with a fall in pressure or saturation",
        any_of=ANAPHYLAXIS,
    ),
    Trigger(
        rule="VIT-15",
        reason="haemolysis-signs",
        text="Pain, dark urine, new bleeding or severe anxiety: acute haemolysis is suspected.",
        any_of=(c.PAIN, c.DARK_URINE, c.BLEEDING, c.ANXIETY),
    ),
    Trigger(
        rule="RXN-AHTR",
        reason="pressure-fall-with-fever-or-chills",
        any_of=_each((c.FALL,), (*FEVERS, c.FEBRILE, c.CHILLS)),
        silent=True,
    ),
    Trigger(
        rule="RXN-TRALI1",
        reason="low-saturation-on-air",
        any_of=(c.DESATURATED_ON_AIR,),
        silent=True,
    ),
    Trigger(
        rule="RXN-TACO",
        reason="pressure-or-heart-rate-up",
        any_of=(c.SURGE, c.SEPTIC_RATE),
        silent=True,
    ),
)

# VIT-16 is met by a score, not by conditions
NEWS2 = Trigger(
    rule="VIT-16",
    reason="early-warning-score",
    text="The general early-warning score is raised; it is not specific to transfusion.",
    any_of=(),
    ended="escalate",
    rows=("news2-total", "news2-single", "news2-rise"),
)

Met = tuple[Trigger, int]


def met(shown: int) -> Iterator[Met]:
    """The triggers met by a set's conditions, each with the conditions that met it."""
    for trigger in TRIGGERS:
        found = 0
        for combination in trigger.any_of:
            if combination & ~shown == 0:
                found |= combination
        if found:
            yield trigger, found


def unsure(shown: int, open_: int, absent: int) -> Iterator[Met]:
    """The triggers that can neither be said to be met nor not, with what bears on them.

    open_: conditions that a reading leaves open; absent: conditions of vitals not measured. A
    vital that is only absent leaves nothing open by itself (VIT-17 speaks).
    """
    possible = shown | open_ | absent
    for trigger in TRIGGERS:
        if trigger.silent:
            continue
        found = 0
        for combination in trigger.any_of:
            if combination & ~shown == 0:
                found = 0
                break
            present = combination & (shown | open_)
            if present and combination & ~possible == 0:
                found |= present
        if found:
            yield trigger, found
