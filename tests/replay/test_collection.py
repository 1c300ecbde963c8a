"""A ``collection`` bundle in a scenario: no server takes one, so it goes as a transaction."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from service.replay.collection import as_transaction
from service.replay.play import replay
from service.replay.played import Played
from service.replay.scenario import load
from tests.support.authoring.resources import patient
from tests.support.authoring.words import concept
from tests.support.folders import ROWAN, a_folder

Json = dict[str, Any]
FULL = "https://chart.harrow-vale.example/fhir"


def collection(release: str, about: str) -> Json:
    """A patient and an Observation about him that goes by one of the patient's addresses."""
    observation = {
        "resourceType": "Observation",
        "id": "o-1",
        "status": "final",
        "code": concept("http://loinc.org", "8310-5"),
        "subject": {"reference": about},
        "effectiveDateTime": "2027-06-08T08:00:00+01:00",
        "valueQuantity": {
            "value": 36.8,
            "system": "http://unitsofmeasure.org",
            "code": "Cel",
        },
    }
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"{FULL}/Patient/p-1", "resource": patient(ROWAN)[release] | {"id": "p-1"}},
            {"resource": observation},
        ],
    }


def told(folder: Path, release: str, message: Json) -> Played:
    """A scenario of one message, played."""
    a_folder(folder, messages={"01-patient.json": message}, releases=(release.lower(),))
    return asyncio.run(replay(load(folder), release))


class TestCollections:
    """design 4: Bundle ``collection`` only in replay."""

    @pytest.mark.parametrize("about", ["Patient/p-1", f"{FULL}/Patient/p-1"])
    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_every_entry_is_created_and_points_at_the_others(
        self, tmp_path: Path, release: str, about: str
    ) -> None:
        found = told(tmp_path / "one", release, collection(release, about))
        (happened, *_) = found.happened
        assert happened.status == 200, happened.problems
        assert sorted(happened.created) == ["Observation", "Patient"]

    def test_another_bundle_stays_as_it_is(self) -> None:
        for message in ({"resourceType": "Patient"}, {"resourceType": "Bundle", "type": "batch"}):
            assert as_transaction(message) is message

    def test_entries_without_a_resource_are_left_out(self) -> None:
        made = as_transaction({"resourceType": "Bundle", "type": "collection", "entry": [{}]})
        assert made["entry"] == []
