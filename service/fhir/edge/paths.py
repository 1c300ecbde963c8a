"""Places in a resource: kept as links, written as FHIRPath only when something is wrong."""

from typing import Any

Path = tuple[Any, str, int | None]  # (parent or None, name, index in an array or None)


def shown(path: Path) -> str:
    """A place as FHIRPath, e.g. ``Observation.component[1].valueQuantity.value``."""
    steps: list[str] = []
    at: Path | None = path
    while at is not None:
        parent, name, index = at
        steps.append(name if index is None else f"{name}[{index}]")
        at = parent
    return ".".join(reversed(steps)).replace(".[", "[")
