"""Acute categories that are not respiratory: wrong blood, anaphylaxis, haemolysis, sepsis,
hypotensive, febrile and allergic reactions."""

from collections.abc import Iterable

from service.facts.finding import Grade
from service.facts.quantity import Vital
from service.facts.steps import StepCode
from service.rules import monitoring_signs as signs
from service.rules.reaction_evidence import (
    PRESSURE,
    Criterion,
    Evidence,
    Judged,
    Span,
    both,
    either,
)

PRESSURES = (Vital.SYSTOLIC, Vital.MEAN_PRESSURE, Vital.DIASTOLIC)
STOP_REASONS = "chills-or-rigors", "high-rise"

# words of results that speak for haemolysis (from memory: NHSN protocol; features S59, S66)
HAEMOLYSIS_RESULTS: tuple[tuple[str, frozenset[str]], ...] = (
    ("fibrinogen", frozenset({"lowered"})),
    ("haptoglobin", frozenset({"lowered"})),
    ("bilirubin", frozenset({"raised"})),
    ("ldh", frozenset({"raised"})),
    ("plasma-haemoglobin", frozenset({"raised", "positive"})),
    ("urine-haemoglobin", frozenset({"raised", "positive"})),
    ("plasma-colour", frozenset({"discoloured"})),
    ("spherocytes", frozenset({"positive", "raised"})),
)
HAEMOLYSIS_NEEDED = 2
# signs of the surveillance definition (from memory: NHSN protocol)
HAEMOLYSIS_SIGNS = (
    signs.PAIN | signs.CHILLS | signs.FEVER | signs.DARK_URINE | signs.BLEEDING
) | frozenset({"hypotension", "oliguria"})

RESPIRATORY_DISTRESS = frozenset({"dyspnoea", "respiratory-distress", "bronchospasm", "wheeze"})
ANGIOEDEMA = frozenset({"localized-angioedema"}) | signs.AIRWAY_SWELLING
SAME_SIGN = {"tongue-larynx-angioedema": "lip-tongue-uvula-oedema"}
DEFINITIVE_ALLERGIC = 2


def wrong_blood(e: Evidence, span: Span) -> Judged:
    """RXN-WBIT: a wrong component, patient or identity discovered, even without symptoms."""
    mismatch = [r for r in e.reports if r.body.identity_recheck == "mismatch"]
    shown = tuple(sorted({key for finding in e.wrong for key in finding.facts}))
    criteria = (
        Criterion(
            "a wrong patient or bag was shown at the check or the start", bool(e.wrong), shown
        ),
        Criterion(
            "the identity re-check did not match",
            _recheck(e),
            tuple(step.key for step in mismatch),
        ),
        Criterion(
            "the laboratory found a clerical error",
            _reply(e, StepCode.CLERICAL_ERROR, StepCode.CLERICAL_OK),
            e.reply(StepCode.CLERICAL_ERROR),
        ),
    )
    return Judged(met=_any(criteria), criteria=criteria)


def _recheck(e: Evidence) -> bool | None:
    said = {report.body.identity_recheck for report in e.reports}
    if "mismatch" in said:
        return True
    return False if "match" in said else None


def _reply(e: Evidence, yes: StepCode, no: StepCode) -> bool | None:
    if e.reply(yes):
        return True
    return False if e.reply(no) else None


def anaphylaxis(e: Evidence, span: Span) -> Judged:
    """Signs of anaphylaxis (VIT-14); hypotension alone leaves it not excluded [S99][S53]."""
    hit = e.hit(span, "anaphylaxis-signs")
    signs_met = Criterion(
        "skin or mucosal signs with airway, breathing, circulation or gut, or an airway sign alone",
        hit is not None,
        e.keys_of(hit) if hit is not None else (),
    )
    return Judged(met=hit is not None, criteria=(signs_met,), severity="severe")


def haemolytic(e: Evidence, span: Span) -> Judged:
    """RXN-AHTR at the bedside: pain, dark urine, new bleeding, or fever or chills with a fall.

    Also any stop-grade trigger with wrong blood, the laboratory's word, or the definition.
    """
    bedside = (
        e.said(span, "loin, back, chest or infusion-site pain", signs.PAIN),
        e.said(span, "dark urine", signs.DARK_URINE),
        e.said(span, "new bleeding or oozing", signs.BLEEDING),
        e.measured(
            span,
            "fever or chills with a fall in pressure",
            (Vital.SYSTOLIC, Vital.DIASTOLIC),
            ("pressure-fall-with-fever-or-chills",),
        ),
        _wrong_with_stop(e, span),
        Criterion(
            "the laboratory saw haemolysis",
            _reply(e, StepCode.HAEMOLYSIS, StepCode.NO_HAEMOLYSIS),
            e.reply(StepCode.HAEMOLYSIS),
        ),
    )
    results = haemolysis_results(e, span)
    serology = serology_positive(e, span)
    sign = bool(e.signs(span, HAEMOLYSIS_SIGNS)) or e.hit(span, *PRESSURE, "fever-with-rise")
    defined = bool(sign) and both(results.state, serology.state) is True
    return Judged(
        met=_any(bedside) or defined,
        criteria=(*bedside, results, serology),
        cited=e.watched.limits.cite("haemolysis-drop"),
    )


def _wrong_with_stop(e: Evidence, span: Span) -> Criterion:
    text = "a stop-grade trigger while identity or group is in doubt"
    criteria = wrong_blood(e, span).criteria
    doubt = either(*(criterion.state for criterion in criteria))
    stopped = e.stopped(span)
    if stopped is None or not doubt:
        return Criterion(text, False if stopped is None else doubt)
    facts = {key for criterion in criteria if criterion.state for key in criterion.facts}
    return Criterion(text, True, tuple(sorted({*facts, *e.keys_of(stopped)})))


