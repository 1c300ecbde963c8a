"""Observation: which facts it states. Its code decides, never its category."""

from service.facts.fact import Body
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import Json, each, one
from service.fhir.read.laboratory import read_result, read_test
from service.fhir.read.signs import read_signs
from service.fhir.read.vitals import has_vitals, read_vitals

NOT_READINGS = frozenset({"entered-in-error", "cancelled"})
UNFINISHED = frozenset({"registered"})
REPORTED = frozenset({"symptom", "vital-signs"})


def read_observation(reader: Reader) -> tuple[Body, ...]:
    """Group, antibodies, crossmatch, allowed groups, vitals, signs or a laboratory result."""
    observation = reader.resource
    reader.retracted = observation.get("status") in NOT_READINGS
    subject = one(observation, "subject")
    about = reader.ref(subject, "Patient")
    if about is not None and about.kind not in ("Patient", ""):
        reader.warn(f"An Observation about a {about.kind} is stored and not used.", "subject")
        return ()
    reader.subject = about
    if observation.get("status") in UNFINISHED:
        reader.warn("An Observation without a result yet is stored and not used.", "status")
        return ()
    return _stated(reader, one(observation, "code"))


def _stated(reader: Reader, code: Json) -> tuple[Body, ...]:
    test = reader.word("tests", code, "code")
    if test is not None:
        return read_test(reader, test)
    if reader.resource.get("status") == "unknown":
        text = "Of an Observation of unknown status only the signs that are present are used."
        reader.warn(text, "status")
        return tuple(sign for sign in read_signs(reader) if sign.present)
    analyte = reader.word("results", code, "code")
    if analyte is not None:
        return read_result(reader, analyte)
    vitals: tuple[Body, ...] = (read_vitals(reader),) if has_vitals(reader) else ()
    found = (*vitals, *read_signs(reader))
    if not found:
        _unknown(reader, code)
    return found


def _unknown(reader: Reader, code: Json) -> None:
    """An Observation that no map knows; a symptom or a vital sign is worth a warning."""
    kinds = {
        reader.word("observation-categories", category, "category")
        for category in each(reader.resource, "category")
    }
    concept = "signs" if "symptom" in kinds else "vitals" if "vital-signs" in kinds else "results"
    if kinds & REPORTED:
        reader.unknown(concept, code, "code")
    else:
        reader.unmapped_only(concept, code)
