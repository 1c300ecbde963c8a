"""Envelopes, versions, and what must not be read at all."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.case import in_force
from service.facts.fact import Fact
from service.facts.identity import Identifier, Ref
from service.fhir.read import Reading, Version, facts_of, missing_facts, read
from service.fhir.read.context import ReadContext
from tests.support.reading import (
    LOINC,
    Json,
    concept,
    context,
    observation,
    own,
    quantity,
    read_one,
    step,
)

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
NOON = datetime(2025, 6, 2, 12, tzinfo=UTC)


def envelope(reading: Reading, version: int, **more: Any) -> tuple[Fact[Any], ...]:
    held: Json = {
        "version": version,
        "source": "harrow-vale",
        "received": NOON + timedelta(minutes=version),
        "digest": f"d{version}",
    }
    return facts_of(reading, "Observation/o1", **(held | more))


class TestWhatIsNotRead:
    """What nothing here can use is stored and states nothing."""

    def test_a_missing_contained_resource_refuses(self) -> None:
        reading = read_one(step("start", owner={"reference": "#nobody"}))
        assert reading.problems[0].code == "not-found"

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_a_fact_about_a_patient_names_one(self, release: str) -> None:
        resource = observation(concept(LOINC, "8310-5"), valueQuantity=quantity("37", "Cel"))
        del resource["subject"]
        reading = read_one(resource, release)
        assert reading.bodies == ()
        assert reading.warnings

    def test_types_that_are_only_stored_state_nothing(self) -> None:
        reading = read_one(
            {"resourceType": "Organization", "identifier": [{"system": "a", "value": "b"}]}
        )
        assert reading.bodies == ()
        assert reading.identifiers == (Identifier("a", "b"),)


CANARY = "Xylophone77"
SPOILT: tuple[Json, ...] = (
    step("start", executionPeriod={"start": CANARY}),
    step("start") | {"code": {"coding": [{"system": "s", "code": CANARY}], "text": CANARY}},
    step("check-unit", [("label-expiry", "valueString", CANARY)]),
    step("check-unit", [("appearance", "valueCode", CANARY)]),
    step("check-unit", [("label-unit-group", "valueString", CANARY)]),
    step("check-unit", [("label-product-code", "valueString", CANARY)]),
    step("check-unit", [(CANARY, "valueString", CANARY)]),
    step("suspect-reaction", [("sign", "valueCodeableConcept", {"text": CANARY})]),
    step("start", owner={"reference": f"#{CANARY}"}),
    observation(concept(LOINC, "882-1"), valueCodeableConcept={"text": CANARY}),
    observation(concept(LOINC, "890-4"), valueString=CANARY),
    observation(concept(LOINC, "8310-5"), valueQuantity={"value": 1, "unit": CANARY}),
    observation(concept(LOINC, "8310-5"), valueQuantity=quantity("1", CANARY)),
    observation(
        concept("s", CANARY, CANARY), category=[own("x", "y"), concept(CATEGORY, "symptom")]
    ),
    {
        "resourceType": "BiologicallyDerivedProduct",
        "biologicalSourceEvent": {"system": "s", "value": CANARY},
        "identifier": [{"value": CANARY}],
        "division": CANARY,
        "expirationDate": CANARY,
    },
    {
        "resourceType": "BiologicallyDerivedProductDispense",
        "status": CANARY,
        "product": {"display": CANARY},
        "patient": {"display": CANARY},
        "matchStatus": {"text": CANARY},
    },
)


class TestTextsAreSilent:
    """No text of a problem or a warning holds a value that was sent."""

    @pytest.mark.parametrize("resource", SPOILT)
    def test_each(self, resource: Json) -> None:
        reading = read_one(resource)
        told = [*reading.problems, *reading.warnings]
        assert told
        for problem in told:
            assert CANARY not in problem.text
            assert CANARY not in str(problem.expression)


class TestStamps:
    """The sender's stamp: meta.lastUpdated, then issued or lastModified."""

    LATER = "2025-06-02T11:00:00.000Z"

    @pytest.mark.parametrize(
        "resource",
        [
            observation(concept(LOINC, "8310-5"), issued=LATER),
            observation(concept(LOINC, "8310-5"), meta={"lastUpdated": LATER}),
            step("start", lastModified=LATER),
            step("start", lastModified="2020-01-01T00:00:00Z", meta={"lastUpdated": LATER}),
        ],
    )
    def test_each(self, resource: Json) -> None:
        assert read_one(resource).stamp == NOON - timedelta(hours=1)

    def test_none_is_none(self) -> None:
        assert read_one(step("start")).stamp is None


