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
    """Queries by name. Raises ValueError for a name that stands twice or has no query."""
    found: dict[str, str] = {}
    for block in text.split(MARK)[1:]:
        name, _, rest = block.partition("\n")
        lines = [line for line in rest.splitlines() if not line.lstrip().startswith("--")]
        query = "\n".join(lines).strip().removesuffix(";")
        if name.strip() in found or not query:
            raise ValueError(f"query {name.strip()!r} stands twice or is empty")
        for place, columns in COLUMNS.items():
            query = query.replace(place, columns)
        found[name.strip()] = query
    return found


QUERIES = read(files("service.store.sqlite").joinpath("queries.sql").read_text(encoding="utf-8"))