def haemolysis_results(e: Evidence, span: Span) -> Criterion:
    """At least two results that speak for haemolysis."""
    each = [e.any_result(span, name, name, words) for name, words in HAEMOLYSIS_RESULTS]
    met = [criterion for criterion in each if criterion.state]
    possible = [criterion for criterion in each if criterion.state is None]
    state: bool | None = len(met) >= HAEMOLYSIS_NEEDED
    if not state and len(met) + len(possible) >= HAEMOLYSIS_NEEDED:
        state = None
    facts = {key for criterion in met for key in criterion.facts}
    return Criterion("at least two results of haemolysis", state, tuple(sorted(facts)))


def serology_positive(e: Evidence, span: Span) -> Criterion:
    """Direct antiglobulin test and eluate positive."""
    positive = frozenset({"positive"})
    parts = [e.any_result(span, name, name, positive) for name in ("dat", "eluate")]
    facts = tuple(sorted({key for part in parts for key in part.facts}))
    state = both(*(part.state for part in parts))
    return Criterion("direct antiglobulin test and eluate positive", state, facts)


def septic(e: Evidence, span: Span) -> Judged:
    """RXN-TTBI: the sepsis screen, or bacteria grown from the unit; only ever a suspicion."""
    positive = frozenset({"positive"})
    screen = e.measured(
        span,
        "high temperature or rigors with signs of shock",
        (Vital.TEMPERATURE,),
        ("sepsis-screen",),
    )
    unit = e.any_result(span, "culture of the unit positive", "unit-culture", positive)
    patient = e.any_result(span, "blood culture positive", "patient-culture", positive)
    return Judged(
        met=_any((screen, unit)),
        criteria=(screen, unit, patient),
        cited=e.watched.limits.cite(
            "sepsis-temperature", "sepsis-rise", "sepsis-heart-rate", "sepsis-pressure-drop"
        ),
    )


def hypotensive(e: Evidence, span: Span) -> Judged:
    """RXN-HYP: the fall of the patient's band; all other causes have to be excluded."""
    fall = e.measured(span, "fall in pressure of the definition", PRESSURES, PRESSURE)
    rows = ("hypotension-drop", "hypotension-floor", "child-drop")
    return Judged(
        met=fall.state is True,
        criteria=(fall, Criterion("all other causes excluded", None)),
        cited=e.watched.limits.cite(*rows),
    )


def febrile(e: Evidence, span: Span) -> Judged:
    """RXN-FEB: fever with a rise, or chills; possible until other causes are excluded [S48]."""
    fever = e.measured(
        span, "temperature and rise at fever", (Vital.TEMPERATURE,), ("fever-with-rise",)
    )
    chills = e.said(span, "chills or rigors", signs.CHILLS)
    haemolysis = _reply(e, StepCode.NO_HAEMOLYSIS, StepCode.HAEMOLYSIS)
    return Judged(
        met=_any((fever, chills)),
        criteria=(
            fever,
            chills,
            Criterion("haemolysis excluded", haemolysis, e.reply(StepCode.NO_HAEMOLYSIS)),
            Criterion("infection and other causes excluded", None),
        ),
        severity="moderate" if e.hit(span, *STOP_REASONS) else "mild",
        cited=e.watched.limits.cite("fever", "fever-rise", "fever-rise-stop", "high-fever"),
    )


def allergic(e: Evidence, span: Span) -> Judged:
    """RXN-ALL: definitive with two of ten signs, probable with one of seven [S53]."""
    skin = {SAME_SIGN.get(said.word, said.word) for said in e.signs(span, _SEVEN)}
    flushing = e.said(span, "generalised flushing", frozenset({"flushing"}))
    distress = e.said(span, "respiratory distress or bronchospasm", RESPIRATORY_DISTRESS)
    hypotension = _hypotension(e, span)
    others = (flushing, distress, hypotension)
    count = len(skin) + sum(criterion.state is True for criterion in others)
    definitive = count >= DEFINITIVE_ALLERGIC
    seven = tuple(
        e.said(span, word.replace("-", " "), frozenset({word, *_same_as(word)}))
        for word in sorted(skin)
    )
    return Judged(
        met=definitive or bool(skin),
        criteria=(*seven, *others),
        grade=Grade.DEFINITIVE if definitive else Grade.PROBABLE,
        severity=_allergic_severity(e, span, hypotension.state is True),
    )


_SEVEN = signs.ALLERGIC_SEVEN | frozenset(SAME_SIGN)


def _same_as(word: str) -> Iterable[str]:
    return (other for other, same in SAME_SIGN.items() if same == word)


def _hypotension(e: Evidence, span: Span) -> Criterion:
    measured = e.measured(span, "hypotension", PRESSURES, PRESSURE)
    said = e.said(span, "hypotension", signs.SAID_HYPOTENSION)
    return Criterion(
        "hypotension", either(measured.state, said.state), (*measured.facts, *said.facts)
    )


def _allergic_severity(e: Evidence, span: Span, hypotension: bool) -> str:
    """From memory: BSH 2012/2023 table."""
    if hypotension or e.signs(span, signs.BRONCHOSPASM_OR_LARYNX):
        return "severe"
    moderate = ANGIOEDEMA | RESPIRATORY_DISTRESS
    return "moderate" if e.signs(span, moderate) else "mild"


def _any(criteria: tuple[Criterion, ...]) -> bool:
    return any(criterion.state is True for criterion in criteria)
