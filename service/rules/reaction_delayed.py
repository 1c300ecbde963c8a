"""Categories that begin days after the unit; they need results, and no wake waits for them."""

from decimal import Decimal

from service.facts.finding import Grade
from service.facts.quantity import Vital
from service.facts.records import AntibodyResult
from service.rules import monitoring_signs as signs
from service.rules.monitoring_conditions import tenth
from service.rules.reaction_evidence import (
    Criterion,
    Evidence,
    Judged,
    Span,
    both,
    comparable,
    either,
)

POSITIVE = frozenset({"positive"})
HUNDRED = Decimal(100)
SKIN_OF_GVHD = frozenset({"rash"})
GUT = frozenset({"diarrhoea", "gut-severe"})
LIVER = frozenset({"jaundice"})
SIGNS_OF_GVHD = 2


def delayed_haemolytic(e: Evidence, span: Span) -> Judged:
    """RXN-DHTR: antiglobulin test with eluate or new antibody, and haemolysis (from memory)."""
    antiglobulin = e.any_result(span, "direct antiglobulin test positive", "dat", POSITIVE)
    eluate = e.any_result(span, "eluate positive", "eluate", POSITIVE)
    new = new_antibody(e, span)
    antibody = Criterion(
        "eluate positive or a new antibody",
        either(eluate.state, new.state),
        (*eluate.facts, *new.facts),
    )
    loss = _loss(e, span)
    criteria = (antiglobulin, antibody, loss)
    return Judged(
        met=all(criterion.state is True for criterion in criteria),
        criteria=criteria,
        cited=e.watched.limits.cite("window-opens.dhtr", "window.dhtr"),
    )


def delayed_serologic(e: Evidence, span: Span) -> Judged:
    """RXN-DSTR: a new red-cell antibody that DHTR does not account for."""
    new = new_antibody(e, span)
    loss = _loss(e, span)
    without = Criterion("no haemolysis", None if loss.state is None else not loss.state)
    haemolysed = delayed_haemolytic(e, span).met
    return Judged(met=new.state is True and not haemolysed, criteria=(new, without))


def _loss(e: Evidence, span: Span) -> Criterion:
    text = "haemoglobin did not rise or fell, or spherocytes"
    spherocytes = e.any_result(span, text, "spherocytes", POSITIVE)
    haemoglobin = _haemoglobin(e, span)
    state = either(spherocytes.state, haemoglobin.state)
    return Criterion(text, state, (*spherocytes.facts, *haemoglobin.facts))


def _haemoglobin(e: Evidence, span: Span) -> Criterion:
    """No more haemoglobin than before the unit; a laboratory's word counts too."""
    before = e.before("haemoglobin")
    found = [r for r in e.results.get("haemoglobin", ()) if span.holds(r.at)]
    pairs = [(r.key, pair) for r in found if (pair := comparable(r, before))]
    fallen = [r.key for r in found if r.body.word == "lowered"]
    fallen += [key for key, (now, then) in pairs if now <= then]
    known = bool(fallen or pairs)
    return Criterion("haemoglobin", bool(fallen) if known else None, tuple(fallen))


def new_antibody(e: Evidence, span: Span) -> Criterion:
    """An antibody of the patient's own that no result up to the start named."""
    text = "a new red-cell antibody"
    known: set[str] = set()
    found: list[tuple[str, frozenset[str]]] = []
    for fact in e.watched.running.case.of(AntibodyResult):
        at = fact.body.at.instant if fact.body.at is not None else None
        named = {a.antigen for a in fact.body.antibodies}
        if at is None or at <= e.watched.start:
            known |= named
        elif span.holds(at):
            own = {a.antigen for a in fact.body.antibodies if not (a.passive or a.historical)}
            found.append((fact.key, frozenset(own)))
    new = tuple(sorted(key for key, named in found if named - known))
    return Criterion(text, bool(new) if found else None, new)


def purpura(e: Evidence, span: Span) -> Judged:
    """RXN-PTP: platelets far below the count before, and a platelet-specific antibody."""
    antibody = e.any_result(span, "platelet-specific antibody", "hpa-antibody", POSITIVE)
    before = e.before("platelet-count")
    share, key = _lowest_share(e, span)
    limits = e.watched.limits
    low = share is not None and share < limits.number("ptp-share")
    part = share is not None and share < limits.number("ptp-share-possible")
    keys = (key, before.key) if before is not None and key else ()
    fall = Criterion("platelets fell", None if share is None else part, keys)
    return Judged(
        met=both(fall.state, antibody.state) is True,
        criteria=(fall, antibody),
        grade=Grade.DEFINITIVE if low else Grade.POSSIBLE,
        cited=limits.cite("ptp-share", "ptp-share-possible", "window-opens.ptp", "window.ptp"),
    )


def _lowest_share(e: Evidence, span: Span) -> tuple[Decimal | None, str]:
    """The lowest count as per cent of the count before, and its fact."""
    before = e.before("platelet-count")
    found = [r for r in e.results.get("platelet-count", ()) if span.holds(r.at)]
    shares = [
        (now * HUNDRED / then, r.key)
        for r in found
        if (pair := comparable(r, before))
        for now, then in (pair,)
        if then > 0
    ]
    return min(shares, default=(None, ""))


def graft_versus_host(e: Evidence, span: Span) -> Judged:
    """RXN-GVHD: rash with another sign, or donor cells with any sign (from memory)."""
    rash = e.said(span, "rash", SKIN_OF_GVHD)
    others = (e.said(span, "diarrhoea", GUT), _fever(e, span), _liver(e, span))
    donor = e.any_result(span, "donor white cells in the patient", "white-cell-chimerism", POSITIVE)
    count = sum(criterion.state is True for criterion in (rash, *others))
    signs_met = rash.state is True and count >= SIGNS_OF_GVHD
    return Judged(
        met=signs_met or (donor.state is True and count > 0),
        criteria=(rash, *others, donor),
        cited=e.watched.limits.cite("window-opens.gvhd", "window.gvhd"),
    )


def _fever(e: Evidence, span: Span) -> Criterion:
    said = e.said(span, "fever", signs.FEVER)
    reads = [
        read
        for read in e.watched.chart.reads.get(Vital.TEMPERATURE, ())
        if span.holds(read.at) and not read.reading.device
    ]
    limit = e.watched.limits.fever
    hot = tuple(read.key for read in reads if tenth(read.reading.value) >= limit)
    measured = bool(hot) if reads else None
    return Criterion("fever", either(said.state, measured), (*said.facts, *hot[:1]))


def _liver(e: Evidence, span: Span) -> Criterion:
    said = e.said(span, "liver", LIVER)
    raised = e.any_result(span, "liver", "bilirubin", frozenset({"raised"}))
    state = either(said.state, raised.state)
    return Criterion("jaundice or raised bilirubin", state, (*said.facts, *raised.facts))
