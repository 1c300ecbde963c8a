"""Everything that the shipped scenarios emit and answer is valid, cautious and never says safe.

Each distinct resource is checked once, by every validator of tests/support/validators.py, in the
release in which it was sent; what partners are sent is rendered in the other release too.
"""

import contextlib
import io
import json
import re
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from typing import Any

import pytest
from rich.console import Console

from service.assessment.desired import Content, Desired, Issue, Key
from service.cli import main
from service.cli.replay import Outcome, show_summary
from service.cli.screen import by_partner, came_in_table, cautions, checks, milestones, timeline
from service.fhir.edge.strict_json import dump
from service.fhir.own import VERDICT_SYSTEM
from service.fhir.write import render, wording
from service.fhir.write.codes import OWN_STEP_OUTPUT
from tests.support.desired import a_context
from tests.support.replays import NAMES, heard, played
from tests.support.validators import RELEASES, problems

Resource = dict[str, Any]
KINDS = {"AdverseEvent", "DetectedIssue", "Observation", "Procedure", "Provenance", "Task"}
TOLD = KINDS - {"Provenance"}
OURS = {"OperationOutcome", "Task"}
OTHER = {"R4": "R5", "R5": "R4"}


@cache
def sent() -> dict[tuple[str, bytes], str]:
    """(release, bytes) -> the first scenario and identity that sent it to a partner."""
    found: dict[tuple[str, bytes], str] = {}
    for name in NAMES:
        for release in RELEASES:
            play = played(name, release)
            for partner, key, body in play.sent:
                spoken = play.scenario.settings.partner[partner].release
                found.setdefault((spoken, body), f"{name} {key}")
    return found


@cache
def otherwise() -> dict[tuple[str, bytes], str]:
    """The same contents in the release that their partner does not speak."""
    found: dict[tuple[str, bytes], str] = {}
    for name in NAMES:
        play = played(name, "R4")
        context = a_context(zone=play.scenario.zone)
        for one in play.emissions:
            release = OTHER[play.scenario.settings.partner[one.partner].release]
            resource = render(_desired(one.key, one.content), release, context)
            found.setdefault((release, dump(resource)), f"{name} {one.key}")
    return found


def _desired(key: str, content: Content) -> Desired:
    return Desired(key=Key.read(key), to=frozenset(), stream="", content=content)


@cache
def answered() -> dict[tuple[str, bytes], str]:
    """What answers to senders say in words of ours: steps with their answer, and outcomes.

    Anything else in an answer is the sender's own resource, as it came.
    """
    found: dict[tuple[str, bytes], str] = {}
    for name in NAMES:
        for release in RELEASES:
            for spoken, answer in heard(name, release).answered:
                ours = (one for one in _within(dict(answer.content)) if one["resourceType"] in OURS)
                for resource in ours:
                    found.setdefault((spoken, dump(resource)), f"{name} answer")
    return found


def _within(content: Resource) -> Iterator[Resource]:
    """A Bundle's resources and outcomes; anything else itself."""
    if content.get("resourceType") != "Bundle":
        yield content
    for entry in content.get("entry", ()):
        outcome = entry.get("response", {}).get("outcome")
        yield from (one for one in (entry.get("resource"), outcome) if one)


def _faults(found: dict[tuple[str, bytes], str]) -> list[str]:
    told = []
    for (release, body), where in found.items():
        with contextlib.redirect_stdout(io.StringIO()):  # a validator traces to it
            wrong = problems(json.loads(body), release)
        told += [f"{where} {release}: {problem}" for problem in wrong]
    return told


def of_type(kind: str) -> list[tuple[str, Resource]]:
    """Every distinct resource of a type that a partner was or could have been sent."""
    both = [*sent(), *otherwise()]
    made = [(release, json.loads(body)) for release, body in both]
    return [(release, one) for release, one in made if one["resourceType"] == kind]


