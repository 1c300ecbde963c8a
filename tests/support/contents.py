"""Generated content of every kind: whatever facts may hold, awkward text and coarse times too."""

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from service.assessment.desired import (
    Event,
    Issue,
    Key,
    Observed,
    Procedure,
    Request,
    Suspect,
    UnitShown,
    Volume,
)
from service.facts.finding import Advice, Candidate, Cited, Finding, Grade, Remedy, Stage, Verdict
from service.facts.identity import Identifier, Ref, Staff
from service.facts.moment import Moment
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.unit import Component, Group, LabelMessage, Restriction, UnitKey

TEXT = st.text(max_size=30) | st.sampled_from(["", " ", "\x00", "\u00a0", "<script>&'\""])
SAID = TEXT.filter(lambda text: bool(text.strip()))
VALUE = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12)
WORD = st.sampled_from(["chills", "loin-pain", "felt odd", "<b>", "\x00"])
AMOUNT = st.decimals(min_value=0, max_value=900, places=2)
SYSTEM = st.sampled_from(["https://harrow-vale.example/id/patient", "urn:oid:2.16.840.1.113883"])
IDENTIFIER = st.builds(Identifier, SYSTEM, VALUE)


def _maybe(found: SearchStrategy[Any]) -> SearchStrategy[Any]:
    return st.none() | found


def _some(found: SearchStrategy[Any], most: int = 3) -> SearchStrategy[tuple[Any, ...]]:
    return st.lists(found, max_size=most).map(tuple)


@st.composite
def moments(draw: st.DrawFn) -> Moment:
    """An instant at some offset, a day, a month or a year."""
    instant = draw(
        st.integers(0, 4_000_000_000).map(lambda seconds: datetime.fromtimestamp(seconds, UTC))
    )
    length = draw(st.sampled_from([0, 0, 0, 10, 7, 4]))
    if length:
        return Moment(text=instant.date().isoformat()[:length])
    offset = timezone(timedelta(minutes=draw(st.sampled_from([0, 60, -300, 330]))))
    return Moment(text=instant.astimezone(offset).isoformat(), instant=instant)


def refs(kind: str) -> SearchStrategy[Ref]:
    """A reference to a resource of a kind."""
    return st.builds(
        Ref, kind=st.just(kind), id=_maybe(VALUE), identifier=_maybe(IDENTIFIER), display=TEXT
    )


STAFF = st.builds(
    Staff,
    keys=st.frozensets(IDENTIFIER.map(lambda i: i.token), max_size=2),
    identifier=_maybe(IDENTIFIER),
    display=_maybe(TEXT),
)
KEY = st.builds(Key, st.sampled_from(["procedure"]), VALUE)
UNIT_KEY = st.builds(
    UnitKey,
    st.from_regex(r"[A-Z]9999[0-9]{8}", fullmatch=True),
    st.from_regex(r"E[0-9]{4}", fullmatch=True),
    st.sampled_from(["000000", "Aa0000"]),
)
GROUP = st.builds(
    Group,
    abo=_maybe(st.sampled_from(["O", "A", "B", "AB"])),
    rhd=_maybe(st.sampled_from(["positive", "negative"])),
    restriction=st.sampled_from(Restriction),
    message=_maybe(st.sampled_from(LabelMessage)),
)
UNIT = st.builds(
    UnitShown,
    key=UNIT_KEY,
    component=_maybe(st.sampled_from(Component)),
    product_text=_maybe(SAID),
    group=_maybe(GROUP),
    expiry=_maybe(moments()),
    volume=_maybe(AMOUNT),
)
CITED = st.builds(
    Cited,
    row=VALUE,
    value=TEXT,
    since=st.dates(min_value=date(2000, 1, 1)).map(str),
    source=TEXT,
)
FINDING = st.builds(
    Finding,
    rule=st.sampled_from(["ID-05", "COMP-01", "PRE-11", "TIM-04", "VIT-03", "NEW-01"]),
    reason=VALUE,
    stage=st.sampled_from(Stage),
    text=SAID,
    verdict=_maybe(st.sampled_from(Verdict)),
    advice=_maybe(st.sampled_from(Advice)),
    known=st.booleans(),
    missing=_some(SAID),
    facts=_some(st.sampled_from(["Task/1", "Task/1#2", "Observation/9", "as-told"])),
    cited=_some(CITED),
    remedy=_maybe(st.sampled_from(Remedy)),
    shown=_some(st.tuples(TEXT, TEXT)),
)
CANDIDATE = st.builds(
    Candidate,
    rule=st.just("RXN-FEB"),
    category=st.sampled_from(["febrile", "sepsis", "respiratory"]),
    grade=st.sampled_from(Grade),
    met=_some(SAID),
    not_met=_some(SAID),
    unknown=_some(SAID),
)
READING = st.builds(
    Reading,
    vital=st.sampled_from(Vital),
    value=AMOUNT,
    at=moments(),
    sent_value=AMOUNT,
    sent_unit=st.sampled_from([*UNIT_OF.values(), "[degF]"]),
    device=st.booleans(),
    room_air=_maybe(st.booleans()),
)
PATIENT = refs("Patient")
PLACE = _maybe(refs("Location"))
ORDERS = _some(refs("ServiceRequest"), 2)

