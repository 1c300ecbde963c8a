"""Narratives: readable in any viewer, printable, and harmless."""

import re
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from service.assessment.desired import Content
from service.fhir.write import render
from tests.support import contents
from tests.support.desired import (
    a_context,
    a_procedure,
    a_request,
    an_event,
    an_issue,
    desired,
)
from tests.support.validators import RELEASES

TOLD = (a_procedure(), an_issue(), an_event(), a_request())
NAMES = ["Procedure", "DetectedIssue", "AdverseEvent", "Task"]
ALLOWED = {"div", "h2", "h3", "p", "b", "table", "tbody", "tr", "th", "td", "ul", "li"}


def div(content: Content, release: str = "R5") -> str:
    return str(render(desired(content), release, a_context())["text"]["div"])


class TestEveryViewer:
    """design.md 5: so that a person can read them in any viewer."""

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("content", TOLD, ids=NAMES)
    def test_it_is_plain_xhtml(self, content: Content, release: str) -> None:
        root = ElementTree.fromstring(div(content, release))  # noqa: S314 (our own text)
        assert {element.tag.rpartition("}")[2] for element in root.iter()} <= ALLOWED
        assert all(not element.attrib for element in root.iter())

    @pytest.mark.parametrize("content", TOLD, ids=NAMES)
    def test_it_names_the_patient_and_the_hospital(self, content: Content) -> None:
        assert "ASHGROVE, Wren" in div(content)
        assert "Harrow Vale Hospital" in div(content)

    @pytest.mark.parametrize("content", TOLD, ids=NAMES)
    def test_times_are_on_the_hospitals_clock(self, content: Content) -> None:
        """Two clocks on one page are read wrongly: 11:05 UTC+01:00 beside 12:00 UTC."""
        assert set(re.findall(r"\d\d:\d\d (UTC[+:\d]*)", div(content))) == {"UTC+01:00"}


@pytest.mark.parametrize(
    ("content", "cautions"),
    [
        (a_procedure(), ["label and crossmatch govern", "Local policy and licensed"]),
        (an_issue(), ["label and crossmatch govern", "missing values are reported as unknown"]),
        (
            an_event(),
            [
                "Screening support, not a diagnosis.",
                "Stop and call for help on clinical suspicion",
                "belong to the transfusion physician",
            ],
        ),
        (a_request(), ["Screening support, not a diagnosis.", "Local policy and licensed"]),
    ],
    ids=NAMES,
)
def test_it_carries_the_cautions(content: Content, cautions: list[str]) -> None:
    """rules.md 10: cautions to show."""
    for caution in cautions:
        assert caution in div(content)


class TestHarmless:
    """Text from outside never becomes markup."""

    HOSTILE = '<script>alert("x")</script><img src=x onerror=y>&amp;]]>'

    @pytest.mark.parametrize(
        "content",
        [
            a_procedure(status_reason=HOSTILE),
            an_event(title=HOSTILE, lines=((HOSTILE, HOSTILE),)),
            a_request(text=HOSTILE, details=((HOSTILE, HOSTILE),)),
            an_issue(mitigation=(HOSTILE,)),
        ],
        ids=["Procedure", "AdverseEvent", "Task", "DetectedIssue"],
    )
    def test_markup_is_shown_not_obeyed(self, content: Content) -> None:
        told = div(content)
        assert "<script" not in told
        assert "<img" not in told
        root = ElementTree.fromstring(told)  # noqa: S314 (our own text)
        assert self.HOSTILE in "".join(root.itertext())

    @settings(max_examples=60, deadline=None)
    @given(contents.ANY)
    def test_whatever_the_text(self, content: Content) -> None:
        resource: dict[str, Any] = render(desired(content), "R4", a_context())
        if "text" in resource:
            root = ElementTree.fromstring(resource["text"]["div"])  # noqa: S314 (our own text)
            assert {element.tag.rpartition("}")[2] for element in root.iter()} <= ALLOWED