class TestValid:
    """100 % of what is emitted and answered, 0 errors, by every validator."""

    def test_whatever_partners_were_sent(self) -> None:
        assert len(sent()) > 250
        assert _faults(sent()) == []

    def test_the_same_in_the_release_they_do_not_speak(self) -> None:
        assert len(otherwise()) > 100
        assert _faults(otherwise()) == []

    def test_whatever_senders_were_answered(self) -> None:
        assert len(answered()) > 50
        assert _faults(answered()) == []

    @pytest.mark.parametrize("release", RELEASES)
    def test_every_kind_is_among_them(self, release: str) -> None:
        kinds = {json.loads(body)["resourceType"] for spoken, body in sent() if spoken == release}
        kinds |= {json.loads(body)["resourceType"] for r, body in otherwise() if r == release}
        assert kinds == KINDS


class TestTheseTestsCanFail:
    """The same walk finds a fault that was put into one resource of each kind."""

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("kind", sorted(KINDS))
    def test_an_element_no_release_knows(self, kind: str, release: str) -> None:
        broken = self._one(kind, release)
        broken["importance"] = "great"
        assert _faults({(release, dump(broken)): "broken"})

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize(
        ("kind", "element"),
        [
            ("AdverseEvent", "subject"),
            ("AdverseEvent", "actuality"),
            ("DetectedIssue", "status"),
            ("Observation", "code"),
            ("Procedure", "subject"),
            ("Procedure", "status"),
            ("Provenance", "target"),
            ("Task", "intent"),
        ],
    )
    def test_an_element_that_is_missing(self, kind: str, element: str, release: str) -> None:
        broken = self._one(kind, release)
        del broken[element]
        assert _faults({(release, dump(broken)): "broken"})

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("kind", sorted(TOLD - {"AdverseEvent"}))
    def test_a_status_that_is_none(self, kind: str, release: str) -> None:
        broken = self._one(kind, release) | {"status": "finished"}
        assert _faults({(release, dump(broken)): "broken"})

    def _one(self, kind: str, release: str) -> Resource:
        return deepcopy(next(one for spoken, one in of_type(kind) if spoken == release))


def cautious(resource: Resource) -> bool:
    """True when a resource of ours carries the caution where a person reads it."""
    kind = resource["resourceType"]
    shown = wording.CAUTION in resource.get("text", {}).get("div", "").replace("&amp;", "&")
    if kind == "DetectedIssue":
        return shown and wording.CAUTION in resource["detail"]
    return shown


def answer_is_cautious(task: Resource) -> bool:
    """True when a step that was judged carries the caution among its outputs."""
    texts = {
        output.get("valueString")
        for output in task.get("output", ())
        for code in output["type"].get("coding", ())
        if (code["system"], code["code"]) == (OWN_STEP_OUTPUT, "caution")
    }
    return texts == {wording.CAUTION}


class TestCautions:
    """design.md 1: every verdict carries the caution; rules.md 10 gives its words."""

    def test_it_defers_to_policy_label_and_staff(self) -> None:
        for words in ("not a diagnosis", "laboratory's label", "Local policy", "licensed"):
            assert words in wording.CAUTION

    @pytest.mark.parametrize("kind", ["AdverseEvent", "DetectedIssue", "Procedure", "Task"])
    def test_every_one_that_is_emitted_carries_it(self, kind: str) -> None:
        found = of_type(kind)
        assert len(found) > 5
        assert [one["id"] for _, one in found if not cautious(one)] == []

    def test_every_answer_to_a_step_carries_it(self) -> None:
        tasks = [json.loads(body) for _, body in answered()]
        judged = [one for one in tasks if _judged(one)]
        assert len(judged) > 20
        assert [one["id"] for one in judged if not answer_is_cautious(one)] == []

    def test_a_resource_without_it_is_found(self) -> None:
        _, issue = of_type("DetectedIssue")[0]
        assert not cautious(issue | {"detail": "Stop."})
        assert not cautious({"resourceType": "AdverseEvent", "text": {"div": "<div/>"}})
        assert not answer_is_cautious({"output": []})


