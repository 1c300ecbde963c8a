"""Respiratory categories: lung injury, circulatory overload, dyspnoea, and what is left open.

Signs have to lie in the category's window; results that speak to them may come later.
"""

from decimal import Decimal

from service.facts.quantity import Vital
from service.rules import monitoring_signs as signs
from service.rules.reaction_acute import allergic, anaphylaxis
from service.rules.reaction_categories import ALLERGIC, MIXED, TACO, TRALI_1
from service.rules.reaction_evidence import (
    RESPIRATORY,
    Criterion,
    Evidence,
    Judged,
    Span,
    both,
    comparable,
    either,
    negated,
)

NEEDED_OF_OVERLOAD = 3
OLDER_EDITION = "nhsn-2016"
POSITIVE = frozenset({"positive", "yes"})
PEPTIDES = ("bnp", "nt-probnp")
MILD_INJURY = (Decimal(200), Decimal(300))  # PaO2/FiO2, type II [S62]


def distress(e: Evidence, span: Span) -> Criterion:
    """A respiratory sign, a fall in saturation, more oxygen, or a low PaO2/FiO2."""
    text = "acute or worsening respiratory distress"
    hit = e.hit(span, *RESPIRATORY)
    if hit is not None:
        return Criterion(text, True, e.keys_of(hit))
    ratio = _ratio(e, span)
    said = e.said(span, text, signs.BREATHLESS)
    measured = e.measured(span, text, (Vital.SATURATION,), RESPIRATORY)
    return Criterion(text, either(ratio.state, both(said.state, measured.state)), ratio.facts)


def _ratio(e: Evidence, span: Span) -> Criterion:
    limit = e.watched.limits.number("trali-oxygenation")
    found = [(r, r.body.value) for r in e.results.get("pf-ratio", ()) if span.holds(r.at)]
    low = tuple(r.key for r, value in found if value is not None and value <= limit)
    known = any(value is not None for _, value in found)
    return Criterion("PaO2/FiO2 low", bool(low) if known else None, low)


def _hypoxaemia(e: Evidence, span: Span) -> Criterion:
    text = "PaO2/FiO2 at most 300, or saturation below 90 % on air"
    ratio = _ratio(e, span)
    hit = e.hit(span, "low-saturation-on-air")
    if hit is not None:
        return Criterion(text, True, (*ratio.facts, *e.keys_of(hit)))
    return Criterion(text, ratio.state, ratio.facts)


def _bilateral(e: Evidence, span: Span) -> Criterion:
    words = frozenset({"bilateral-oedema"})
    return e.any_result(span, "bilateral oedema on imaging", "chest-imaging", words)


def _oedema(e: Evidence, span: Span) -> Criterion:
    text = "pulmonary oedema"
    said = e.said(span, text, frozenset({"pulmonary-oedema"}))
    imaged = _bilateral(e, e.later(span))
    return Criterion(text, either(said.state, imaged.state), (*said.facts, *imaged.facts))


def overload(e: Evidence, span: Span) -> Judged:
    """RXN-TACO by the edition that the policy names; something of the lungs dates it."""
    older = e.watched.limits.words("taco-edition")[0] == OLDER_EDITION
    row = f"window.taco-{OLDER_EDITION}" if older else f"window.{TACO.window}"
    timed = e.narrowed(span, row) if older else span
    criteria = _of_2016(e, timed) if older else _of_2018(e, timed)
    met = sum(criterion.state is True for criterion in criteria)
    return Judged(
        met=_dated(e, timed) and met >= NEEDED_OF_OVERLOAD,
        criteria=criteria,
        cited=e.watched.limits.cite("taco-edition", row),
    )


def _dated(e: Evidence, span: Span) -> bool:
    """True when distress or oedema began in the window."""
    oedema = e.signs(span, frozenset({"pulmonary-oedema"}))
    shown = distress(e, span).state, _bilateral(e, span).state
    return bool(oedema) or True in shown


def _of_2018(e: Evidence, span: Span) -> tuple[Criterion, ...]:
    """A to E [S59][S60][S61]; A or B has to be among them, and dates the rest."""
    return (
        distress(e, span),
        _oedema(e, span),
        _cardiovascular(e, span),
        _fluid(e, e.later(span)),
        _peptide(e, e.later(span)),
    )


def _of_2016(e: Evidence, span: Span) -> tuple[Criterion, ...]:
    """The six of the older edition [S58]."""
    return (
        distress(e, span),
        _peptide(e, e.later(span)),
        e.said(span, "raised central venous pressure", frozenset({"raised-venous-pressure"})),
        e.said(span, "left heart failure", frozenset({"left-heart-failure"})),
        _fluid(e, e.later(span)),
        _oedema(e, span),
    )


def _cardiovascular(e: Evidence, span: Span) -> Criterion:
    text = "cardiovascular changes"
    measured = e.measured(
        span, text, (Vital.SYSTOLIC, Vital.HEART_RATE), ("pressure-or-heart-rate-up",)
    )
    said = e.said(span, text, signs.CARDIOVASCULAR)
    state = either(measured.state, said.state)
    return Criterion(text, state, (*measured.facts, *said.facts))


def _fluid(e: Evidence, span: Span) -> Criterion:
    text = "fluid overload"
    balance = e.last(span, "fluid-balance")
    response = e.any_result(span, text, "diuresis-response", POSITIVE)
    if balance is None:
        return response
    value, word = balance.body.value, balance.body.word
    positive = word in ("positive", "raised") if value is None else value > 0
    facts = (balance.key,) if positive else ()
    return Criterion(text, positive or response.state is True, (*facts, *response.facts))


