"""Task: a bedside step, a laboratory answer, or a partner's reply to one of our Tasks."""

from dataclasses import dataclass, replace

from service.facts.fact import Body
from service.facts.identity import Identifier, PersonName
from service.facts.moment import Moment
from service.facts.records import Reply
from service.facts.steps import BagLabel, Band, CompatibilityLabel, Step, StepCode
from service.facts.unit import UnitRef
from service.fhir.read.common import Reader
from service.fhir.read.datatypes import codings, one, text_of, wording
from service.fhir.read.inputs import Inputs, code_of
from service.fhir.read.which_unit import unit_ref
from service.scan.bag import Typed, read_bag
from service.scan.band import read_band_scans
from service.scan.keyed import read_product, read_typed_din

# Steps that are done to one bag, and so must say which.
TO_A_UNIT = frozenset(
    {
        StepCode.CHECK_UNIT,
        StepCode.REMOVE_FROM_STORAGE,
        StepCode.RECEIVE_UNIT,
        StepCode.START,
        StepCode.RESUME,
        StepCode.CHANGE_RATE,
        StepCode.INTERRUPT,
        StepCode.END,
        StepCode.RETURN_UNIT,
        StepCode.DISCARD_UNIT,
        StepCode.AUTHORISE,
        StepCode.ACKNOWLEDGE_CAUTION,
    }
)
ORDERED = frozenset({"order", "original-order", "reflex-order", "filler-order", "instance-order"})
# Steps that lift or soften something.
IN_FAVOUR = frozenset(
    {
        StepCode.CHECK_UNIT,
        StepCode.AUTHORISE,
        StepCode.ACKNOWLEDGE_CAUTION,
        StepCode.DECLARE_EMERGENCY,
        StepCode.DISMISS_REACTION,
        StepCode.ACKNOWLEDGE,
        StepCode.CLERICAL_OK,
        StepCode.NO_HAEMOLYSIS,
        StepCode.CLEARED_TO_TRANSFUSE,
    }
)
BAND = (
    "band-scan",
    "band-identifier",
    "band-family",
    "band-given",
    "band-birth-date",
    "band-sample-number",
    "read-aloud-match",
)
LABEL = (
    "label-identifier",
    "label-family",
    "label-given",
    "label-birth-date",
    "label-sample-number",
    "label-donation-number",
    "label-product-code",
    "label-patient-group",
    "label-unit-group",
    "label-expiry",
)
BAG = ("bag-scan", "bag-donation-number", "bag-product-code", "bag-group", "bag-expiry")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """What every step must have. Any of them missing refuses the Task."""

    code: StepCode
    start: Moment
    end: Moment | None


def read_task(reader: Reader) -> tuple[Body, ...]:
    """A partner's reply when it bears our identifier, else a bedside step."""
    reader.subject = reader.patient("for")
    reader.retracted = reader.resource.get("status") == "entered-in-error"
    ours = [i for i in reader.identifiers() if i.system == reader.context.emitted_system]
    if ours:
        return tuple(_reply(reader, notice) for notice in ours)
    inputs = Inputs(reader)
    head = _head(reader, inputs)
    if head is None:
        return ()
    if reader.resource.get("status") not in ("completed", "entered-in-error"):
        reader.warn("Only a completed step counts; this one is stored and not used.", "status")
        return ()
    return (_step(reader, inputs, head),) if _was_meant(reader, head.code) else ()


def _was_meant(reader: Reader, code: StepCode) -> bool:
    """False for what was forbidden, or for an answer in favour that was only proposed or planned.

    What was done to the patient counts whatever its intent.
    """
    if reader.resource.get("doNotPerform") is True:
        reader.warn("A step that was not to be done is stored and not used.", "doNotPerform")
        return False
    if text_of(reader.resource, "intent") in ORDERED:
        return True
    text = "A step is sent with intent order."
    reader.warn(text, "intent", "value")
    return code not in IN_FAVOUR