class TestFacts:
    """One envelope per fact; several facts of one resource are told apart by number."""

    def two(self) -> Reading:
        parts = [
            {"code": own("component", name), "valueCodeableConcept": {"text": "O"}}
            for name in ("plasma", "red-cells")
        ]
        code = own("laboratory-test", "allowed-groups")
        return read_one(observation(code, component=parts))

    def test_keys_and_subject(self) -> None:
        first, second = envelope(self.two(), 3)
        assert (first.key, second.key) == ("Observation/o1", "Observation/o1#2")
        assert first.resource == second.resource == "Observation/o1"
        assert first.subject == Ref(kind="Patient", id="p1")
        assert (first.version, first.digest) == (3, "d3")

    def test_a_patient_is_its_own_subject(self) -> None:
        patient = {"resourceType": "Patient", "identifier": [{"system": "s", "value": "1"}]}
        (fact,) = facts_of(read_one(patient), "Patient/p9", 1, "x", NOON, "d")
        assert fact.subject == Ref(kind="Patient", id="p9", identifier=Identifier("s", "1"))


def saying(count: int) -> Reading:
    """A version that states as many facts as asked."""
    parts = [
        {"code": own("sign", word), "valueBoolean": True}
        for word in ("rigors", "fever", "rash")[:count]
    ]
    return read_one(observation({"text": "asked"}, component=parts))


class TestVersionsThatSayLess:
    """The facts in force are those of the version in force, whatever arrived first."""

    @given(
        counts=st.lists(st.integers(0, 3), min_size=1, max_size=4),
        order=st.randoms(use_true_random=False),
    )
    def test_in_any_order(self, counts: list[int], order: Any) -> None:
        stamps = [NOON + timedelta(hours=n) for n in range(len(counts))]
        order.shuffle(stamps)
        facts: list[Fact[Any]] = []
        versions = []
        for number, (count, stamp) in enumerate(zip(counts, stamps, strict=True), start=1):
            more = {"stamp": stamp, "received": NOON + timedelta(minutes=number)}
            for fact in envelope(saying(count), number, received=more["received"]):
                facts.append(_stamped(fact, stamp))
            versions.append(
                Version(version=number, source="harrow-vale", digest=f"d{number}", **more)
            )
        held = in_force([*facts, *missing_facts(facts, versions)])
        last = counts[stamps.index(max(stamps))]
        assert len(held) == last

    def test_nothing_is_missing_when_every_version_says_the_same(self) -> None:
        facts = [*envelope(saying(2), 1), *envelope(saying(2), 2)]
        versions = [Version(version=n, source="x", received=NOON) for n in (1, 2)]
        assert missing_facts(facts, versions) == ()


def _stamped(fact: Fact[Any], stamp: datetime) -> Fact[Any]:
    return Fact(
        key=fact.key,
        version=fact.version,
        source=fact.source,
        received=fact.received,
        stamp=stamp,
        digest=fact.digest,
        subject=fact.subject,
        body=fact.body,
    )


class TestPurity:
    """Reading is a function of the resource and what the caller supplies."""

    @given(st.sampled_from(["R4", "R5"]), st.sampled_from(["start", "end", "check-unit"]))
    def test_twice_is_the_same(self, release: str, code: str) -> None:
        held: ReadContext = context()
        assert read(step(code), release, held) == read(step(code), release, held)
