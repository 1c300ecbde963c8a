"""$check-unit: the verdict that a recorded check would get, and nothing stored but an audit row."""

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from tests.support.apps import House, Json, problem, read_json
from tests.support.authoring.words import OWN, PEMBER, at, named, number
from tests.support.worlds import (
    BAG,
    OTHER_BAG,
    PIKE,
    WREN,
    a_check,
    answered,
    order_of,
    ready,
    tell,
)


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


def parameters(step: Json, **left_out: bool) -> Json:
    """The parameters that say what a recorded check says."""
    found = [
        {"name": "patient", "valueReference": step["for"]},
        {"name": "performer", "valueReference": step["owner"]},
        {"name": "at", "valueDateTime": step["executionPeriod"]["end"]},
        *({"name": "unit", "valueReference": step[k]} for k in ("focus",) if k in step),
        *({"name": "order", "valueReference": one} for one in step.get("basedOn", [])),
    ]
    for one in step.get("input", []):
        value = {k: v for k, v in one.items() if k.startswith("value")}
        found.append({"name": one["type"]["coding"][0]["code"], **value})
    kept = [one for one in found if one["name"] not in left_out]
    return {"resourceType": "Parameters", "parameter": kept}


def values(answer: Json, name: str) -> list[Any]:
    """The values or parts of the parameters of a name."""
    found = []
    for one in answer["parameter"]:
        if one["name"] == name:
            found.append(one.get("part") or next(v for k, v in one.items() if k != "name"))
    return found


def findings(answer: Json) -> set[tuple[str, str]]:
    """(rule, verdict) of every finding."""
    told = set()
    for parts in values(answer, "finding"):
        held = {part["name"]: part for part in parts}
        told.add((held["rule"]["valueCode"], held["verdict"]["valueCode"]))
    return told


def recorded(entry: Json) -> set[tuple[str, str]]:
    """(rule, verdict) of every finding that a recorded check was answered."""
    found = set()
    for output in entry["resource"].get("output", []):
        if "valueCodeableConcept" not in output:
            continue
        words = [c["code"] for c in output["type"]["coding"] if c["system"].endswith("/verdict")]
        (rule,) = [c["code"] for c in output["valueCodeableConcept"]["coding"]]
        found.add((rule, words[0] if words else "not-checked"))
    return found


def checked(**how: Any) -> Callable[[str], Json]:
    """A check whose second checker looked half a minute after the first."""

    def build(release: str) -> Json:
        step = deepcopy(a_check(**how)[release])
        for one in step["input"]:
            if one["type"]["coding"][0]["code"] == "second-checked-at":
                one["valueDateTime"] = at("10:04:30")
        return step

    return build


LABEL = tuple(f"label-{part}" for part in ("family", "given", "birth-date", "identifier"))
BAND = ("band-scan", "band-identifier", "band-family", "band-given")
VARIANTS: dict[str, Callable[[str], Json]] = {
    "clean": checked(),
    "another's band": checked(band=PIKE),
    "another bag": checked(bag=OTHER_BAG),
    "no band": checked(leave_out=BAND),
    "no second checker": checked(leave_out=("second-checker", "second-checked-at")),
    "one checker twice": checked(second=PEMBER),
    "nothing spoken": checked(leave_out=("spoken-confirmed",)),
    "no label": checked(leave_out=LABEL),
    "no look at the bag": checked(leave_out=("appearance",)),
    "no scan": checked(leave_out=("bag-scan",)),
    "long out": checked(out_since="09:20"),
}


@pytest.fixture
def ward(house: House, release: str) -> House:
    """The unit is ready at the bedside."""
    house.clock.set(house.clock.now().replace(hour=9, minute=4))
    tell(house, ready(), release)
    return house


class TestTheSameVerdict:
    """The dry run and the recorded check answer alike on the same data."""

    @pytest.mark.parametrize("variant", VARIANTS)
    def test_every_variant(self, ward: House, release: str, variant: str) -> None:
        step = VARIANTS[variant](release)
        # a dry run has one time: the end of the check
        step["executionPeriod"]["start"] = step["executionPeriod"]["end"]
        dry = read_json(ward.post(f"{base(release)}/$check-unit", parameters(step)))
        (entry,) = ward.send(release, step)
        assert values(dry, "verdict") == [answered(entry)]
        assert findings(dry) == recorded(entry)

    def test_that_the_variants_do_not_all_end_alike(self, ward: House, release: str) -> None:
        words = set()
        for build in VARIANTS.values():
            answer = ward.post(f"{base(release)}/$check-unit", parameters(build(release)))
            words |= set(values(read_json(answer), "verdict"))
        assert {"no-objection", "refuse"} <= words

    def test_that_a_later_recorded_check_is_not_known_to_it(
        self, ward: House, release: str
    ) -> None:
        """It is judged at its own instant: twice the same question, twice the same answer."""
        asked = parameters(VARIANTS["clean"](release))
        first = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        tell(ward, [a_check()], release)
        assert read_json(ward.post(f"{base(release)}/$check-unit", asked)) == first


