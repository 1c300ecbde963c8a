"""A bedside step: what was done at the bedside, or answered by the laboratory."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.facts.identity import Identifier, PersonName, Ref, Staff
from service.facts.moment import Moment
from service.facts.unit import Group, UnitRef


class StepCode(StrEnum):
    """CodeSystem ``bedside-step``."""

    CHECK_UNIT = "check-unit"
    REMOVE_FROM_STORAGE = "remove-from-storage"
    RECEIVE_UNIT = "receive-unit"
    START = "start"
    RESUME = "resume"
    CHANGE_RATE = "change-rate"
    INTERRUPT = "interrupt"
    END = "end"
    CHANGE_SET = "change-set"
    RETURN_UNIT = "return-unit"
    DISCARD_UNIT = "discard-unit"
    AUTHORISE = "authorise"
    ACKNOWLEDGE_CAUTION = "acknowledge-caution"
    DECLARE_EMERGENCY = "declare-emergency"
    END_EMERGENCY = "end-emergency"
    SUSPECT_REACTION = "suspect-reaction"
    CONFIRM_REACTION = "confirm-reaction"
    DISMISS_REACTION = "dismiss-reaction"
    ACKNOWLEDGE = "acknowledge"
    CLERICAL_OK = "clerical-ok"
    CLERICAL_ERROR = "clerical-error"
    HAEMOLYSIS = "haemolysis"
    NO_HAEMOLYSIS = "no-haemolysis"
    CLEARED_TO_TRANSFUSE = "cleared-to-transfuse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One raw scan and what it is.

    structure: three-digit ISBT 128 number, or None when the string is none. fault: why it must not
    be used (failed check character, a tube label, ...), or None.
    """

    raw: str
    structure: str | None = None
    fault: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What was read from the patient's band.

    numbers: a raw scan of ``scans`` and the patient number it holds beside a data identifier.
    """

    scans: tuple[str, ...] = ()
    numbers: tuple[tuple[str, str], ...] = ()
    identifiers: tuple[Identifier, ...] = ()
    name: PersonName = PersonName()
    birth_date: str | None = None
    sample_number: str | None = None
    read_aloud: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CompatibilityLabel:
    """The laboratory's label tied to the bag."""

    identifiers: tuple[Identifier, ...] = ()
    name: PersonName = PersonName()
    birth_date: str | None = None
    sample_number: str | None = None
    din: str | None = None
    din_fault: str | None = None
    product: str | None = None  # product description code
    division: str | None = None
    patient_group: Group | None = None
    unit_group: Group | None = None
    expiry: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BagLabel:
    """The collection facility's own label, from scans first and keyed values where none exist.

    scanned: True when DIN and product both come from valid scans: this, never a flag, is machine
    identification of the unit. faults: scans and keyed numbers that must not be used, and why.
    """

    scans: tuple[Scan, ...] = ()
    unit: UnitRef = UnitRef()
    group: Group | None = None
    expiry: Moment | None = None
    antigens: tuple[tuple[str, bool], ...] = ()
    scanned: bool = False
    faults: tuple[str, ...] = ()
    donation_text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One completed step. Times are clinical: ``start`` and ``end`` of executionPeriod.

    ``unit`` is what decides (scanned bag before focus); ``focus`` what was meant, where sent.
    Every input is optional: what is missing becomes findings.
    """

    code: StepCode
    identifiers: tuple[Identifier, ...] = ()
    start: Moment
    end: Moment | None = None
    owner: Staff | None = None
    location: Ref | None = None
    based_on: tuple[Ref, ...] = ()
    unit: UnitRef = UnitRef()
    focus: UnitRef | None = None

    band: Band | None = None
    label: CompatibilityLabel | None = None
    bag: BagLabel | None = None
    spoken: str | None = None  # matches, differs, unable
    spoken_unable: str | None = None
    confirmed_by: Ref | None = None
    second_checker: Staff | None = None
    second_checked_at: Moment | None = None
    appearance: str | None = None  # normal, abnormal
    interrupted: bool | None = None
    out_since: Moment | None = None
    access_gauge: int | None = None
    filter_um: Decimal | None = None
    fluid: str | None = None
    lumen: str | None = None

    container: str | None = None
    valid_until: Moment | None = None
    rate: Decimal | None = None  # mL/h
    set: Ref | None = None
    line: Ref | None = None
    volume_given: Decimal | None = None  # mL
    reason: str | None = None
    reason_code: str | None = None  # system|code, where the reason was coded
    temperature: Decimal | None = None  # Cel
    seal_intact: bool | None = None

    rules: tuple[str, ...] = ()
    signs: tuple[str, ...] = ()
    unknown_signs: tuple[str, ...] = ()
    onset: Moment | None = None
    flow_stopped_at: Moment | None = None
    identity_recheck: str | None = None  # match, mismatch, not-done
    bag_inspection: str | None = None
    treatment: tuple[str, ...] = ()
    samples_sent: tuple[str, ...] = ()
    bag_and_set_sent: bool | None = None
    needs_more_blood: str | None = None  # none, routine, now
    contact: str | None = None
    notice: Identifier | None = None
    unusable: tuple[str, ...] = ()
