"""Built-in partner stand-ins: small FHIR endpoints that keep what they get, and fail on demand.

For demonstrations, tests and measurements; never a place to keep records.
"""

from service.standin.knobs import Knobs, Trouble
from service.standin.partner import StandIn, stand_in
from service.standin.serving import running, serving

__all__ = ["Knobs", "StandIn", "Trouble", "running", "serving", "stand_in"]
