"""The part of each resource that has the same shape in R4 and in R5.

Each release adds what differs: where the unit goes, what a period is called, what a coded reason
looks like. References among our own resources are literal ``Type/uuid``; everything a partner
owns is referred to by type, identifier and display.
"""

from collections.abc import Iterable

from service.assessment.desired import (
    Desired,
    Event,
    Issue,
    Procedure,
    Request,
    UnitShown,
)
from service.facts.finding import Candidate, Finding
from service.facts.identity import Ref
from service.facts.moment import at
from service.fhir.own import BASE, REQUEST_SYSTEM, RULE_SYSTEM
from service.fhir.write import narrative, wording
from service.fhir.write.codes import (
    COMPONENT_TEXT,
    EVENT_OUTCOMES,
    HL7,
    ISBT,
    OWN_CATEGORY,
    OWN_COMPONENT,
    OWN_PROPERTY,
    PERFORMER,
    PROPERTY_TYPES,
    REACTION,
    REACTION_TYPES,
    TRANSFUSION,
    TRANSFUSION_OF,
    Code,
    act_code,
    group_code,
    group_text,
)
from service.fhir.write.common import (
    NOTICE_SYSTEM,
    Resource,
    concept,
    emitted,
    facts,
    head_of,
    notes,
    organisation,
    person,
    plain,
    quantity,
    reference,
    service,
    unit_reference,
)
from service.fhir.write.context import WriteContext
from service.fhir.write.ids import named
from service.fhir.write.vocabulary import detail_text, spoken
from service.fhir.write.wording import finding_text

UNIT = "unit"  # local id of the contained unit, where there is one
USED_AMOUNT = (
    "http://hl7.org/fhir/us/icsr-ae-reporting/StructureDefinition/icsr-ext-usedproductamount"
)


def product_code(unit: UnitShown) -> Resource:
    """The product description code, with what is in the bag as text."""
    code: Code = (f"{ISBT}/productdescriptioncode", unit.key.product, None)
    return concept(wording.component_text(unit), code)


def unit_properties(unit: UnitShown) -> list[Resource]:
    """Group, component and volume as R5 ``property`` elements: type and one value."""
    found: list[Resource] = []
    if unit.group is not None:
        code = group_code(unit.group)
        value = concept(group_text(unit.group), *([code] if code else []))
        kind = concept("Blood group", (PROPERTY_TYPES, "ABORhD", None))
        found.append({"type": kind, "valueCodeableConcept": value})
    if unit.component is not None:
        word = unit.component.value.replace("_", "-")
        value = concept(COMPONENT_TEXT[unit.component], (OWN_COMPONENT, word, None))
        kind = concept("Component", (OWN_PROPERTY, "component", None))
        found.append({"type": kind, "valueCodeableConcept": value})
    if unit.volume is not None:
        kind = concept("Volume of the unit", (OWN_PROPERTY, "volume", None))
        found.append({"type": kind, "valueQuantity": quantity(unit.volume, "mL")})
    return found


def procedure(desired: Desired, content: Procedure, context: WriteContext) -> Resource:
    """The administration of one unit (EHR-S FM CPS.6.3: who, what, how much, when, matched)."""
    specific = TRANSFUSION_OF.get(content.unit.component) if content.unit.component else None
    codes = (specific, TRANSFUSION) if specific else (TRANSFUSION,)
    return {
        **head_of(desired, context),
        "text": narrative.procedure(content, context),
        "extension": used_amount(content),
        "basedOn": [reference(order, context) for order in content.orders],
        "status": content.status,
        "code": concept(wording.route_text(content.unit), *codes),
        "subject": reference(content.patient, context),
        "performer": [
            {"function": concept(None, PERFORMER[role]), "actor": person(who, context)}
            for role, who in content.performers
        ],
        "location": reference(content.location, context) if content.location else None,
        "outcome": disposition(content.disposition),
        "note": notes(wording.match_text(content, context.zone), _volume_note(content)),
    }


def _volume_note(content: Procedure) -> str | None:
    if content.volume is None or content.volume_measured:
        return None
    return "The amount given was calculated, not measured."


def used_amount(content: Procedure) -> list[Resource]:
    """The amount given, in the extension that the ICSR guide defines on Procedure."""
    if content.volume is None:
        return []
    return [{"url": USED_AMOUNT, "valueQuantity": quantity(content.volume, "mL")}]


def disposition(code: str | None) -> Resource | None:
    """A table 0513 code as an outcome: our own convention, and the text says so."""
    if code is None:
        return None
    return concept(wording.disposition_text(code), (f"{HL7}/v2-0513", code, None))


def complication(said: str | None) -> Resource | None:
    """What a person confirmed: coded where it is a table 0514 code, else text."""
    if said is None:
        return None
    return concept(said, *([(f"{HL7}/v2-0514", said, None)] if said in REACTION_TYPES else []))


def supporting(content: Procedure, issue_type: str, context: WriteContext) -> list[Resource]:
    """The check the start rests on, and the laboratory's issues by their numbers."""
    issues = [
        Ref(kind=issue_type, identifier=number, display=f"Issue {number.value}")
        for number in content.issue_numbers
    ]
    checks = [content.check] if content.check else []
    return [reference(found, context) for found in (*checks, *issues)]


