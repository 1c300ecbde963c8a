"""README: what it tells a newcomer is there, word for word, and true."""

import argparse
import tomllib
from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest
from pydantic import BaseModel

from service import settings
from service.cli.main import COMMANDS
from service.cli.serve import check_binding
from service.facts.finding import Advice, Remedy, Verdict
from service.fhir.write import wording
from service.policy.files import mappings
from service.policy.load import profiles
from tests.docs.pages import README, block, flat, name, rows, section, text

DEMO = (
    "python3 -m venv .venv && .venv/bin/pip install --quiet . && .venv/bin/transfusion-events demo"
)
TESTS = (
    "python3 -m venv .venv && .venv/bin/pip install --quiet -e '.[test]' && "
    ".venv/bin/python .ci/fetch-definitions && .venv/bin/python -m pytest"
)
CAUTIONS = (
    wording.NOT_A_DIAGNOSIS,
    wording.ACT_ON_SUSPICION,
    wording.VALUES,
    wording.COMPATIBILITY,
    wording.CANDIDATES,
    wording.LOCAL_POLICY,
    "Under anaesthesia, in critical care and in children many signs are masked or differ",
)


class TestTheFirstParagraph:
    """Who opens the page learns the job before anything else."""

    JOB = "FHIR R4 R5 checks identity compatibility timing reaction record system blood bank"

    def test_that_it_states_the_job(self) -> None:
        first = flat(text(README).split("\n\n")[1])
        assert [word for word in self.JOB.split() if word not in first] == []

    def test_that_the_page_stays_readable(self) -> None:
        assert len(text(README).splitlines()) <= 250


class TestTheTwoCommands:
    """.ci/run takes each block after its marker and runs it in a fresh clone."""

    @pytest.mark.parametrize(("which", "command"), [("demo", DEMO), ("tests", TESTS)])
    def test_that_each_stands_alone_in_its_block(self, which: str, command: str) -> None:
        assert block(README, f"<!-- command: {which} -->") == command

    def test_that_each_marker_stands_once(self) -> None:
        assert text(README).count("<!-- command: ") == 2


class TestCautions:
    """The seven cautions (the catalogue's section 10), in the words that every answer bears."""

    @pytest.mark.parametrize("caution", CAUTIONS)
    def test_that_each_stands_in_the_second_section(self, caution: str) -> None:
        headings = [line for line in text(README).splitlines() if line.startswith("## ")]
        assert headings[0] == "## Cautions"
        assert caution in flat(section(README, "Cautions"))

    @pytest.mark.parametrize(
        "claim",
        [
            "not approved or validated for clinical use",
            "replaces neither the identity check at the bedside, nor the second checker, nor the "
            "laboratory's compatibility testing",
            "does not diagnose, rule out, grade or impute a reaction",
            "meets no accreditation or regulatory requirement and holds no certificate",
            "No study shows",
            "may have been superseded",
            "take legal advice",
            "Local policy, the laboratory's label and licensed staff decide",
        ],
    )
    def test_that_what_must_not_be_claimed_is_disclaimed(self, claim: str) -> None:
        assert claim in flat(section(README, "Cautions"))


class TestAnAnswer:
    """Every word that an answer may bear is explained."""

    WORDS = (
        *(verdict.word for verdict in Verdict),
        *(advice.word for advice in Advice),
        *("accept", "discard"),
        *Remedy,
    )

    @pytest.mark.parametrize("word", WORDS)
    def test_that_the_word_is_there(self, word: str) -> None:
        assert f"`{word}`" in section(README, "How to read an answer")


def options(command: str) -> Iterator[str]:
    """Every action and long option of a command, as typed."""
    top = argparse.ArgumentParser()
    commands = top.add_subparsers()
    import_module(f"service.cli.{command}").add_to(commands)
    yield from _options(commands.choices[command], command)


def _options(parser: argparse.ArgumentParser, typed: str) -> Iterator[str]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner, below in action.choices.items():
                yield f"{typed} {inner}"
                yield from _options(below, f"{typed} {inner}")
        else:
            yield from (f"{typed} {o}" for o in action.option_strings if o.startswith("--"))


class TestCommands:
    """The table of commands is the command line's own."""

    def table(self) -> dict[str, str]:
        """What is typed, by command."""
        lines = [
            cells[0].strip("`").split(maxsplit=2) for cells in rows(section(README, "Commands"))
        ]
        found: dict[str, str] = {}
        for _, command, *rest in lines:
            found[command] = f"{found.get(command, '')} {' '.join(rest)}"
        return found

    def test_that_it_lists_each_command_and_no_other(self) -> None:
        assert set(self.table()) == set(COMMANDS)

    @pytest.mark.parametrize("command", sorted(COMMANDS))
    def test_that_each_action_and_option_is_told(self, command: str) -> None:
        told = self.table()[command].replace("[", " ").replace("]", " ").split()
        wanted = {typed.split()[-1] for typed in options(command)} - {"--help"}
        assert wanted - set(told) == set()


TOKENS = {"token", "token_file", "token_env"}  # three ways to say the same
SECTIONS: dict[str, type[BaseModel]] = {
    "service": settings.ServiceSettings,
    "facility": settings.FacilitySettings,
    "source": settings.SourceSettings,
    "partner": settings.PartnerSettings,
}


def example(*, defaults: bool) -> dict[str, Any]:
    """The example settings; with ``defaults`` the lines that only show one count too."""
    written = block(README, "<!-- example: settings -->")
    if defaults:
        lines = written.splitlines()
        written = "\n".join(
            line[1:] if line[:1] == "#" and line[1:2] != " " else line for line in lines
        )
    return tomllib.loads(written)


def shown(kind: str) -> dict[str, Any]:
    """Every key that the example shows for a kind of section, with a value."""
    parts = _parts(kind, example(defaults=True)[kind])
    return {key: value for part in parts for key, value in part.items()}


def _parts(kind: str, content: dict[str, Any]) -> list[dict[str, Any]]:
    return [content] if kind == "service" else list(content.values())


class TestTheExampleSettings:
    """The commented example is a settings file, and shows every setting there is."""

    @pytest.mark.parametrize("defaults", [False, True])
    def test_that_it_loads(self, defaults: bool) -> None:
        loaded = settings.read(example(defaults=defaults))
        assert loaded.has_tokens
        check_binding(loaded)
        assert loaded.service.profile in profiles(mappings())
        assert {role for p in loaded.partner.values() for role in p.roles} == {
            "record-system",
            "blood-bank",
        }

    @pytest.mark.parametrize("kind", SECTIONS)
    def test_that_it_shows_every_setting(self, kind: str) -> None:
        assert set(shown(kind)) | TOKENS == set(SECTIONS[kind].model_fields) | TOKENS

    @pytest.mark.parametrize("kind", SECTIONS)
    def test_that_what_is_shown_as_a_default_is_the_default(self, kind: str) -> None:
        content = example(defaults=False)[kind]
        given = {key for part in _parts(kind, content) for key in part}
        for key, value in shown(kind).items():
            default = SECTIONS[kind].model_fields[key].get_default()
            if key not in given and default is not None:
                assert value == default, key

    def test_that_each_way_to_name_a_token_is_shown(self) -> None:
        assert set(shown("source")) >= TOKENS
        assert set(shown("partner")) & TOKENS

    def test_that_every_kind_of_fact_is_shown(self) -> None:
        loaded = settings.read(example(defaults=False))
        assert {k for source in loaded.source.values() for k in source.asserts} == settings.KINDS


def test_that_the_page_is_the_package_description() -> None:
    project = tomllib.loads((README.parent / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["readme"] == name(README)
