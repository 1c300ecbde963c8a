"""The second opinion: what the models of fhir.resources say about a resource."""

from functools import cache
from importlib import import_module
from typing import Any

from fhir.resources import get_fhir_model_class
from pydantic import BaseModel, ValidationError

from service.errors import Problem

PACKAGES = {"R4": "fhir.resources.R4B", "R5": "fhir.resources"}


@cache
def _model(kind: str, release: str) -> type[BaseModel]:
    if release == "R5":
        return get_fhir_model_class(kind)
    return import_module(PACKAGES[release]).get_fhir_model_class(kind)  # type: ignore[no-any-return]


def opinion(resource: dict[str, Any], release: str) -> tuple[Problem, ...]:
    """What the release's model refuses, one problem for each error it reports.

    An entry of a type that the model does not know makes it raise other errors than its own; they
    become one problem too.
    """
    kind = resource["resourceType"]
    try:
        _model(kind, release).model_validate(resource)
    except ValidationError as error:
        return tuple(_problem(kind, found) for found in error.errors(include_input=False))
    except Exception:  # KeyError for an unknown entry type, and whatever a model may raise
        text = f"The {kind} holds something that FHIR {release} does not define."
        return (Problem(code="structure", text=text, expression=kind),)
    return ()


def _problem(kind: str, error: Any) -> Problem:
    steps = [f"[{step}]" if isinstance(step, int) else f".{step}" for step in error["loc"]]
    place = kind + "".join(steps)
    missing = error["type"] == "missing"
    text = f"{place} is required." if missing else f"{place} does not fit FHIR's definition."
    return Problem(code="required" if missing else "structure", text=text, expression=place)
