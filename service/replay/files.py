"""Where the scenarios are: beside the package in a checkout, inside it in an installed wheel."""

from pathlib import Path

from service.errors import ScenarioFault
from service.policy.files import PACKAGE

FILE = "scenario.toml"


def fixtures() -> Path:
    """The folder of the shipped scenarios. Raises ScenarioFault when there is none."""
    for place in (PACKAGE / "data" / "fixtures", PACKAGE.parent / "fixtures"):
        if place.is_dir():
            return place
    raise ScenarioFault("The fixtures folder was not found beside or inside the package.")


def scenarios(folder: Path | None = None) -> tuple[Path, ...]:
    """Every scenario of a folder, by name: whatever holds a scenario.toml is one."""
    place = folder if folder is not None else fixtures()
    return tuple(sorted(found.parent for found in place.glob(f"*/{FILE}")))


def find(named: str) -> tuple[Path, ...]:
    """The scenarios that an argument names: a folder, a folder of folders, or a shipped name.

    Raises ScenarioFault.
    """
    place = Path(named)
    if (place / FILE).is_file():
        return (place,)
    if place.is_dir():
        inside = scenarios(place)
        if inside:
            return inside
        raise ScenarioFault(f"{place} holds no {FILE}, and none of its folders does.")
    shipped = {found.name: found for found in scenarios()}
    if named in shipped:
        return (shipped[named],)
    known = "\n".join(f"  {name}" for name in shipped)
    raise ScenarioFault(f"There is no scenario {named!r}. Known are:\n{known}")