class TestWhatItSays:
    """Verdict, caution, findings with text, missing, remedy and source, and deadlines."""

    def test_the_caution(self, ward: House, release: str) -> None:
        answer = ward.post(f"{base(release)}/$check-unit", parameters(VARIANTS["clean"](release)))
        assert any("not a diagnosis" in text for text in values(read_json(answer), "caution"))

    def test_that_a_refusal_names_what_ends_it(self, ward: House, release: str) -> None:
        asked = parameters(VARIANTS["another's band"](release))
        answer = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        refused = [
            {part["name"] for part in parts}
            for parts in values(answer, "finding")
            if {"name": "verdict", "valueCode": "refuse"} in parts
        ]
        assert refused
        assert all({"rule", "text", "remedy", "source"} <= names for names in refused)

    def test_what_is_missing_is_named(self, ward: House, release: str) -> None:
        asked = parameters(VARIANTS["nothing spoken"](release))
        answer = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        missing = [
            p for parts in values(answer, "finding") for p in parts if p["name"] == "missing"
        ]
        assert missing

    def test_deadlines(self, ward: House, release: str) -> None:
        """TIM-03, TIM-04: start by, down by, counted from the exit out of storage."""
        step = deepcopy(a_check(out_since="09:50")[release])
        answer = read_json(ward.post(f"{base(release)}/$check-unit", parameters(step)))
        due = {
            next(p["valueCode"] for p in parts if p["name"] == "kind"): next(
                p["valueDateTime"] for p in parts if p["name"] == "due"
            )
            for parts in values(answer, "deadline")
        }
        assert due == {
            "start-by": "2027-06-08T09:20:00.000Z",
            "bag-down": "2027-06-08T12:50:00.000Z",
        }

    def test_that_now_is_meant_where_no_time_is_said(self, ward: House, release: str) -> None:
        asked = parameters(VARIANTS["clean"](release), at=True)
        answer = ward.post(f"{base(release)}/$check-unit", asked)
        assert values(read_json(answer), "verdict") == ["no-objection"]

    def test_by_identifiers(self, ward: House, release: str) -> None:
        asked = parameters(VARIANTS["clean"](release), patient=True, unit=True, order=True)
        sid = {"system": f"{OWN}/sid/unit", "value": BAG.sid}
        asked["parameter"] += [
            {"name": "patient", "valueIdentifier": number("patient", WREN.number)},
            {"name": "unit", "valueIdentifier": sid},
            {"name": "order", "valueIdentifier": number("order", order_of(WREN))},
        ]
        answer = ward.post(f"{base(release)}/$check-unit", asked)
        assert values(read_json(answer), "verdict") == ["no-objection"]


class TestThatNothingIsStored:
    """An audit row with the verdict and the policy's digest is all that remains."""

    @pytest.mark.parametrize("variant", ["clean", "another's band"])
    def test_only_the_audit_row(self, ward: House, release: str, variant: str) -> None:
        before, known = ward.counts(), len(ward.audit())
        asked = parameters(VARIANTS[variant](release))
        answer = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        assert ward.counts() == before
        (row,) = ward.audit()[known:]
        assert (row.action, row.who) == ("check-unit", "ward")
        assert [row.outcome] == values(answer, "verdict")
        assert json.loads(row.detail) == {"unit": BAG.sid, "policy": ward.app.policy.digest}
        assert WREN.family.encode() not in row.detail


class TestUnknownWorlds:
    """Nothing known is never no objection."""

    def test_a_patient_and_a_unit_nobody_spoke_of(self, house: House, release: str) -> None:
        asked = parameters(VARIANTS["clean"](release))
        answer = read_json(house.post(f"{base(release)}/$check-unit", asked))
        assert values(answer, "verdict") == ["refuse"]

    def test_a_time_that_is_only_a_day(self, ward: House, release: str) -> None:
        asked = parameters(VARIANTS["clean"](release), at=True)
        asked["parameter"].append({"name": "at", "valueDateTime": "2027-06-08"})
        answer = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        assert values(answer, "verdict") == ["refuse"]

    @pytest.mark.parametrize("when", ["0001-01-01T00:00:00Z", "1990-01-01T00:00:00Z"])
    def test_a_time_long_ago(self, ward: House, release: str, when: str) -> None:
        asked = parameters(VARIANTS["clean"](release), at=True)
        asked["parameter"].append({"name": "at", "valueDateTime": when})
        answer = read_json(ward.post(f"{base(release)}/$check-unit", asked))
        assert values(answer, "verdict") == ["refuse"]


PATIENT = {"name": "patient", "valueReference": named("Patient", number("patient", WREN.number))}
UNIT = {"name": "unit", "valueIdentifier": {"system": f"{OWN}/sid/unit", "value": BAG.sid}}


class TestBadQuestions:
    """400 with the parameter that is wrong."""

    @pytest.mark.parametrize(
        ("given", "place"),
        [
            ([UNIT], "Parameters.parameter"),
            ([PATIENT], "Parameters.parameter.where(name='unit')"),
            ([PATIENT, PATIENT, UNIT], "Parameters.parameter.where(name='patient')"),
            (
                [{"name": "patient", "valueString": "x"}, UNIT],
                "Parameters.parameter.where(name='patient')",
            ),
            (
                [PATIENT, UNIT, {"name": "at", "valueDateTime": "2027-06-08T10:00:00"}],
                "Parameters.parameter[2].valueDateTime",
            ),
            (
                [PATIENT, UNIT, {"name": "at", "valueString": "soon"}],
                "Parameters.parameter.where(name='at')",
            ),
            (
                [{"name": "patient", "valueReference": {"reference": "Patient/nobody"}}, UNIT],
                "Parameters.parameter.where(name='patient')",
            ),
        ],
    )
    def test_where(self, house: House, release: str, given: list[Json], place: str) -> None:
        asked = {"resourceType": "Parameters", "parameter": given}
        before = house.counts()
        answer = house.post(f"{base(release)}/$check-unit", asked)
        status, _, expression = problem(answer)
        assert status in (400, 422)
        assert expression == place
        assert house.counts() == before

    @pytest.mark.parametrize(
        "content", [{"resourceType": "Parameters"}, {"resourceType": "Patient"}]
    )
    def test_no_question(self, house: House, release: str, content: Json) -> None:
        assert problem(house.post(f"{base(release)}/$check-unit", content))[0] == 400