def _peptide(e: Evidence, span: Span) -> Criterion:
    """A natriuretic peptide above the policy's multiple of the value before, and above range."""
    each = [_peptide_of(e, span, analyte) for analyte in PEPTIDES]
    facts = tuple(key for criterion in each for key in criterion.facts)
    return Criterion("natriuretic peptide raised", either(*(one.state for one in each)), facts)


def _peptide_of(e: Evidence, span: Span, analyte: str) -> Criterion:
    now = e.last(span, analyte)
    if now is None:
        return Criterion(analyte, None)
    pair = comparable(now, e.before(analyte))
    multiple = e.watched.limits.number("taco-biomarker-ratio")
    times = None if pair is None else pair[0] > multiple * pair[1]
    above = {"raised": True, "normal": False, "lowered": False}.get(now.body.word or "")
    state = both(times, above)
    return Criterion(analyte, state, (now.key,) if state else ())


def injury_1(e: Evidence, span: Span) -> Judged:
    """RXN-TRALI1: hypoxaemia and bilateral oedema, no risk factor, not the left atrium."""
    risk = negated(_risk(e, span), "no risk factor for acute respiratory distress")
    return _injury(e, span, risk)


def injury_2(e: Evidence, span: Span) -> Judged:
    """RXN-TRALI2: the same with a risk factor or mild injury, but stable in the 12 h before."""
    stable = e.any_result(e.always, "stable in the 12 h before", "respiratory-stability", POSITIVE)
    return _injury(e, span, _risk(e, span), stable)


def _injury(e: Evidence, span: Span, *more: Criterion) -> Judged:
    atrium = e.any_result(e.later(span), "", "left-atrial-hypertension", POSITIVE)
    criteria = (
        _hypoxaemia(e, span),
        _bilateral(e, e.later(span)),
        negated(atrium, "left atrial hypertension absent or not the main cause"),
        *more,
    )
    return Judged(
        met=all(criterion.state is True for criterion in criteria),
        criteria=criteria,
        cited=e.watched.limits.cite("trali-oxygenation", f"window.{TRALI_1.window}"),
    )


def _risk(e: Evidence, span: Span) -> Criterion:
    text = "risk factor for acute respiratory distress, or mild injury before"
    said = e.any_result(e.always, text, "ards-risk", POSITIVE)
    before = e.before("pf-ratio")
    value = before.body.value if before is not None else None
    mild = value is not None and MILD_INJURY[0] < value <= MILD_INJURY[1]
    if before is None or not mild:
        return said
    return Criterion(text, True, (*said.facts, before.key))


def mixed(e: Evidence, span: Span) -> Judged:
    """RXN-MIX: both fit and cannot be told apart, with imaging at hand (D)."""
    fluid = overload(e, span)
    lungs = _hypoxaemia(e, span), _bilateral(e, e.later(span))
    atrium = e.any_result(e.later(span), "", "left-atrial-hypertension", POSITIVE)
    criteria = (
        Criterion("criteria of circulatory overload", fluid.met, _facts(fluid)),
        *lungs,
        negated(atrium, "left atrial hypertension absent or not the main cause"),
    )
    fits = fluid.met and all(criterion.state is True for criterion in lungs)
    return Judged(
        met=fits and atrium.state is not True,
        criteria=criteria,
        cited=e.watched.limits.cite(f"window.{MIXED.window}"),
    )


def undetermined(e: Evidence, span: Span) -> Judged:
    """RXN-RESP: a respiratory sign while imaging, or what lung injury also needs, is missing."""
    signs_of = distress(e, span)
    imaging = _imaging(e, span)
    open_ = _injury_open(e)
    judged = not open_ if imaging.state else None
    criteria = (signs_of, imaging, Criterion("lung injury can be judged", judged))
    return Judged(met=signs_of.state is True and (not imaging.state or open_), criteria=criteria)


def _imaging(e: Evidence, span: Span) -> Criterion:
    found = e.last(e.later(span), "chest-imaging")
    return Criterion("chest imaging at hand", found is not None, (found.key,) if found else ())


def _injury_open(e: Evidence) -> bool:
    """Hypoxaemia and bilateral oedema in the window, the rest not known."""
    span = e.span(TRALI_1)
    judged = injury_1(e, span), injury_2(e, span)
    shown = all(criterion.state is True for criterion in judged[0].criteria[:2])
    states = [both(*(criterion.state for criterion in one.criteria)) for one in judged]
    return shown and True not in states and None in states


def dyspnoea(e: Evidence, span: Span) -> Judged:
    """RXN-TAD: respiratory distress that fits no allergic reaction, overload or lung injury."""
    signs_of = distress(e, span)
    others = (
        anaphylaxis(e, e.span(ALLERGIC)).met,
        allergic(e, e.span(ALLERGIC)).met,
        overload(e, e.span(TACO)).met,
        injury_1(e, e.span(TRALI_1)).met,
        injury_2(e, e.span(TRALI_1)).met,
        mixed(e, e.span(MIXED)).met,
        undetermined(e, span).met,
    )
    left = Criterion("fits no other respiratory or allergic category", not any(others))
    return Judged(met=signs_of.state is True and not any(others), criteria=(signs_of, left))


def _facts(judged: Judged) -> tuple[str, ...]:
    return tuple(key for criterion in judged.criteria if criterion.state for key in criterion.facts)
