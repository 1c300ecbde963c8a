"""The envelope around every fact, and the table of kinds."""

from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from service.facts.identity import Ref
from service.facts.records import (
    AllowedGroups,
    AntibodyResult,
    BloodUnit,
    ConsentRecord,
    CrossmatchResult,
    DeviceRecord,
    DeviceUse,
    EncounterRecord,
    GroupResult,
    Issue,
    LabResult,
    LocationRecord,
    Order,
    PatientRecord,
    Premedication,
    Reply,
    Sample,
    Sign,
    StaffRecord,
    Vitals,
)
from service.facts.steps import Step

Body = (
    PatientRecord
    | Order
    | ConsentRecord
    | Sample
    | GroupResult
    | AntibodyResult
    | AllowedGroups
    | CrossmatchResult
    | Vitals
    | Sign
    | LabResult
    | BloodUnit
    | Issue
    | Premedication
    | DeviceRecord
    | DeviceUse
    | EncounterRecord
    | LocationRecord
    | StaffRecord
    | Reply
    | Step
)

B = TypeVar("B", bound=Body, covariant=True)

KINDS: dict[str, type[Body]] = {
    "patient": PatientRecord,
    "order": Order,
    "consent": ConsentRecord,
    "sample": Sample,
    "group": GroupResult,
    "antibodies": AntibodyResult,
    "allowed-groups": AllowedGroups,
    "crossmatch": CrossmatchResult,
    "vitals": Vitals,
    "sign": Sign,
    "result": LabResult,
    "unit": BloodUnit,
    "issue": Issue,
    "premedication": Premedication,
    "device": DeviceRecord,
    "device-use": DeviceUse,
    "encounter": EncounterRecord,
    "location": LocationRecord,
    "staff": StaffRecord,
    "reply": Reply,
    "step": Step,
}

KIND_OF: dict[type, str] = {body: kind for kind, body in KINDS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact(Generic[B]):
    """One version-neutral statement.

    key: ``Type/id`` of our stored resource, with ``#n`` where one resource states several facts.
    version: counts the versions of the resource from 1. stamp: the sender's own time of the
    version, None when none was sent. digest: hash of the received content. subject: the patient
    the resource names, None for a unit or a place.
    retracted: entered in error; a retracted fact stays in history and bears on nothing.
    """

    key: str
    version: int
    source: str
    received: datetime
    stamp: datetime | None = None
    digest: str = ""
    subject: Ref | None = None
    body: B
    retracted: bool = False

    @property
    def resource(self) -> str:
        """``Type/id`` of the stored resource."""
        return self.key.partition("#")[0]

    @property
    def kind(self) -> str:
        """The word of the table of kinds."""
        return KIND_OF[type(self.body)]
