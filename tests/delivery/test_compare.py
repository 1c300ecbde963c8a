"""What a partner holds against what we sent: we own the elements we wrote, and nothing else."""

from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.delivery.compare import is_ours, overlay, resource_of, same
from service.fhir.own import EMITTED_SYSTEM

ID = "0d8f3a52-1f4e-4a7d-8a57-5a9b3c1d2e3f"
TAG = {"system": EMITTED_SYSTEM, "code": ID}
OURS = {
    "resourceType": "Task",
    "id": ID,
    "meta": {"tag": [TAG]},
    "text": {"status": "generated", "div": "<div>ours</div>"},
    "status": "requested",
    "description": "Return the unit.",
}

elements = st.dictionaries(st.sampled_from("abcdef"), st.integers(0, 3), max_size=6)


def task(**changed: Any) -> dict[str, Any]:
    return OURS | changed


class TestSame:
    """After an unknown outcome: equal content means that it arrived."""

    def test_that_meta_and_text_do_not_count(self) -> None:
        theirs = task(meta={"versionId": "1", "tag": [TAG]}, text={"status": "empty"})
        assert same(OURS, theirs, None)

    def test_that_their_own_elements_do_not_count(self) -> None:
        assert same(OURS, task(owner={"display": "blood bank"}), None)

    def test_that_a_number_is_its_value(self) -> None:
        assert same({"a": resource_of(b'{"v": 37.10}')}, {"a": resource_of(b'{"v": 37.1}')}, None)
        assert same({"a": {"v": Decimal("250.0")}}, {"a": {"v": 250}}, None)

    def test_that_another_value_differs(self) -> None:
        assert not same(OURS, task(status="accepted"), None)

    def test_that_an_element_we_took_away_and_that_is_still_there_differs(self) -> None:
        """Else a version that only removes something would count as arrived before it did."""
        earlier = task(note=[{"text": "to be removed"}])
        assert not same(OURS, earlier, earlier)
        assert same(OURS, task(), earlier)

    def test_that_an_element_missing_inside_differs(self) -> None:
        ours = task(focus={"type": "Procedure", "display": "x"})
        assert not same(ours, task(focus={"type": "Procedure"}), None)
        assert not same(task(focus={"type": "Procedure"}), ours, None)


class TestOverlay:
    """On a conflict: re-read, keep the rest, write ours."""

    @given(elements, elements, elements)
    def test_that_ours_wins_and_the_rest_stays(
        self, ours: dict[str, Any], earlier: dict[str, Any], theirs: dict[str, Any]
    ) -> None:
        head = {"resourceType": "Task", "id": ID}
        merged = resource_of(overlay(ours | head, theirs | head, earlier | head))
        owned = ours.keys() | earlier.keys()
        assert {n: v for n, v in merged.items() if n in owned} == ours
        rest = {n: v for n, v in merged.items() if n in set("abcdef") - owned}
        assert rest == {n: v for n, v in theirs.items() if n not in owned}
        assert same(ours | head, merged, earlier | head)

    def test_that_their_tags_and_security_labels_stay(self) -> None:
        theirs = {
            "versionId": "7",
            "lastUpdated": "2025-06-02T10:00:00Z",
            "security": [{"code": "R"}],
            "tag": [{"code": "ward"}],
        }
        merged = resource_of(overlay(OURS, task(meta=theirs), None))
        assert merged["meta"] == {"security": [{"code": "R"}], "tag": [{"code": "ward"}, TAG]}

    def test_that_our_narrative_goes_with_our_content(self) -> None:
        merged = resource_of(overlay(OURS, task(text={"status": "empty"}), None))
        assert merged["text"] == OURS["text"]


class TestIsOurs:
    """Believe no resource under our id before it carries one of our keys."""

    def test_that_tag_or_identifier_shows_it(self) -> None:
        assert is_ours({"meta": {"tag": [{"code": "x"}, TAG]}}, ID)
        assert is_ours({"identifier": [{"system": EMITTED_SYSTEM, "value": ID}]}, ID)

    def test_that_the_single_identifier_of_an_r4_adverse_event_shows_it(self) -> None:
        assert is_ours({"identifier": {"system": EMITTED_SYSTEM, "value": ID}}, ID)

    def test_that_a_stranger_is_not_ours(self) -> None:
        assert not is_ours({"meta": {"tag": [{"system": "x", "code": ID}]}}, ID)
        assert not is_ours({"identifier": [{"value": ID}]}, ID)

    @given(st.recursive(st.none() | st.integers(), lambda x: st.lists(x)), st.integers())
    def test_that_no_shape_breaks_it(self, shape: Any, number: int) -> None:
        assert not is_ours({"meta": {"tag": shape}, "identifier": number}, ID)
