"""Checks of order, consent, unit, line and patient before the start (rules.md section 3)."""

from service.rules import preparation_line as line
from service.rules import preparation_order as ordered
from service.rules import preparation_patient as patient
from service.rules import preparation_requirements as required
from service.rules import preparation_unit as unit
from service.rules.context import PreStartRule
from service.rules.preparation_unit import hung_again

__all__ = ["RULES", "hung_again"]

RULES: tuple[PreStartRule, ...] = (
    ordered.order,
    ordered.consent,
    required.requirements,
    unit.expiry,
    unit.status,
    unit.appearance,
    line.filtered,
    line.fluids,
    line.access,
    line.machines,
    patient.baseline,
    patient.fever,
    patient.premedication,
    patient.overload_risk,
    patient.observable,
    patient.history,
    line.own_set,
    unit.own_blood,
)
