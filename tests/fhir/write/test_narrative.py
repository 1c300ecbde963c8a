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
    a_finding,
    a_procedure,
    a_request,
    a_volume,
    an_event,
    an_issue,
    an_observed,
    desired,
)
from tests.support.validators import RELEASES

TOLD = (a_procedure(), an_issue(), an_event(), a_request(), a_volume(), an_observed())
NAMES = ["Procedure", "DetectedIssue", "AdverseEvent", "Task", "volume given", "readings"]
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
        assert "Patient number</th><td>0043817" in div(content)
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
    ids=NAMES[:4],
)
def test_it_carries_the_cautions(content: Content, cautions: list[str]) -> None:
    """rules.md 10: cautions to show."""
    for caution in cautions:
        assert caution in div(content)


class TestOneLanguage:
    """The words of the ward and the laboratory, and each number as it is printed on the bag."""

    @pytest.mark.parametrize("content", TOLD[:5], ids=NAMES[:5])
    def test_a_unit_is_named_as_its_bag_prints_it(self, content: Content) -> None:
        assert "A9999 25 123456 " in div(content)
        assert "division 000000" not in div(content)

    def test_readings_are_words_with_units(self) -> None:
        told = div(an_observed())
        assert "<th>Temperature</th><td>38.40 °C" in told
        assert "<th>Heart rate</th><td>118/min" in told
        assert "worst since the start" in told

    def test_the_content_list_of_a_notice_holds_no_code_word(self) -> None:
        lines = (
            ("Fluid in the line", "sodium-chloride-0.9"),
            ("Flow stopped", "2025-06-02T10:20:00Z"),
            ("Unit A999925123456/E0398/000000", "from 2025-06-02 11:05 +0100 to still running"),
        )
        told = div(an_event(lines=lines))
        assert "0.9 % sodium chloride" in told
        assert "Flow stopped</th><td>2 June 2025 11:20 UTC+01:00" in told
        assert "from 2 June 2025 11:05 UTC+01:00 to still running" in told
        assert "A999925123456/E0398" not in told

    def test_a_call_is_asked_for_once(self) -> None:
        told = div(an_event(lines=(("Do now", "Telephone the laboratory now."),)))
        assert told.count("Telephone the laboratory now.") == 1

    def test_a_near_miss_tells_each_finding_once(self) -> None:
        finding = a_finding()
        told = div(
            an_event(
                actuality="potential", findings=(finding,), lines=((finding.rule, finding.text),)
            )
        )
        assert told.count(finding.text) == 1

    def test_a_finding_has_verdict_rule_reason_remedy_and_source(self) -> None:
        told = div(an_issue())
        assert "<h2>Refuse: do not start while these facts stand.</h2>" in told
        assert "<li>Refuse (rule ID-05): The compatibility label" in told
        assert "To resolve: call the laboratory." in told
        assert "Policy and source: ID-05 = refuse, since 1 January 2020, [S14]." in told

    def test_a_unit_not_given_is_not_headed_as_a_transfusion(self) -> None:
        told = div(a_procedure(status="not-done", start=None, end=None, volume=None))
        assert "<h2>Not transfused: Red cells</h2>" in told
        assert "Route" not in told
        assert "Amount given" not in told

    def test_a_task_says_whom_it_asks_and_each_state_in_one_place(self) -> None:
        told = div(a_request(owner="ward", details=(("Set", "hourly-2"), ("State", "overdue"))))
        assert "Asked of</th><td>the ward" in told
        assert "Set</th><td>hourly observation set 2" in told
        assert "State</th><td>requested; overdue" in told

    def test_holding_sisters_says_for_which_suspicion(self) -> None:
        told = div(a_request(details=(("Candidate", "TRALI/TACO"), ("Candidate", "AHTR"))))
        assert (
            "Candidate</th><td>lung injury and circulatory overload not told apart (TRALI/TACO); "
            "acute haemolytic transfusion reaction (AHTR)" in told
        )

    def test_nobody_is_named_for_what_the_facts_ended(self) -> None:
        told = div(an_issue(mitigation=("The facts no longer give this finding.",)))
        assert "What was done" in told
        assert "By</th>" not in told


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