def _reply(reader: Reader, notice: Identifier) -> Reply:
    task = reader.resource
    reason = one(one(task, "statusReason"), "concept")
    return Reply(
        notice=reader.context.ours(notice),
        status=text_of(task, "status") or "unknown",
        at=reader.moment(task, "lastModified") or reader.moment(task, "authoredOn"),
        who=reader.staff(one(task, "owner")),
        reason=wording(reason),
    )


def _head(reader: Reader, inputs: Inputs) -> _Head | None:
    task = reader.resource
    reader.require(reader.identifiers(), "identifier")
    reader.require(task.get("code"), "code")
    reader.require(task.get("for"), "for")
    code = _code(reader) if task.get("code") else None
    start, end = reader.period(task, "executionPeriod")
    reader.require(one(task, "executionPeriod").get("start"), "executionPeriod.start")
    if code in TO_A_UNIT and not (task.get("focus") or inputs.sent(*BAG[:3])):
        text = "The step says neither which unit was meant (focus) nor which bag was scanned."
        reader.problem("required", text, "focus")
    return _Head(code=code, start=start, end=end) if code and start else None


def _code(reader: Reader) -> StepCode | None:
    word = reader.word("steps", one(reader.resource, "code"), "code")
    if word is not None:
        return StepCode(word)
    reader.problem("code-invalid", "The code is no bedside step that is known here.", "code")
    reader.unmapped_only("steps", one(reader.resource, "code"))
    return None


def _step(reader: Reader, inputs: Inputs, head: _Head) -> Step:
    task = reader.resource
    bag = _bag(reader, inputs)
    focus = unit_ref(reader, one(task, "focus")) if task.get("focus") else None
    signs, unknown_signs = _signs(reader, inputs)
    step = Step(
        code=head.code,
        identifiers=reader.identifiers(),
        start=head.start,
        end=head.end,
        owner=reader.staff(one(task, "owner")),
        location=reader.ref(one(task, "location"), "Location"),
        based_on=reader.refs(task, "basedOn", "ServiceRequest"),
        unit=_decides(bag, focus),
        focus=focus,
        band=_band(inputs),
        label=_label(inputs),
        bag=bag,
        spoken=inputs.code("spoken-confirmed"),
        spoken_unable=inputs.said("spoken-unable"),
        confirmed_by=inputs.reference("confirmed-by", "Practitioner"),
        second_checker=inputs.staff("second-checker"),
        second_checked_at=inputs.moment("second-checked-at"),
        appearance=inputs.code("appearance"),
        interrupted=inputs.flag("interrupted"),
        out_since=inputs.moment("out-since"),
        access_gauge=inputs.whole("access-gauge"),
        filter_um=inputs.amount("filter", "um"),
        fluid=inputs.said("fluid", "fluids"),
        lumen=inputs.said("lumen", "lumens"),
        container=inputs.said("container", "containers"),
        valid_until=inputs.moment("valid-until"),
        rate=inputs.amount("rate", "mL/h"),
        set=inputs.reference("set", "Device"),
        line=inputs.reference("line", "Device"),
        volume_given=inputs.amount("volume-given", "mL"),
        reason=inputs.said("reason"),
        reason_code=_reason_code(inputs),
        temperature=inputs.amount("temperature", "Cel"),
        seal_intact=inputs.flag("seal-intact"),
        rules=_rules(inputs),
        signs=signs,
        unknown_signs=unknown_signs,
        onset=inputs.moment("onset"),
        flow_stopped_at=inputs.moment("flow-stopped-at"),
        identity_recheck=inputs.code("identity-recheck"),
        bag_inspection=inputs.said("bag-inspection"),
        treatment=inputs.all_said("treatment"),
        samples_sent=inputs.all_said("samples-sent"),
        bag_and_set_sent=inputs.flag("bag-and-set-sent"),
        needs_more_blood=inputs.code("needs-more-blood"),
        contact=inputs.text("contact"),
        notice=_notice(reader, inputs),
    )
    return replace(step, unusable=inputs.unusable)


