"""Scenario folders made for one test: a patient is sent, and whatever else the test asks for."""

import json
from pathlib import Path
from typing import Any

from tests.support.authoring.resources import patient
from tests.support.authoring.scene import bundle
from tests.support.authoring.words import Person

ROWAN = Person(
    number="0061900",
    family="Hollowbeck",
    given="Rowan",
    born="1970-05-06",
    gender="male",
    sample="HV27-39000",
    group="A RhD positive",
)
HEAD = """\
title = "A patient is admitted"
start = 2027-06-08T08:00:00+01:00

[facility.harrow-vale]
name = "Harrow Vale Hospital"
identifier = "https://harrow-vale.example/id/organisation|harrow-vale"
zone = "Europe/London"
blood_bank_name = "Harrow Vale blood bank"
blood_bank_identifier = "https://harrow-vale.example/id/organisation|harrow-vale-blood-bank"
identity_systems = ["https://harrow-vale.example/id/patient"]

[source.ward]

[partner.laboratory]
release = "R5"
roles = ["blood-bank"]
source = "ward"

[partner.chart]
release = "R4"
roles = ["record-system"]
"""
LINE = """
[[timeline]]
at = 08:10:00
send = "01-patient.json"
as = "ward"
"""


def admission() -> dict[str, Any]:
    """A transaction that creates the patient."""
    return bundle([patient(ROWAN)], "R4")


def a_folder(
    place: Path,
    *,
    head: str = HEAD,
    timeline: str = LINE,
    messages: dict[str, Any] | None = None,
    releases: tuple[str, ...] = ("r4",),
) -> Path:
    """Writes a scenario folder; messages: file name -> JSON content, or bytes as they stand."""
    place.mkdir(parents=True, exist_ok=True)
    (place / "scenario.toml").write_text(head + timeline, encoding="utf-8")
    for release in releases:
        (place / "in" / release).mkdir(parents=True, exist_ok=True)
        for name, content in (messages or {"01-patient.json": admission()}).items():
            body = content if isinstance(content, bytes) else json.dumps(content).encode()
            (place / "in" / release / name).write_bytes(body)
    return place
