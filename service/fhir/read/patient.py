"""Patient, and where and who: Encounter, Location, Practitioner, PractitionerRole."""

from service.facts.fact import Body
from service.facts.identity import Identifier, Ref
from service.facts.records import EncounterRecord, LocationRecord, PatientRecord, StaffRecord
from service.fhir.read.common import Reader, staff_record
from service.fhir.read.datatypes import (
    Json,
    chosen,
    each,
    identifier_of,
    name_text,
    one,
    person_name,
    text_of,
)

SAME = frozenset({"seealso", "replaces"})
OLD = frozenset({"old", "anonymous"})
# Statuses of an encounter and of its places that do not say where the patient is.
NOT_THERE = frozenset({"planned", "finished", "discharged", "completed", "discontinued"})
NOT_YET = frozenset({"planned", "reserved"})


def read_patient(reader: Reader) -> tuple[Body, ...]:
    """One system's record of a patient. Only identifiers with a system take part."""
    patient = reader.resource
    names = [person_name(name) for name in each(patient, "name") if name.get("use") not in OLD]
    reader.moment(patient, "birthDate")
    return (
        PatientRecord(
            identifiers=reader.identifiers(),
            temporary=_temporary(reader),
            names=tuple(names),
            birth_date=text_of(patient, "birthDate"),
            sex=_sex(reader),
            active=patient.get("active") is not False,
            replaced_by=_links(reader, frozenset({"replaced-by"})),
            same_as=_links(reader, SAME),
        ),
    )


def _temporary(reader: Reader) -> frozenset[str]:
    found: set[str] = set()
    for element in each(reader.resource, "identifier"):
        identifier = identifier_of(element)
        if identifier and _is_temporary(reader, identifier, element):
            found.add(identifier.token)
    return frozenset(found)


def _is_temporary(reader: Reader, identifier: Identifier, element: Json) -> bool:
    kind = reader.word("identifier-types", one(element, "type"), "identifier.type")
    return kind == "temporary" or identifier.system in reader.context.temporary_systems


def _sex(reader: Reader) -> str | None:
    """Sex for clinical use: the extension where there is one, else the administrative gender."""
    row = reader.codes.elements["sex-for-clinical-use"]
    said = [ext for ext in each(reader.resource, "extension") if ext.get("url") == row.url]
    if said:
        concepts = [c for ext in said if (c := _clinical_use(ext)) is not None]
        words = {reader.word("sexes", concept, "extension") for concept in concepts}
        return next(iter(words)) if len(words) == 1 else None
    gender = text_of(reader.resource, "gender")
    return gender if gender in ("male", "female") else None


def _clinical_use(extension: Json) -> Json | None:
    parts = [part for part in each(extension, "extension") if part.get("url") == "value"]
    found = chosen(next(iter(parts), extension), "value", "CodeableConcept")
    return found if isinstance(found, dict) else None


def _links(reader: Reader, kinds: frozenset[str]) -> tuple[Ref, ...]:
    links = [
        one(link, "other") for link in each(reader.resource, "link") if link.get("type") in kinds
    ]
    found = [reader.ref(link, "Patient") for link in links]
    return tuple(ref for ref in found if ref and ref.kind in ("Patient", ""))


def read_encounter(reader: Reader) -> tuple[Body, ...]:
    """Where the patient is: the active place, else the last one listed that is no plan.

    An encounter that is planned or over says where the patient will be or was, not is.
    """
    encounter = reader.resource
    reader.subject = reader.patient("subject")
    reader.retracted = encounter.get("status") in ("entered-in-error", "cancelled")
    places = each(encounter, "location")
    active = [place for place in places if place.get("status") == "active"]
    listed = [place for place in places if place.get("status") not in NOT_YET]
    is_there = encounter.get("status") not in NOT_THERE
    place = ((active or listed or [{}]) if is_there else [{}])[-1]
    placed = reader.moment(one(place, "period"), "start", "location.period.start")
    start, _ = reader.period(encounter, "actualPeriod")
    kinds = [*each(encounter, "class"), *each(encounter, "type"), *_services(encounter)]
    words = [reader.word("settings", kind, "class") for kind in kinds]
    return (
        EncounterRecord(
            identifiers=reader.identifiers(),
            location=reader.ref(one(place, "location"), "Location"),
            setting=next((word for word in words if word), None),
            start=start,
            placed=placed,
        ),
    )


def _services(encounter: Json) -> list[Json]:
    held = each(encounter, "serviceType")
    return [one(service, "concept") or service for service in held]


def read_location(reader: Reader) -> tuple[Body, ...]:
    """A place and the first telephone number it gives."""
    telecoms = [
        tel for contact in each(reader.resource, "contact") for tel in each(contact, "telecom")
    ]
    phones = [text_of(tel, "value") for tel in telecoms if tel.get("system") == "phone"]
    return (
        LocationRecord(
            identifiers=reader.identifiers(),
            name=text_of(reader.resource, "name"),
            contact=next((phone for phone in phones if phone), None),
        ),
    )


def read_staff(reader: Reader) -> tuple[Body, ...]:
    """A Practitioner or a PractitionerRole; role codes are kept as they were sent."""
    if reader.kind == "Practitioner":
        names = [name_text(name) for name in each(reader.resource, "name")]
        named = next((name for name in names if name), None)
        return (StaffRecord(identifiers=reader.identifiers(), name=named),)
    return (staff_record(reader, reader.resource),)