PROCEDURE = st.builds(
    Procedure,
    unit=UNIT,
    patient=PATIENT,
    status=st.sampled_from(
        ["in-progress", "on-hold", "completed", "stopped", "not-done", "entered-in-error"]
    ),
    status_reason=_maybe(TEXT),
    orders=ORDERS,
    issue_numbers=_some(IDENTIFIER, 2),
    start=_maybe(moments()),
    end=_maybe(moments()),
    performers=_some(st.tuples(st.sampled_from(["PPRF", "VRF"]), STAFF)),
    location=PLACE,
    disposition=_maybe(st.sampled_from(["TS", "TI", "TX", "TR", "RA", "RL", "WA"])),
    complication=_maybe(SAID | st.just("VOLOVER")),
    volume=_maybe(AMOUNT),
    volume_measured=st.booleans(),
    check=_maybe(refs("Task")),
    checked_at=_maybe(moments()),
    check_answer=_maybe(TEXT),
)
VOLUME = st.builds(
    Volume,
    unit=UNIT,
    patient=PATIENT,
    procedure=KEY,
    value=AMOUNT,
    measured=st.booleans(),
    at=moments(),
    status=st.sampled_from(["final", "amended", "cancelled", "entered-in-error"]),
)
ISSUE = st.builds(
    Issue,
    findings=st.lists(FINDING, min_size=1, max_size=3).map(tuple),
    patient=PATIENT,
    status=st.sampled_from(["final", "mitigated", "entered-in-error"]),
    severity=st.sampled_from(["high", "moderate", "low"]),
    at=_maybe(moments()),
    unit=_maybe(UNIT),
    procedure=_maybe(KEY),
    step=_maybe(refs("Task")),
    author=_maybe(STAFF),
    mitigation=_some(SAID),
    mitigated_by=_maybe(STAFF),
    mitigated_at=_maybe(moments()),
)
SUSPECT = st.builds(
    Suspect, unit=UNIT, start=_maybe(moments()), end=_maybe(moments()), procedure=KEY
)
EVENT = st.builds(
    Event,
    patient=PATIENT,
    actuality=st.sampled_from(["actual", "potential"]),
    status=st.sampled_from(["in-progress", "completed", "entered-in-error"]),
    title=SAID,
    onset=_maybe(moments()),
    detected=_maybe(moments()),
    suspects=_some(SUSPECT),
    candidates=_some(CANDIDATE),
    not_excluded=_some(st.sampled_from(["sepsis", "ahtr"])),
    findings=_some(FINDING),
    lines=_some(st.tuples(TEXT, TEXT)),
    observations=_some(st.builds(Key, st.just("observation"), VALUE)),
    recorder=_maybe(STAFF),
    location=PLACE,
    telephone_now=st.booleans(),
    another_patient=st.booleans(),
    reaction_code=_maybe(st.sampled_from(["ALLERGIC1", "no such code"])),
    outcome=_maybe(st.sampled_from(["resolved", "Dismissed by the ward."])),
    replaces=_maybe(st.builds(Key, st.just("event"), VALUE)),
    incident=st.booleans(),
)
REQUEST = st.builds(
    Request,
    code=st.sampled_from(["next-observation", "investigate-reaction"]),
    text=SAID,
    patient=_maybe(PATIENT),
    status=st.sampled_from(["requested", "completed", "cancelled", "entered-in-error"]),
    status_reason=_maybe(TEXT),
    priority=st.sampled_from(["routine", "urgent", "asap", "stat"]),
    owner=st.sampled_from(["ward", "blood-bank"]),
    location=PLACE,
    unit=_maybe(UNIT),
    focus=_maybe(KEY),
    group=_maybe(TEXT),
    orders=ORDERS,
    due=_maybe(moments()),
    requester=_maybe(STAFF),
    details=_some(st.tuples(TEXT, TEXT)),
)
OBSERVED = st.builds(
    Observed,
    patient=PATIENT,
    readings=_some(READING, 4),
    signs=_some(WORD, 2),
    at=moments(),
    unit=_maybe(UNIT),
    label=st.sampled_from(["", "baseline", "worst"]),
    status=st.sampled_from(["final", "entered-in-error"]),
    procedure=_maybe(KEY),
)
KINDS = {
    "procedure": PROCEDURE,
    "volume": VOLUME,
    "issue": ISSUE,
    "event": EVENT,
    "request": REQUEST,
    "observed": OBSERVED,
}
ANY = st.one_of(*KINDS.values())
