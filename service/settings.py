"""The installation's settings: one TOML file, every fault reported at once.

The file holds sections ``[service]``, ``[facility.KEY]``, ``[source.NAME]`` and
``[partner.NAME]``; README shows one. Secrets are named by file or environment variable, never
written on a command line.
"""

import os
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError, field_validator

from service.errors import SettingsFault
from service.policy.policy import Site

ROLES = Literal["record-system", "blood-bank"]
RELEASE = Literal["R4", "R5"]
KINDS = frozenset(
    {
        "patient",
        "order",
        "consent",
        "sample",
        "observation",
        "unit",
        "issue",
        "step",
        "reply",
        "context",
    }
)


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ServiceSettings(_Section):
    """Where the service listens, what it stores into and which policy profile it follows."""

    profile: str
    store: str = "transfusion-events.sqlite3"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8420
    base_url: str | None = None
    overlay: str | None = None
    patience_seconds: Annotated[float, Field(gt=0)] = 2.0


class FacilitySettings(_Section):
    """A facility and its blood bank, its time zone and the systems that identify its patients.

    identifier, blood_bank_identifier: ``system|value`` of the two organisations.
    """

    name: str
    identifier: str
    zone: str
    blood_bank_name: str
    blood_bank_identifier: str
    identity_systems: tuple[str, ...] = ()
    temporary_systems: tuple[str, ...] = ()
    receive_only: bool = False

    @field_validator("identifier", "blood_bank_identifier")
    @classmethod
    def _has_system(cls, value: str) -> str:
        system, bar, number = value.partition("|")
        if not (system and bar and number):
            raise ValueError("write an identifier as system|value")
        return value

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError) as unknown:
            raise ValueError(f"{value!r} is no time zone of the IANA database") from unknown
        return value

    def site(self, key: str, laboratory: Iterable[str] = ()) -> Site:
        """The facility as the rules see it. laboratory: sources that speak for its blood bank."""
        return Site(
            facility=key,
            zone=ZoneInfo(self.zone),
            identity_systems=self.identity_systems,
            temporary_systems=self.temporary_systems,
            receive_only=self.receive_only,
            laboratory=frozenset(laboratory),
        )


class _Secret(_Section):
    token: SecretStr | None = None
    token_file: str | None = None
    token_env: str | None = None

    def secret(self) -> str | None:
        """The token, from where the settings say it is kept."""
        if self.token is not None:
            return self.token.get_secret_value()
        if self.token_file is not None:
            return Path(self.token_file).read_text(encoding="utf-8").strip()
        if self.token_env is not None:
            return os.environ[self.token_env]
        return None


class SourceSettings(_Secret):
    """A sender: its facility, its credential, the URL prefixes of its own records, its say.

    asserts: the kinds of fact it may state; empty means all. Only a source that names ``reply``
    speaks for the blood bank when it answers a notice.
    """

    facility: str
    bases: tuple[str, ...] = ()
    asserts: tuple[str, ...] = ()

    @field_validator("asserts")
    @classmethod
    def _known_kinds(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        unknown = sorted(set(value) - KINDS)
        if unknown:
            raise ValueError(f"unknown kinds {unknown}; known are {sorted(KINDS)}")
        return value


class PartnerSettings(_Secret):
    """A remote FHIR endpoint and the roles it has."""

    base_url: str
    release: RELEASE
    roles: tuple[ROLES, ...]
    settle_seconds: Annotated[float, Field(ge=0)] = 2.0
    timeout_seconds: Annotated[float, Field(gt=0)] = 20.0
    batch_streams: Annotated[int, Field(ge=1, le=100)] = 20

    @field_validator("base_url")
    @classmethod
    def _is_http(cls, value: str) -> str:
        if not value.startswith(("http://", "https://")):
            raise ValueError("a partner's base_url starts with http:// or https://")
        return value.rstrip("/")


class Settings(_Section):
    """All settings of one installation."""

    service: ServiceSettings
    facility: dict[str, FacilitySettings]
    source: dict[str, SourceSettings] = {}
    partner: dict[str, PartnerSettings] = {}

    def sites(self) -> dict[str, Site]:
        """The facilities as the rules see them."""
        return {
            key: facility.site(key, self._speaking_for(key))
            for key, facility in self.facility.items()
        }

    def _speaking_for(self, facility: str) -> Iterable[str]:
        """The sources that answer for a facility's blood bank."""
        for name, source in self.source.items():
            if source.facility == facility and "reply" in source.asserts:
                yield name

    @property
    def has_tokens(self) -> bool:
        """True when every source has a credential."""
        held = [s.token or s.token_file or s.token_env for s in self.source.values()]
        return bool(held) and all(held)


def load(path: Path) -> Settings:
    """Reads a settings file. Raises SettingsFault with every fault."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as missing:
        raise SettingsFault(f"There is no settings file at {path}.") from missing
    except tomllib.TOMLDecodeError as broken:
        raise SettingsFault(f"{path} is not valid TOML: {broken}") from broken
    return read(content)


def read(content: Mapping[str, object]) -> Settings:
    """Settings from parsed content. Raises SettingsFault with every fault."""
    try:
        settings = Settings.model_validate(content)
    except ValidationError as invalid:
        raise SettingsFault(*(_plain(error) for error in invalid.errors())) from invalid
    faults = [
        f"source.{name}: facility {source.facility!r} is not in [facility]"
        for name, source in settings.source.items()
        if source.facility not in settings.facility
    ]
    if faults:
        raise SettingsFault(*faults)
    return settings


def _plain(error: object) -> str:
    place = ".".join(str(part) for part in error["loc"])  # type: ignore[index]
    return f"{place}: {error['msg']}"  # type: ignore[index]