def _decides(bag: BagLabel | None, focus: UnitRef | None) -> UnitRef:
    """What hung: the bag that was scanned or read; only without one, what was meant."""
    if bag is not None and (bag.unit.din or bag.unit.product or bag.faults):
        return bag.unit
    return focus or UnitRef()


def _bag(reader: Reader, inputs: Inputs) -> BagLabel | None:
    if not inputs.sent(*BAG):
        return None
    typed = Typed(
        donation_number=inputs.raw("bag-donation-number"),
        product_code=inputs.raw("bag-product-code"),
        group=inputs.group("bag-group"),
        expiry=inputs.expiry("bag-expiry"),
    )
    return read_bag(inputs.raws("bag-scan"), zone=reader.context.zone, typed=typed)


def _band(inputs: Inputs) -> Band | None:
    if not inputs.sent(*BAND):
        return None
    scanned = read_band_scans(inputs.raws("band-scan"))
    return Band(
        scans=scanned.scans,
        numbers=scanned.numbers,
        identifiers=inputs.identifiers("band-identifier"),
        name=PersonName(family=inputs.text("band-family"), given=inputs.text("band-given")),
        birth_date=inputs.date("band-birth-date", *scanned.birth_dates),
        sample_number=inputs.text("band-sample-number"),
        read_aloud=inputs.flag("read-aloud-match"),
    )


def _label(inputs: Inputs) -> CompatibilityLabel | None:
    if not inputs.sent(*LABEL):
        return None
    number, code = inputs.raw("label-donation-number"), inputs.raw("label-product-code")
    donation = read_typed_din(number) if number else None
    product = read_product(code) if code else None
    if code and product is None:
        inputs.refuse("label-product-code", "is no product code")
    return CompatibilityLabel(
        identifiers=inputs.identifiers("label-identifier"),
        name=PersonName(family=inputs.text("label-family"), given=inputs.text("label-given")),
        birth_date=inputs.date("label-birth-date"),
        sample_number=inputs.text("label-sample-number"),
        din=donation.din if donation else None,
        din_fault=donation.fault if donation else None,
        product=product.product if product else None,
        division=product.division if product else None,
        patient_group=inputs.group("label-patient-group"),
        unit_group=inputs.group("label-unit-group"),
        expiry=inputs.expiry("label-expiry"),
    )


def _signs(reader: Reader, inputs: Inputs) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Signs by their words; a sign without a word is kept in the sender's own wording."""
    known: dict[str, None] = {}
    unknown: dict[str, None] = {}
    for concept in inputs.concepts("sign"):
        word = reader.known("signs", concept, "input.value")
        said = wording(concept)
        if word is not None:
            known[word] = None
        elif said is not None:
            unknown[said] = None
    return tuple(known), tuple(unknown)


def _rules(inputs: Inputs) -> tuple[str, ...]:
    found = dict.fromkeys(
        code_of(concept) or wording(concept) for concept in inputs.concepts("rule")
    )
    return tuple(rule for rule in found if rule)


def _reason_code(inputs: Inputs) -> str | None:
    """``system|code`` of the reason, where it was coded and given once."""
    given = inputs.concepts("reason")
    for coding in codings(given[0]) if len(given) == 1 else ():
        system, code = text_of(coding, "system"), text_of(coding, "code")
        if system and code:
            return f"{system}|{code}"
    return None


def _notice(reader: Reader, inputs: Inputs) -> Identifier | None:
    """Which notice is answered: its identifier, or our own copy of its Task."""
    ref = inputs.reference("notice", "Task")
    if ref is None:
        return None
    emitted = reader.context.emitted_system
    named = ref.identifier or (Identifier(emitted, ref.id) if ref.id else None)
    return reader.context.ours(named) if named else None
