"""BiologicallyDerivedProductDispense, in R4 a Basic: the issue of one unit to one patient."""

from service.facts.fact import Body
from service.facts.identity import Ref, Staff
from service.facts.records import Issue
from service.facts.unit import UnitRef
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import codings, each, one, text_of
from service.fhir.read.order import flag
from service.fhir.read.told import told
from service.fhir.read.unit import own_word
from service.fhir.read.which_unit import unit_ref

STATES = frozenset(
    {
        "preparation",
        "in-progress",
        "allocated",
        "issued",
        "unfulfilled",
        "returned",
        "entered-in-error",
        "unknown",
    }
)


def read_issue(reader: Reader) -> tuple[Body, ...]:
    """An issue. Status, product and patient are required, as in R5."""
    issue = reader.resource
    status = text_of(issue, "status")
    for name in ("status", "product", "patient"):
        reader.require(issue.get(name), name)
    if status and status not in STATES:
        reader.problem("code-invalid", "What was sent is no status of an issue.", "status")
    reader.subject = _patient(reader)
    reader.retracted = status == "entered-in-error"
    until = reader.own(issue, "issue-valid-until")
    concession = reader.own(issue, "concession")
    return (
        Issue(
            identifiers=reader.identifiers(),
            unit=unit_ref(reader, one(issue, "product")) or UnitRef(),
            patient=reader.subject,
            status=status,
            match=_match(reader),
            handed_over=reader.moment(issue, "whenHandedOver"),
            valid_until=reader.moment_of(until, "extension") if until else None,
            container=own_word(reader, "containers", "issue-container"),
            quantity=reader.amount(one(issue, "quantity"), "mL", "quantity"),
            issued_by=_performer(reader, "release"),
            received_by=_performer(reader, "receipt"),
            destination=reader.ref(one(issue, "destination"), "Location"),
            based_on=reader.refs(issue, "basedOn", "ServiceRequest"),
            emergency_release=flag(reader, "emergency-release") is True,
            concession=concession if isinstance(concession, str) else None,
            d_switch=flag(reader, "d-switch") is True,
            attested=_attested(reader),
        ),
    )


def _patient(reader: Reader) -> Ref | None:
    """The patient. An R4 Basic names its patient twice; two different ones refuse it."""
    patient, subject = reader.patient("patient"), reader.patient("subject")
    if patient and subject and patient.tokens.isdisjoint(subject.tokens):
        text = "The issue names two patients that are not known to be one."
        reader.problem("business-rule", text, "patient")
    return patient or subject


def _match(reader: Reader) -> str | None:
    return told(reader, "match-statuses", one(reader.resource, "matchStatus"), "matchStatus")


def _performer(reader: Reader, function: str) -> Staff | None:
    for performer in each(reader.resource, "performer"):
        if reader.word("performer-functions", one(performer, "function"), "performer") == function:
            return reader.staff(one(performer, "actor"))
    return None


def _attested(reader: Reader) -> frozenset[str]:
    """Requirements the laboratory says are met. What has no word is met by nobody."""
    found: set[str] = set()
    for concept in reader.every_own(reader.resource, "attested"):
        words = reader.codes.words("requirements", codings(concept))
        found |= words
        if not words:
            reader.unknown("requirements", concept, "extension")
    return frozenset(found)
