"""A site's overlay folder for one test: written, loaded on a shipped profile, and thrown away."""

from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

from service.errors import PolicyFault
from service.policy.files import mappings
from service.policy.load import load
from service.policy.policy import Policy

HEADER = '[file]\nname = "harrow-vale"\napproved_by = "The transfusion committee"\n'


def load_with(
    toml: str,
    tables: Mapping[str, str] | None = None,
    *,
    base: str = "default",
    header: str = HEADER,
) -> Policy:
    """A shipped profile with an overlay on top; the overlay may state any number of rows."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "policy").mkdir()
        (folder / "matrices").mkdir()
        (folder / "policy" / "site.toml").write_text(header + toml, encoding="utf-8")
        for file, text in (tables or {}).items():
            (folder / "matrices" / file).write_text(text, encoding="utf-8")
        return load(base, mappings(), folder)


def faults_of(
    toml: str,
    tables: Mapping[str, str] | None = None,
    *,
    base: str = "default",
    header: str = HEADER,
) -> tuple[str, ...]:
    """The faults of an overlay; none when it loads."""
    try:
        load_with(toml, tables, base=base, header=header)
    except PolicyFault as fault:
        return fault.faults
    return ()


def rule_entry(key: str, *, since: str = "2024-01-01", **said: str | bool) -> str:
    """One [[rule]] of an overlay."""
    return _entry("rule", key, since, {name: _toml(value) for name, value in said.items()})


def row_entry(key: str, value: str, *, since: str = "2024-01-01", **said: str) -> str:
    """One [[row]] of an overlay; ``value`` is TOML."""
    given = {"value": value} | {name: _toml(word) for name, word in said.items()}
    return _entry("row", key, since, given)


def _entry(kind: str, key: str, since: str, said: Mapping[str, str]) -> str:
    lines = [f"[[{kind}]]", f'id = "{key}"', f"since = {since}"]
    lines += [f"{name} = {value}" for name, value in said.items()]
    if "source" not in said:
        lines.append('source = "derived: by the committee"')
    return "\n".join(lines) + "\n"


def _toml(value: str | bool) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()