def _judged(resource: Resource) -> bool:
    status = resource.get("businessStatus", {}).get("coding", ())
    return any(code.get("system") == VERDICT_SYSTEM for code in status)


class TestNothingIsCalledSafe:
    """Screening support never says that a unit is safe."""

    def test_no_text_that_is_sent_or_answered(self) -> None:
        found = [
            f"{where}: {text}"
            for every in (sent(), otherwise(), answered())
            for (_, body), where in every.items()
            for text in _texts(json.loads(body))
            if "safe" in text.lower()
        ]
        assert found == []

    @pytest.mark.parametrize("name", NAMES)
    def test_no_screen(self, name: str) -> None:
        assert "safe" not in _screens(name).lower()

    @pytest.mark.parametrize("command", ["demo", "replay", "policy", "serve"])
    def test_no_help(self, command: str, capsys: pytest.CaptureFixture[str]) -> None:
        with pytest.raises(SystemExit):
            main([command, "--help"])
        assert "safe" not in capsys.readouterr().out.lower()

    def test_the_walk_sees_every_text(self) -> None:
        assert list(_texts({"a": [{"b": "The unit is safe."}]})) == ["The unit is safe."]


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for one in inner:
        yield from _texts(one)


def _screens(name: str) -> str:
    """Everything that the commands print about a scenario, wide and narrow."""
    out = io.StringIO()
    play = played(name, "R4")
    for narrow in (False, True):
        to = Console(file=out, width=80 if narrow else 120)
        cautions(to)
        to.print(came_in_table(play))
        for made in (timeline, checks, milestones, by_partner):
            to.print(made(play, narrow=narrow))
        show_summary(to, [Outcome(played=play, differences=())])
    return out.getvalue()


# What a person must not be made to read: raw words, other clocks, keys of the machine.
RAW = (
    re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d"),
    re.compile(r"(?<![\w.-])[a-z]+_[a-z]+"),
    re.compile(r"\b(obs-\d|hourly-\d+|sodium-chloride|cmv-|division 000000)"),
    re.compile(r"mm\[Hg\]|\bCel\b|\{unit\}|\bNone\b"),
    re.compile(r"[A-Z]\d{12}/\w{5}/\w{6}"),
)


class TestOneLanguage:
    """Every narrative is for a nurse, a blood-bank technician and an engineer alike."""

    @pytest.mark.parametrize("kind", sorted(TOLD))
    def test_it_names_the_patient_by_number(self, kind: str) -> None:
        for _, one in of_type(kind):
            assert "Patient number</th><td>" in one["text"]["div"], one["id"]

    @pytest.mark.parametrize("kind", sorted(TOLD))
    def test_it_shows_nothing_raw(self, kind: str) -> None:
        found = {
            match[0]
            for _, one in of_type(kind)
            for pattern in RAW
            if (match := pattern.search(_read(one["text"]["div"])))
        }
        assert found == set()

    def test_every_clock_time_has_its_offset(self) -> None:
        bare = re.compile(r"\d\d:\d\d(?!:\d\d)(?! UTC)(?!\d)")
        for kind in sorted(TOLD):
            for _, one in of_type(kind):
                text = re.sub(r"UTC[+-]\d\d:\d\d", "UTC", _read(one["text"]["div"]))
                assert bare.search(text) is None, text

    def test_a_finding_names_word_rule_and_source(self) -> None:
        issues = [one for name in NAMES for one in played(name, "R4").emissions]
        told = [
            finding
            for one in issues
            if isinstance(one.content, Issue)
            for finding in one.content.findings
        ]
        assert told
        for finding in told:
            text = wording.finding_text(finding)
            assert f"(rule {finding.rule})" in text
            assert "Policy and source: " in text


def _read(div: str) -> str:
    """A narrative as text; row ids of the policy are looked up by, so they stay as they are."""
    text = re.sub(r"<[^>]+>", " ", div)
    return re.sub(r"Policy and source: .*?\.(?= |$)", "", re.sub(r"\d\.\d", "", text))
