"""Where generated traffic is read in tests: the invented hospital's site and the shipped codes."""

from zoneinfo import ZoneInfo

from service.fhir.codes import load_codes
from service.generate.words import HOSPITAL
from service.policy.files import mappings
from service.policy.policy import Site

SITE = Site(
    facility="harrow-vale",
    zone=ZoneInfo("Europe/London"),
    identity_systems=(f"{HOSPITAL}/patient",),
)
CODES = load_codes(mappings() / "codes")
