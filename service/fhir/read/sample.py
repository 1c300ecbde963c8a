"""Specimen: the blood sample that compatibility rests on."""

from service.facts.fact import Body
from service.facts.identity import Identifier
from service.facts.records import Sample
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import one, text_of


def read_sample(reader: Reader) -> tuple[Body, ...]:
    """A sample. A collection over a time counts from its start: the earlier, the stricter."""
    specimen = reader.resource
    reader.subject = reader.patient("subject")
    reader.retracted = specimen.get("status") == "entered-in-error"
    collection = one(specimen, "collection")
    collected, _ = reader.span(collection, "collected")
    until = reader.own(specimen, "sample-valid-until")
    return (
        Sample(
            numbers=sample_numbers(reader),
            usable=text_of(specimen, "status") in (None, "available"),
            collected=collected,
            valid_until=reader.moment_of(until, "extension") if until else None,
            collector=reader.staff(one(collection, "collector")),
        ),
    )


def sample_numbers(reader: Reader) -> tuple[Identifier, ...]:
    """Every number of the sample, once each; the accession number too."""
    numbers = (*reader.identifiers(), *reader.identifiers("accessionIdentifier"))
    return tuple(dict.fromkeys(numbers))
