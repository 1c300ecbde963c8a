"""CapabilityStatements: believed for what they refuse, never needed for what works."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.capability import Statement, read_statement
from service.standin import Knobs
from tests.support.partners import Bench, a_row, play, three_streams

NOW = datetime(2025, 6, 2, 10, 0, tzinfo=UTC)


def a_statement(**changed: Any) -> dict[str, Any]:
    return {
        "resourceType": "CapabilityStatement",
        "fhirVersion": "4.0.1",
        "software": {"name": "Records", "version": "3"},
        "rest": [
            {
                "mode": "server",
                "interaction": [{"code": "transaction"}, {"code": "batch"}],
                "resource": [
                    {"type": "Procedure", "updateCreate": True},
                    {"type": "Task", "updateCreate": False},
                    {"type": "Observation"},
                ],
            }
        ],
    } | changed


def read(**changed: Any) -> Statement:
    found = read_statement(a_statement(**changed))
    assert found is not None
    return found


class TestReading:
    """Silence is not a refusal: a server was measured that takes types it does not list."""

    def test_that_transactions_are_declared_denied_or_not_spoken_of(self) -> None:
        assert read().transaction is True
        denied = [{"mode": "server", "interaction": [{"code": "batch"}]}]
        assert read(rest=denied).transaction is False
        assert read(rest=[{"mode": "server"}]).transaction is None
        assert read(rest=[]).transaction is None

    def test_that_only_a_plain_no_refuses_ids(self) -> None:
        assert read().refuses_ids == {"Task"}

    @pytest.mark.parametrize(
        ("version", "release", "speaks"),
        [
            ("4.0.1", "R4", True),
            ("4.3.0", "R4", True),
            ("5.0.0", "R5", True),
            ("5.0.0", "R4", False),
            ("3.0.2", "R4", False),
            (None, "R5", True),
        ],
    )
    def test_that_another_release_is_noticed(
        self, version: str | None, release: str, speaks: bool
    ) -> None:
        assert read(fhirVersion=version).speaks(release) is speaks

    @pytest.mark.parametrize("content", [None, {}, {"resourceType": "OperationOutcome"}])
    def test_that_anything_else_is_no_statement(self, content: dict[str, Any] | None) -> None:
        assert read_statement(content) is None

    @given(st.recursive(st.none() | st.text() | st.integers(), st.lists))
    def test_that_no_shape_breaks_it(self, shape: Any) -> None:
        read(rest=shape, software=shape, fhirVersion=shape)
        read(rest=[{"resource": shape, "interaction": shape}])


class TestHalving:
    """A limit is half of what was too many, and grows from no later answer."""

    def test_that_two_lanes_that_meet_the_same_limit_halve_it_once(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            knowledge = bench.worker.knowledge
            for entries, limit in ((20, 10), (20, 10), (10, 5), (100, 5), (3, 1), (1, 1)):
                await knowledge.halve(entries)
                assert knowledge.limit == limit
            assert not knowledge.takes_bundles

        play(tmp_path, story)


class TestChoosing:
    """Types for which clients may not choose ids go singly, so that they spoil no bundle."""

    def test_that_only_their_streams_go_singly(self, tmp_path: Path) -> None:
        async def story(bench: Bench) -> None:
            bench.give(a_row("a", "unit-1"), a_row("b", "unit-2"))
            await bench.work()
            refused = frozenset({"Task"})
            known = bench.worker.knowledge.statement
            assert known is not None
            bench.worker.knowledge.statement = Statement(
                label=known.label,
                fhir_version=known.fhir_version,
                transaction=True,
                refuses_ids=refused,
            )
            before = len(bench.writes())
            bench.give(*three_streams(), a_row("t", "unit-9", type="Task"))
            await bench.work()
            assert [m for m, _, _ in bench.writes()[before:]] == ["POST", "PUT"]

        play(tmp_path, story, Knobs())
