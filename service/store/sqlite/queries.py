"""Named queries from queries.sql."""

from importlib.resources import files

from service.store.sqlite.codec import (
    EMITTED_COLUMNS,
    FACT_COLUMNS,
    OUTBOX_COLUMNS,
    RESOURCE_COLUMNS,
)

COLUMNS = {
    "{resource}": RESOURCE_COLUMNS,
    "{fact}": FACT_COLUMNS,
    "{emitted}": EMITTED_COLUMNS,
    "{outbox}": OUTBOX_COLUMNS,
}
MARK = "-- name: "


def read(text: str) -> dict[str, str]:
    """Queries by name; what stands before the first name is a preface.

    Raises ValueError for a name that stands twice, a query without a purpose, or no query.
    """
    found: dict[str, str] = {}
    for block in text.split(MARK)[1:]:
        name, _, rest = block.partition("\n")
        name = name.strip()
        if name in found:
            raise ValueError(f"query {name!r} stands twice")
        found[name] = _query(name, rest)
    return found


def _query(name: str, block: str) -> str:
    if not block.startswith("-- "):
        raise ValueError(f"query {name!r} does not say what it is for")
    lines = [line for line in block.splitlines() if not line.lstrip().startswith("--")]
    query = "\n".join(lines).strip().removesuffix(";")
    if not query:
        raise ValueError(f"query {name!r} is empty")
    for place, columns in COLUMNS.items():
        query = query.replace(place, columns)
    return query


QUERIES = read(files("service.store.sqlite").joinpath("queries.sql").read_text(encoding="utf-8"))
