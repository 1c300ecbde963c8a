"""Facts about the patient, the order, the sample and the unit, as read from FHIR.

Every class is one kind of fact. None always means "not said", never "no".
"""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.facts.identity import Identifier, PersonName, Ref, Staff
from service.facts.moment import Moment
from service.facts.quantity import Reading, Unusable
from service.facts.unit import Component, Group, UnitRef

# What was said in a code or text that no code map knows: never the good word, never nothing said.
UNRECOGNISED = "unrecognised"


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientRecord:
    """One system's record of a patient. ``birth_date`` is the text that was sent."""

    identifiers: tuple[Identifier, ...] = ()
    temporary: frozenset[str] = frozenset()  # tokens typed MRT, or in a system of temporary numbers
    names: tuple[PersonName, ...] = ()
    birth_date: str | None = None
    sex: str | None = None  # for clinical use: male, female, or None when unknown
    active: bool = True
    replaced_by: tuple[Ref, ...] = ()
    same_as: tuple[Ref, ...] = ()


class OrderKind(StrEnum):
    """What an order asks for; a code map decides."""

    PREPARE = "prepare"
    ADMINISTER = "administer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """A transfusion order. ``quantity_unit`` is ``{unit}`` or ``mL``; ``rate`` is in mL/h."""

    identifiers: tuple[Identifier, ...] = ()
    requisition: Identifier | None = None
    status: str
    intent: str
    do_not_perform: bool = False
    kind: OrderKind = OrderKind.ADMINISTER
    component: Component | None = None
    product: str | None = None
    quantity: Decimal | None = None
    quantity_unit: str | None = None
    requirements: frozenset[str] = frozenset()  # words of mappings/codes/requirements
    antigens_negative: frozenset[str] = frozenset()
    rate: Decimal | None = None
    urgency: str = "routine"  # routine, urgent, life-threatening
    start: Moment | None = None
    end: Moment | None = None
    authored: Moment | None = None
    requester: Staff | None = None
    specimens: tuple[Ref, ...] = ()
    based_on: tuple[Ref, ...] = ()
    reason: str | None = None
    continues: bool = False  # the order itself says to send the next unit
    autologous: bool = False
    premedication_ordered: bool | None = None
    recent_transfusion: bool | None = None
    recent_pregnancy: bool | None = None
    long_term_dependent: bool | None = None  # likely to need transfusion for life
    surgery_on: Moment | None = None  # the day of the elective operation that the blood is for


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsentRecord:
    """A consent that maps to transfusion. ``components`` empty means all of them."""

    identifiers: tuple[Identifier, ...] = ()
    in_force: bool
    decision: str  # given, refused, unknown
    components: frozenset[Component] = frozenset()
    at: Moment | None = None
    start: Moment | None = None
    end: Moment | None = None
    lawful_authority: bool = False
    text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A blood sample. ``valid_until`` is the laboratory's own expiry."""

    numbers: tuple[Identifier, ...] = ()
    usable: bool = True
    collected: Moment | None = None
    valid_until: Moment | None = None
    collector: Staff | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupResult:
    """The patient's ABO and RhD group; ``confirmed``: the laboratory's word on a second sample."""

    group: Group
    at: Moment | None = None
    confirmed: bool | None = None
    rhd_transfuse_as: str | None = None
    sample: Ref | None = None
    discrepant: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Antibody:
    """A red-cell antibody, now or ever.

    ``antigen`` is in the trade's own notation, e.g. ``D``; one that no code map knows is kept as
    ``unrecognised: `` and what was sent.
    """

    antigen: str
    historical: bool = False
    passive: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AntibodyResult:
    """An antibody screen or identification. ``screen``: positive, negative, or None."""

    at: Moment | None = None
    screen: str | None = None
    antibodies: tuple[Antibody, ...] = ()
    maternal: bool = False
    sample: Ref | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowedGroups:
    """Groups the laboratory allows this patient, per component, in place of the matrix."""

    component: Component | None
    groups: frozenset[str]  # "A positive", or "A" when RhD does not matter
    at: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossmatchResult:
    """``result``: compatible, least-incompatible, incompatible, unrecognised, or None."""

    unit: UnitRef
    result: str | None
    at: Moment | None = None
    valid_until: Moment | None = None
    sample: Ref | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Vitals:
    """Readings of one Observation, with what was sent but cannot be used as a number.

    untimed: readings without a time of their own; ``at`` of each is empty. They have the time of
    the panel that holds them.
    """

    readings: tuple[Reading, ...] = ()
    untimed: tuple[Reading, ...] = ()
    unusable: tuple[Unusable, ...] = ()
    at: Moment | None = None
    members: tuple[Ref, ...] = ()
    part_of: tuple[Ref, ...] = ()
    performer: Staff | None = None
    clinician_reported: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """A symptom or sign, by the word of mappings/codes/signs. ``present`` False is a denial."""

    sign: str
    present: bool = True
    at: Moment | None = None
    severity: str | None = None
    performer: Staff | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LabResult:
    """A laboratory or imaging result used in screening, by the word of mappings/codes/results."""

    analyte: str
    value: Decimal | None = None
    unit: str | None = None
    word: str | None = None
    at: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BloodUnit:
    """A bag as its producer describes it.

    attributes: words such as irradiated; None when the sender said nothing about any.
    antigens: typed antigens, ``{"K": False}`` for K negative. titre: low, high, or None.
    status: available, unavailable, quarantined, recalled, discarded, unrecognised, or None.
    """

    identifiers: tuple[Identifier, ...] = ()
    unit: UnitRef
    component: Component | None = None
    group: Group | None = None
    expiry: Moment | None = None
    attributes: frozenset[str] | None = None
    antigens: tuple[tuple[str, bool], ...] = ()
    volume: Decimal | None = None  # mL
    status: str | None = None
    container: str | None = None
    titre: str | None = None
    additive_solution: bool | None = None
    parents: tuple[UnitRef, ...] = ()
    intended: Ref | None = None
    product_text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """The laboratory's issue of one unit to one patient."""

    identifiers: tuple[Identifier, ...] = ()
    unit: UnitRef
    patient: Ref | None = None
    status: str | None = None  # preparation, in-progress, allocated, issued, unfulfilled, returned
    match: str | None = None  # crossmatched, selected, unmatched, least-incompatible, unrecognised
    handed_over: Moment | None = None
    valid_until: Moment | None = None
    container: str | None = None
    quantity: Decimal | None = None  # mL
    issued_by: Staff | None = None
    received_by: Staff | None = None
    destination: Ref | None = None
    based_on: tuple[Ref, ...] = ()
    emergency_release: bool = False
    concession: str | None = None
    d_switch: bool = False
    attested: frozenset[str] = frozenset()  # requirements the laboratory says are met