def issue(desired: Desired, content: Issue, context: WriteContext) -> Resource:
    """What one or more rules found, with the rule's own code, the remedy and the sources."""
    found = wording.gravest_first(content.findings)
    return {
        **head_of(desired, context),
        "text": narrative.issue(content, context),
        "code": _issue_code(found, context),
        "severity": content.severity,
        "identifiedDateTime": content.at.text if content.at else None,
        "author": person(content.author, context) if content.author else service(context),
        "implicated": [
            unit_reference(content.unit, UNIT) if content.unit else None,
            emitted(content.procedure, context) if content.procedure else None,
            reference(content.step, context) if content.step else None,
        ],
        "evidence": [
            {"code": [rule_concept(f, context)], "detail": facts(f.facts, context)} for f in found
        ],
        "detail": "\n".join([*(finding_text(f, context.zone) for f in found), wording.CAUTION]),
        "mitigation": [
            {
                "action": concept(plain(action) or "Not stated"),
                "date": content.mitigated_at.text if content.mitigated_at else None,
                "author": person(content.mitigated_by, context) if content.mitigated_by else None,
            }
            for action in content.mitigation
        ],
    }


def rule_concept(finding: Finding, context: WriteContext) -> Resource:
    """A finding by the rule's own code; the text is the finding's sentence."""
    return concept(spoken(finding.text, context.zone), (RULE_SYSTEM, finding.rule, None))


def _issue_code(found: list[Finding], context: WriteContext) -> Resource:
    if not found:
        return concept("Finding")
    if len({finding.rule for finding in found}) > 1:
        kinds = {act_code(finding) for finding in found}
        return concept("Several findings", *(kinds if len(kinds) == 1 else ()))
    text = spoken(found[0].text, context.zone)
    return concept(text, act_code(found[0]), (RULE_SYSTEM, found[0].rule, None))


def event(desired: Desired, content: Event, context: WriteContext) -> Resource:
    """A suspected reaction (coded only as that) or a near miss (text only)."""
    return {
        **head_of(desired, context),
        "text": narrative.event(content, context),
        "actuality": content.actuality,
        "subject": reference(content.patient, context),
        "detected": content.detected.text if content.detected else None,
        "location": reference(content.location, context) if content.location else None,
        "recorder": person(content.recorder, context) if content.recorder else None,
    }


def event_code(content: Event) -> Resource:
    """What happened: the parent code of transfusion reactions, and a type only from a person.

    A near miss and a wrong unit or patient are told in text: no code was verified for them.
    """
    reaction = content.actuality == "actual" and not content.incident
    codes: list[Code] = [REACTION] if reaction else []
    if content.reaction_code in REACTION_TYPES:
        codes.append((f"{HL7}/v2-0514", content.reaction_code or "", None))
    return concept(content.title, *codes)


def event_outcome(content: Event) -> Resource | None:
    """A coded outcome; any other is told in the narrative (the binding is required in R4)."""
    if content.outcome not in EVENT_OUTCOMES:
        return None
    return concept(None, (f"{HL7}/adverse-event-outcome", content.outcome or "", None))


def event_support(content: Event, context: WriteContext) -> list[tuple[str, Resource]]:
    """Supporting information as (type of value, value): screening first, then observations."""
    concepts = [
        *(_candidate_concept(candidate) for candidate in content.candidates),
        *(
            concept(wording.not_excluded_text(category), (OWN_CATEGORY, category, None))
            for category in content.not_excluded
        ),
        *(rule_concept(finding, context) for finding in content.findings),
    ]
    found = [("CodeableConcept", value) for value in concepts]
    return found + [("Reference", emitted(key, context)) for key in content.observations]


def _candidate_concept(candidate: Candidate) -> Resource:
    code: Code = (OWN_CATEGORY, candidate.category, None)
    return concept(wording.candidate_text(candidate), code)


def request(desired: Desired, content: Request, context: WriteContext) -> Resource:
    """A Task that asks somebody to do something."""
    code: Code = (REQUEST_SYSTEM, content.code, None)
    author = person(content.requester, context) if content.requester else service(context)
    return {
        **head_of(desired, context),
        "text": narrative.request(content, context),
        "basedOn": [reference(order, context) for order in content.orders],
        "groupIdentifier": _group_identifier(content.group, context),
        "status": content.status,
        "intent": "order",
        "priority": content.priority,
        "code": concept(content.text, code),
        "description": content.text,
        "focus": _focus(content, context),
        "for": reference(content.patient, context) if content.patient else None,
        "lastModified": at(context.recorded).text,
        "requester": author,
        "owner": _owner(content, context),
        "location": reference(content.location, context) if content.location else None,
        "input": list(_inputs(content, context)),
    }


def _group_identifier(group: str | None, context: WriteContext) -> Resource | None:
    if group is None:
        return None
    return {"system": NOTICE_SYSTEM, "value": named(context.namespace, f"notice/{group}")}


def _focus(content: Request, context: WriteContext) -> Resource | None:
    if content.focus is not None:
        return emitted(content.focus, context)
    return unit_reference(content.unit, UNIT) if content.unit else None


def _owner(content: Request, context: WriteContext) -> Resource:
    """A ward is no organisation of its own: the hospital owns the Task, the display names it."""
    if content.owner == "blood-bank":
        return organisation(context.blood_bank)
    ward = content.location.display if content.location else None
    return organisation(context.facility, f"{ward}, {context.facility.name}" if ward else None)


def _inputs(content: Request, context: WriteContext) -> Iterable[Resource]:
    if content.unit is not None and content.focus is not None:
        code: Code = (f"{BASE}/CodeSystem/request-input", "unit", None)
        yield {"type": concept("Unit", code), "valueReference": unit_reference(content.unit, UNIT)}
    for label, text in content.details:
        if plain(text):
            said, value = detail_text(plain(label) or "Detail", text, context.zone)
            yield {"type": concept(said), "valueString": value}
