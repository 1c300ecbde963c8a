"""R5 as it is: the shape that every topic reads."""

from service.fhir.read.datatypes import Json


def neutral(resource: Json) -> Json:
    """The resource itself."""
    return resource


def expression(path: str) -> str:
    """The path itself."""
    return path
