"""Expectations are compared so that one difference is one line that a person understands."""

import json
from pathlib import Path
from typing import Any

import pytest

from service.errors import ScenarioFault
from service.replay.expectation import FILE, accept, accepted, differences, expectation
from tests.support.replays import played

ONE: dict[str, Any] = {
    "timeline": [
        {"sent": "01-order", "at": "08:00"},
        {
            "sent": "02-check",
            "at": "08:10",
            "answers": [{"step": "check-unit 1", "answer": "note"}],
        },
    ],
    "partners": {
        "blood-bank": [
            {"identity": "procedure/u//", "version": 1, "status": "in-progress"},
            {"identity": "procedure/u//", "version": 2, "status": "completed"},
        ]
    },
    "next-wake": None,
}


def changed(path: list[Any], value: Any) -> Any:
    made = json.loads(json.dumps(ONE))
    place = made
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return made


class TestDifferences:
    """Where, what was expected, what came."""

    def test_equal_expectations_have_none(self) -> None:
        assert list(differences(ONE, json.loads(json.dumps(ONE)))) == []

    def test_one_field_is_one_line_that_names_the_identity(self) -> None:
        other = changed(["partners", "blood-bank", 1, "status"], "stopped")
        (line,) = differences(ONE, other)
        assert line == (
            'partners.blood-bank[procedure/u// 2].status: expected "completed", found "stopped"'
        )

    def test_an_answer_is_named_by_its_step(self) -> None:
        other = changed(["timeline", 1, "answers", 0, "answer"], "refuse")
        (line,) = differences(ONE, other)
        assert line == (
            'timeline[02-check].answers[check-unit 1].answer: expected "note", found "refuse"'
        )

    def test_one_emission_less_is_one_line(self) -> None:
        other = changed(["partners", "blood-bank"], ONE["partners"]["blood-bank"][:1])
        (line,) = differences(ONE, other)
        assert "procedure/u//" in line
        assert line.endswith("and it did not come")

    def test_one_emission_more_is_one_line(self) -> None:
        more = [*ONE["partners"]["blood-bank"], {"identity": "task/u/x/", "version": 1}]
        (line,) = differences(ONE, changed(["partners", "blood-bank"], more))
        assert "task/u/x/" in line
        assert line.endswith("came and was not expected")

    def test_another_order_is_told(self) -> None:
        turned = ONE["partners"]["blood-bank"][::-1]
        (line,) = differences(ONE, changed(["partners", "blood-bank"], turned))
        assert line == "partners.blood-bank: the same, in another order"

    def test_a_key_that_came_or_went_is_told(self) -> None:
        other = changed(["partners", "blood-bank", 0, "reason"], "why")
        assert next(iter(differences(ONE, other))).endswith('expected nothing, found "why"')
        assert next(iter(differences(other, ONE))).endswith('expected "why", found nothing')

    def test_a_long_value_is_cut_short(self) -> None:
        (line,) = differences(ONE, changed(["next-wake"], "x" * 500))
        assert len(line) < 250


class TestAccepting:
    """What came out is written for review, never taken for granted."""

    def test_what_was_accepted_is_what_is_expected(self, tmp_path: Path) -> None:
        accept(tmp_path, ONE)
        assert accepted(tmp_path) == ONE

    def test_where_nothing_may_be_written_it_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(ScenarioFault, match="cannot be written"):
            accept(tmp_path / "nowhere", ONE)

    def test_without_a_file_nothing_is_expected(self, tmp_path: Path) -> None:
        assert accepted(tmp_path) is None

    @pytest.mark.parametrize("content", [b"{", b"[]", b"\xff"])
    def test_a_broken_file_is_a_fault(self, tmp_path: Path, content: bytes) -> None:
        (tmp_path / FILE).write_bytes(content)
        with pytest.raises(ScenarioFault):
            accepted(tmp_path)


class TestWhatItStates:
    """Version-neutral terms: words, rules, identities; no release, no random id, no bytes."""

    def test_no_stored_id_is_in_it(self) -> None:
        text = json.dumps(expectation(played("one-unit-is-started-in-two-patients", "R4")))
        assert "~case-2" in text
        assert "Task/" not in text

    def test_a_later_version_of_a_notice_tells_only_the_lines_that_changed(self) -> None:
        name = "fever-at-fifteen-minutes-is-notified-and-taken-up"
        sent = expectation(played(name, "R4"))["partners"]["blood-bank"]
        versions = [one for one in sent if one["identity"].endswith("/reaction/")]
        assert len(versions[0]["says"]) > 20
        labels = [line.partition(":")[0] for line in versions[1]["says"]]
        assert labels == ["Flow stopped", "Volume given", "Unit A999927104107/E0398/000000"]

    def test_a_rule_that_was_not_checked_is_named_apart(self) -> None:
        made = expectation(played("two-units-run-without-event", "R4"))
        (check,) = next(line["answers"] for line in made["timeline"] if "answers" in line)
        assert check["answer"] == "no-objection"
        assert "findings" not in check
        assert "PRE-14" in check["not-checked"]

    def test_a_vital_sign_that_only_gives_a_note_is_told_as_one(self) -> None:
        """It was checked and met (rules.md 5: in theatre vital signs are notes)."""
        made = expectation(played("patient-moves-to-theatre-while-a-unit-runs", "R4"))
        answers = [one for line in made["timeline"] for one in line.get("answers", ())]
        (end,) = (one for one in answers if one["step"].startswith("end "))
        assert "VIT-06 note pressure-falling" in end["findings"]
        assert "VIT" not in end.get("not-checked", "")
