"""Laws of rendering, over generated content."""

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings

from service.assessment.desired import Content
from service.fhir.write import render
from tests.support import contents
from tests.support.desired import RECORDED, a_context, desired, one_of_each
from tests.support.validators import RELEASES, assert_valid

ENCODER = msgspec.json.Encoder(decimal_format="number")


def encoded(content: Content, release: str, **changed: Any) -> bytes:
    return ENCODER.encode(render(desired(content), release, a_context(**changed)))


@pytest.mark.parametrize("release", RELEASES)
class TestEveryResourceIsValid:
    """design.md 9: every emitted resource passes independent validators."""

    @pytest.mark.parametrize("content", one_of_each(), ids=lambda c: type(c).__name__)
    def test_one_of_each_kind(self, content: Content, release: str) -> None:
        assert_valid(render(desired(content), release, a_context()), release)

    @pytest.mark.parametrize("kind", contents.KINDS)
    def test_whatever_the_facts_hold(self, kind: str, release: str) -> None:
        @settings(max_examples=40, deadline=None)
        @given(contents.KINDS[kind])
        def check(content: Content) -> None:
            assert_valid(render(desired(content), release, a_context()), release)

        check()


class TestRenderingIsPure:
    """design.md 3 rule 5: bytes are rendered once; equal content gives equal bytes."""

    @settings(max_examples=60, deadline=None)
    @given(contents.ANY)
    def test_twice_is_byte_for_byte_the_same(self, content: Content) -> None:
        for release in RELEASES:
            assert encoded(content, release) == encoded(content, release)

    @settings(max_examples=60, deadline=None)
    @given(contents.ANY)
    def test_policy_and_software_stand_in_provenance_only(self, content: Content) -> None:
        for release in RELEASES:
            other = encoded(
                content, release, software="9.9", policy_profile="us", policy_digest="ffff"
            )
            assert encoded(content, release) == other

    @pytest.mark.parametrize("release", RELEASES)
    def test_the_commit_instant_shows_in_a_task_only(self, release: str) -> None:
        later = RECORDED + timedelta(hours=1)
        changed = [
            type(content).__name__
            for content in one_of_each()
            if encoded(content, release) != encoded(content, release, recorded=later)
        ]
        assert changed == ["Request"]

    def test_another_release_is_refused(self) -> None:
        with pytest.raises(ValueError, match="R6"):
            render(desired(one_of_each()[0]), "R6", a_context())


class TestWhatIsNeverSaid:
    """rules.md 10: must not be claimed."""

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("content", one_of_each(), ids=lambda c: type(c).__name__)
    def test_that_a_unit_is_safe(self, content: Content, release: str) -> None:
        assert not re.search(rb"\bsafe(ly|ty)?\b", encoded(content, release), re.IGNORECASE)

    @pytest.mark.parametrize("release", RELEASES)
    @pytest.mark.parametrize("content", one_of_each(), ids=lambda c: type(c).__name__)
    def test_amounts_keep_their_digits(self, content: Content, release: str) -> None:
        """fhir-contract 7.3: the precision of a decimal is significant."""
        text = encoded(content, release)
        assert (b"276.50" in text) == (type(content).__name__ in {"Procedure", "Volume"})
        assert (b"38.40" in text) == (type(content).__name__ == "Observed")


class TestAwkwardText:
    """FHIR strings hold no control characters; JSON forbids empty ones."""

    def test_control_characters_and_odd_spaces_are_cleaned(self) -> None:
        content = replace(one_of_each()[4], text="Send\x00 the\u00a0next\x0b unit")
        for release in RELEASES:
            resource = render(desired(content), release, a_context())
            assert resource["description"] == "Send the next unit"
            assert_valid(resource, release)