@dataclass(frozen=True, slots=True, kw_only=True)
class Premedication:
    """A medicine given before the transfusion; ``in_part``: begun and broken off."""

    text: str | None = None
    at: Moment | None = None
    given: bool = True
    in_part: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRecord:
    """``device``: set, pump, warmer, filter or None; ``filter_um`` is a pore size in µm."""

    identifiers: tuple[Identifier, ...] = ()
    device: str | None = None
    lot: str | None = None
    filter_um: Decimal | None = None
    unit_limit: int | None = None
    approved: bool | None = None
    set_temperature: Decimal | None = None  # Cel, of a warmer


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceUse:
    """A device in use for the patient over a period."""

    device: Ref
    start: Moment | None = None
    end: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EncounterRecord:
    """Where the patient is; ``setting`` is a local word such as theatre or critical-care.

    start: of the encounter. placed: since when the patient is at that location.
    """

    identifiers: tuple[Identifier, ...] = ()
    location: Ref | None = None
    setting: str | None = None
    start: Moment | None = None
    placed: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LocationRecord:
    """A place, with the telephone number to call back."""

    identifiers: tuple[Identifier, ...] = ()
    name: str | None = None
    contact: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StaffRecord:
    """A Practitioner, or a PractitionerRole that points at one."""

    identifiers: tuple[Identifier, ...] = ()
    name: str | None = None
    practitioner: Ref | None = None
    roles: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A partner's own Task answering one of ours."""

    notice: Identifier
    status: str
    at: Moment | None = None
    who: Staff | None = None
    reason: str | None = None
