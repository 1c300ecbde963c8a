"""Rules state findings; whatever number or date was sent, none of them raises (derived).

The numbers and dates are what the edge lets through: JSON numbers within the range of a double,
dates and times from year 1 to 9999.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.assessment.assess import assess
from service.assessment.checking import RULES
from service.assessment.clock import RecordingClock
from service.facts.case import EARLIEST, Case
from service.facts.fact import Fact
from service.facts.finding import Stage
from service.facts.identity import Ref
from service.facts.moment import Moment
from service.facts.quantity import UNIT_OF, Reading, Vital
from service.facts.records import (
    DeviceRecord,
    DeviceUse,
    EncounterRecord,
    LabResult,
    Premedication,
    Sign,
    Vitals,
)
from service.facts.steps import StepCode
from service.fhir.read.datatypes import parse_moment
from service.rules import compatibility, reaction, timing
from tests.support.cases import (
    PATIENT,
    SITE,
    START_AT,
    a_bag,
    a_band,
    a_case,
    a_label,
    a_running,
    a_step,
    fact,
    pre_start,
)
from tests.support.policies import default_policy

TIMES = (
    "0001",
    "0001-01",
    "0001-01-01",
    "9999",
    "9999-12",
    "9999-12-31",
    "2025",
    "2025-06",
    "2025-06-02",
    "2024-02-29",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:60-14:00",
    "1000-01-01T00:00:00Z",
    "8999-12-31T23:59:59Z",
    "2025-06-02T10:05:00Z",
    "2025-06-02T10:30:00.000001+01:00",
    "2025-06-02T11:59:60Z",
)
LONG = "9" * 50
ODD = ("0", "-0.0", "-1", "1e-30", "-1e-30", "1e30", "-1e30", "1e308", "-1e308", "1e-308", "1e15")
USUAL = ("1e-6", "0.05", "0.1", "1", "37", "38.5", "120", "280", "300")
DIGITS = (f"{LONG}.{LONG}", "0.0100000000000000000000000001", "119.99999999999999999999999999")
NUMBERS = tuple(map(Decimal, (*ODD, *USUAL, *DIGITS)))
TEXTS = ("", " ", "0001-01-01", "9999-12", "9999", "9999-12-31", "0001", "2025-13-40", "1961-04-12")

moments = st.one_of(
    st.sampled_from(TIMES).map(parse_moment),
    st.datetimes().map(lambda when: parse_moment(when.replace(microsecond=0).isoformat() + "Z")),
)
numbers = st.one_of(
    st.sampled_from(NUMBERS),
    st.decimals(allow_nan=False, allow_infinity=False, min_value=-1_000, max_value=1_000, places=3),
)
maybe_moment = st.none() | moments
maybe_number = st.none() | numbers
devices = st.sampled_from(
    [
        Ref(kind="Device", display="a set"),
        Ref(kind="Device", id="d1"),
        Ref(kind="Device", id="d1", display="a set"),
        Ref(kind=""),
    ]
)
words = st.sampled_from(["", "positive", "negative", "yes", "no", "unheard-of"])
ANALYTES = ("platelets", "haemoglobin", "bilirubin", "fluid-balance", "bnp", "po2-fio2", "dat")


@st.composite
def a_reading(draw: st.DrawFn) -> Reading:
    vital = draw(st.sampled_from(list(Vital)))
    value = draw(numbers)
    return Reading(
        vital=vital,
        value=value,
        at=draw(moments),
        sent_value=draw(st.one_of(st.just(value), numbers)),
        sent_unit=draw(st.sampled_from([UNIT_OF[vital], "[degF]", ""])),
        site=draw(st.sampled_from([None, "", "ear"])),
        device=draw(st.booleans()),
        room_air=draw(st.sampled_from([None, True, False])),
    )


@st.composite
def observations(draw: st.DrawFn) -> list[Fact[Any]]:
    bodies: list[Any] = [
        Vitals(readings=tuple(draw(st.lists(a_reading(), max_size=8))), at=draw(maybe_moment)),
        Vitals(readings=tuple(draw(st.lists(a_reading(), max_size=8))), at=draw(maybe_moment)),
        Sign(sign=draw(st.sampled_from(["rigors", "", "urticaria"])), at=draw(maybe_moment)),
        LabResult(
            analyte=draw(st.sampled_from(ANALYTES)),
            value=draw(maybe_number),
            unit=draw(st.sampled_from([None, "", "g/L"])),
            word=draw(st.none() | words),
            at=draw(maybe_moment),
        ),
        LabResult(analyte=draw(st.sampled_from(ANALYTES)), value=draw(maybe_number)),
        Premedication(text="", at=draw(maybe_moment)),
        DeviceRecord(
            device=draw(st.sampled_from([None, "set", "warmer", "pump", ""])),
            filter_um=draw(maybe_number),
            unit_limit=draw(st.sampled_from([None, 0, -1, 10**30])),
            set_temperature=draw(maybe_number),
        ),
        DeviceUse(device=draw(devices), start=draw(maybe_moment), end=draw(maybe_moment)),
        EncounterRecord(setting="theatre", start=draw(maybe_moment)),
    ]
    keys = ("v1", "v2", "s1", "r1", "r2", "m1", "d1", "u1", "e1")
    kinds = {"d1": "Device", "u1": "DeviceUsage", "e1": "Encounter"}
    return [
        fact(body, f"{kinds.get(key, 'Observation')}/{key}")
        for key, body in zip(keys, bodies, strict=True)
    ]


@st.composite
def steps(draw: st.DrawFn) -> list[Fact[Any]]:
    codes = draw(st.lists(st.sampled_from(list(StepCode)), max_size=5))
    return [
        a_step(
            code,
            f"Task/s{place}",
            START_AT,
            start=draw(st.one_of(moments, st.just(parse_moment("2025-06-02T11:00:00Z")))),
            end=draw(maybe_moment),
            rate=draw(maybe_number),
            set=draw(st.none() | devices),
            volume_given=draw(maybe_number),
            temperature=draw(maybe_number),
            out_since=draw(maybe_moment),
            valid_until=draw(maybe_moment),
            flow_stopped_at=draw(maybe_moment),
            onset=draw(maybe_moment),
            reason=draw(st.sampled_from([None, "", "leak"])),
            signs=draw(st.sampled_from([(), ("",), ("rigors",)])),
        )
        for place, code in enumerate(codes)
    ]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """The invented case with odd numbers and dates anywhere; the unit was started to the minute."""
    odd = parse_moment("2025-06-02T10:05:00Z")
    return a_case(
        patient={"birth_date": draw(st.none() | st.sampled_from(TEXTS))},
        order={
            "quantity": draw(maybe_number),
            "quantity_unit": draw(st.sampled_from(["{unit}", "mL", "", None])),
            "rate": draw(maybe_number),
            "start": draw(maybe_moment),
            "end": draw(maybe_moment),
            "authored": draw(maybe_moment),
            "surgery_on": draw(maybe_moment),
            "recent_transfusion": draw(st.sampled_from([None, False])),
        },
        sample={"collected": draw(maybe_moment), "valid_until": draw(maybe_moment)},
        group={"at": draw(maybe_moment)},
        antibodies={"at": draw(maybe_moment), "maternal": draw(st.booleans())},
        consent={"at": draw(maybe_moment), "start": draw(maybe_moment), "end": draw(maybe_moment)},
        unit={"expiry": draw(maybe_moment), "volume": draw(maybe_number)},
        crossmatch={"at": draw(maybe_moment), "valid_until": draw(maybe_moment)},
        issue={
            "handed_over": draw(maybe_moment),
            "valid_until": draw(maybe_moment),
            "quantity": draw(maybe_number),
            "container": draw(st.sampled_from([None, "", "validated-container", "syringe"])),
        },
        check={
            "end": draw(st.one_of(st.just(odd), maybe_moment)),
            "band": a_band(birth_date=draw(st.none() | st.sampled_from(TEXTS))),
            "label": a_label(
                birth_date=draw(st.none() | st.sampled_from(TEXTS)),
                expiry=draw(maybe_moment),
                sample_number=draw(st.sampled_from([None, "", "S250601-17"])),
            ),
            "bag": a_bag(expiry=draw(maybe_moment)),
            "second_checked_at": draw(maybe_moment),
            "out_since": draw(maybe_moment),
            "access_gauge": draw(st.sampled_from([None, 0, -5, 10**20])),
            "filter_um": draw(maybe_number),
        },
        start={
            "start": draw(st.one_of(st.just(odd), st.just(odd), moments)),
            "rate": draw(maybe_number),
            "set": draw(st.none() | devices),
            "out_since": draw(maybe_moment),
        },
        end=draw(
            st.none() | st.fixed_dictionaries({"volume_given": maybe_number, "start": moments})
        ),
        extra=[*draw(observations()), *draw(steps())],
        aliases=PATIENT.tokens,
    )


NOWS = (
    datetime.fromisoformat("1000-01-02T00:00:00+00:00"),
    START_AT + timedelta(minutes=30),
    START_AT + timedelta(hours=5),
    datetime.fromisoformat("8999-12-01T00:00:00+00:00"),
)
nows = st.sampled_from(NOWS)


class TestEveryRule:
    """Extreme, absurd, negative and empty values give findings and no error."""

    @settings(max_examples=400, deadline=None)
    @given(cases())
    def test_before_the_start(self, case: Case) -> None:
        for stage in (Stage.CHECK, Stage.START):
            pre = pre_start(case, stage=stage, policy=default_policy())
            assume(pre.at != EARLIEST)  # not sent to the minute: no rule is asked
            _ask(rule(pre) for rule in RULES)
            timing.deadlines_before(pre)

    @settings(max_examples=400, deadline=None)
    @given(cases(), nows)
    def test_from_the_start_on(self, case: Case, now: datetime) -> None:
        running = a_running(case, now=now)
        timing.watch(running)
        if running.start.body.start.instant is not None:
            compatibility.news(running)
            reaction.screen(running, ())
            for at in NOWS:
                timing.outlook(running, at)
        for step in running.unit.done(StepCode.RETURN_UNIT):
            timing.judge_return(case, running.unit, step, running.policy, SITE)

    @settings(max_examples=200, deadline=None)
    @given(cases(), nows)
    def test_all_of_them_together(self, case: Case, now: datetime) -> None:
        assess(case, default_policy(), SITE, RecordingClock(now))


def _ask(found: Iterable[tuple[Any, ...]]) -> None:
    for findings in found:
        for finding in findings:
            assert finding.text


def test_a_moment_of_these_is_what_the_edge_reads() -> None:
    assert all(isinstance(parse_moment(text), Moment) for text in TIMES)
