"""Consent: to transfusion of every component, or of some."""

from service.facts.fact import Body
from service.facts.moment import Moment
from service.facts.records import ConsentRecord
from service.facts.unit import Component
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, codings, each, text_of
from service.fhir.read.order import flag

IN_FORCE = frozenset({"active", "rejected"})
DECISIONS = {"permit": "given", "deny": "refused"}
OPPOSITE = {"permit": "deny", "deny": "permit"}
EVERY = "transfusion"


def read_consent(reader: Reader) -> tuple[Body, ...]:
    """One record per decision: the consent's own, then its exceptions.

    Nothing for a consent that no code ties to transfusion. Active without a decision is given. A
    draft or ended consent is not in force. A consent that is narrowed by a code nobody knows gives
    nothing: what it leaves out cannot be told. A refusal so narrowed covers everything.
    """
    consent = reader.resource
    reader.subject = reader.patient("subject")
    status = text_of(consent, "status")
    reader.retracted = status == "entered-in-error"
    decision = text_of(consent, "decision") or ("deny" if status == "rejected" else "permit")
    provisions = each(consent, "provision")
    words = _words(reader, each(consent, "category")) | _coded(reader, provisions)
    exceptions = [inner for outer in provisions for inner in each(outer, "provision")]
    told = [(exception, _coded(reader, [exception])) for exception in exceptions]
    told = [(exception, covered) for exception, covered in told if covered]
    if not words and not told:
        for concept in each(consent, "category"):
            reader.unmapped_only("consents", concept)
        return ()
    if decision != "deny" and _narrowed(reader, [*provisions, *exceptions]):
        text = "The consent has a provision in no known code: what it gives cannot be told."
        reader.warn(text, "provision", "code-invalid")
        decision = "unknown"
    start, end = _period(reader, provisions)
    bodies = [_record(reader, status, decision, words, start=start, end=end)] if words else []
    for exception, covered in told:
        start, end = reader.period(exception, "period")
        turned = text_of(exception, "type") or OPPOSITE.get(decision, "deny")
        bodies.append(_record(reader, status, turned, covered, start=start, end=end))
    return tuple(bodies)


def _narrowed(reader: Reader, provisions: list[Json]) -> bool:
    """True where a code of a provision has no word, and may take something out."""
    listed = [code for provision in provisions for code in each(provision, "code")]
    unknown = [code for code in listed if not reader.codes.words("consents", codings(code))]
    for code in unknown:
        reader.unmapped_only("consents", code)
    return bool(unknown)


def _record(
    reader: Reader,
    status: str | None,
    decision: str,
    words: frozenset[str],
    *,
    start: Moment | None,
    end: Moment | None,
) -> ConsentRecord:
    return ConsentRecord(
        identifiers=reader.identifiers(),
        in_force=status in IN_FORCE,
        decision="unknown" if status == "unknown" else DECISIONS.get(decision, "unknown"),
        components=frozenset() if EVERY in words else frozenset(map(Component, words)),
        at=reader.moment(reader.resource, "date"),
        start=start,
        end=end,
        lawful_authority=flag(reader, "lawful-authority") is True,
        text=_text(reader.resource),
    )


def _words(reader: Reader, concepts: list[Json]) -> frozenset[str]:
    found: set[str] = set()
    for concept in concepts:
        found |= reader.codes.words("consents", codings(concept))
    return frozenset(found)


def _coded(reader: Reader, provisions: list[Json]) -> frozenset[str]:
    return _words(reader, [code for provision in provisions for code in each(provision, "code")])


def _period(reader: Reader, provisions: list[Json]) -> tuple[Moment | None, Moment | None]:
    """The consent's own period; a period on its only provision stands in."""
    start, end = reader.period(reader.resource, "period")
    if start is None and end is None and len(provisions) == 1:
        return reader.period(provisions[0], "period")
    return start, end


def _text(consent: Json) -> str | None:
    """The title of the signed form, the only wording that both releases carry."""
    titles = [text_of(document, "title") for document in each(consent, "sourceAttachment")]
    return next((title for title in titles if title), None)
