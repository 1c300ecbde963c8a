"""What a request asks for and what it sends: media types, release, Prefer, conditions."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.errors import BadInput, Problem

FHIR_VERSION = {"R4": "4.0", "R5": "5.0"}
FHIR_RELEASE = {"R4": "4.0.1", "R5": "5.0.0"}
JSON_TYPES = frozenset({"application/fhir+json", "application/json", "text/json", "json"})
ANY = frozenset({"*/*", "application/*"})
RETURNS = frozenset({"minimal", "representation", "OperationOutcome"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Media:
    """One media type with its parameters, lower-cased but for parameter values."""

    name: str
    parameters: Mapping[str, str]

    @property
    def version(self) -> str | None:
        """The ``fhirVersion`` parameter as major.minor, or None."""
        value = self.parameters.get("fhirversion")
        return ".".join(value.split(".")[:2]) if value else None


def media_of(header: str) -> Media:
    """Reads one media type."""
    name, *rest = (part.strip() for part in header.split(";"))
    pairs = (part.partition("=") for part in rest)
    parameters = {key.strip().lower(): value.strip().strip('"') for key, _, value in pairs}
    return Media(name=name.lower(), parameters=parameters)


def check_accept(accept: str | None, wanted_format: str | None, release: str) -> None:
    """Refuses (406) what is not JSON of this release; ``_format`` goes before Accept."""
    asked = [wanted_format] if wanted_format else (accept or "*/*").split(",")
    offered = [media_of(item.replace(" ", "+") if wanted_format else item) for item in asked]
    if any(_served(media, release) for media in offered):
        return
    text = f"Only FHIR JSON, version {FHIR_VERSION[release]}, is served here."
    raise BadInput(406, Problem(code="not-supported", text=text))


def check_content(content_type: str | None, release: str) -> None:
    """Refuses (415) a body that is not UTF-8 FHIR JSON of this release."""
    media = media_of(content_type or "")
    charset = media.parameters.get("charset", "utf-8").lower()
    if media.name in JSON_TYPES - {"json"} and charset in ("utf-8", "utf8"):
        if media.version in (None, FHIR_VERSION[release]):
            return
        text = f"This address takes FHIR {FHIR_VERSION[release]}, not {media.version}."
    else:
        text = "Send application/fhir+json in UTF-8."
    raise BadInput(415, Problem(code="not-supported", text=text))


def content_type(release: str) -> str:
    """The Content-Type of every answer."""
    return f"application/fhir+json; fhirVersion={FHIR_VERSION[release]}; charset=utf-8"


def preference(header: str | None) -> tuple[str, bool]:
    """(return preference, strict handling) of a Prefer header; representation and lenient else."""
    asked = dict(
        part.strip().partition("=")[::2] for part in (header or "").replace(";", ",").split(",")
    )
    wanted = asked.get("return", "representation").strip('"')
    strict = asked.get("handling") == "strict"
    return (wanted if wanted in RETURNS else "representation"), strict


def version_of(if_match: str | None) -> int | None:
    """The version in ``If-Match: W/"n"``; anything else is refused (400), never ignored."""
    if if_match is None:
        return None
    text = if_match.strip()
    digits = text[3:-1]
    if text.startswith('W/"') and text.endswith('"') and digits.isascii() and digits.isdigit():
        return int(digits[:18])
    raise BadInput(400, Problem(code="value", text='If-Match takes one version as W/"n".'))


def _served(media: Media, release: str) -> bool:
    known = media.name in JSON_TYPES | ANY
    return known and media.version in (None, FHIR_VERSION[release])
