"""Where the mappings are: beside the package in a checkout, inside it in an installed wheel."""

from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent


def mappings() -> Path:
    """The folder of policy files, matrices and code maps.

    Raises FileNotFoundError when neither a checkout's nor an installed copy is there.
    """
    for place in (PACKAGE / "data" / "mappings", PACKAGE.parent / "mappings"):
        if (place / "policy" / "default.toml").is_file():
            return place
    raise FileNotFoundError("the mappings folder was not found beside or inside the package")
