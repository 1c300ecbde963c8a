"""The stream: by arrival, the same whatever its length, and never much of it at once."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.errors import ScenarioFault
from service.fhir.edge.strict_json import parse
from service.generate.folder import STREAM, line, write
from service.generate.plans import Plan
from service.generate.plans import plans as endless
from service.generate.stream import orders, stream
from service.generate.traffic import shipped
from service.replay.scenario import load

PROGRAM = """
import hashlib
from service.generate.folder import line
from service.generate.stream import stream
from service.generate.traffic import shipped
digest = hashlib.sha256()
for message in stream(20, 11, shipped()):
    digest.update(line(message, "R4") + line(message, "R5"))
print(digest.hexdigest())
"""


def lines(units: int, seed: int, release: str = "R4", **more: Any) -> list[bytes]:
    """A whole stream as bytes."""
    return [line(message, release) for message in stream(units, seed, shipped(), **more)]


class TestTheSameBytes:
    """Same seed, same bytes, in any process; the n-th unit is the same whatever their number."""

    @pytest.mark.parametrize("release", ["R4", "R5"])
    def test_that_a_seed_gives_the_same_bytes(self, release: str) -> None:
        assert lines(40, 3, release) == lines(40, 3, release)
        assert lines(40, 3, release) != lines(40, 4, release)

    def test_that_another_process_gives_the_same_bytes(self) -> None:
        def made(hash_seed: str) -> str:
            environment = os.environ | {"PYTHONHASHSEED": hash_seed}
            done = subprocess.run(
                [sys.executable, "-c", PROGRAM],
                env=environment,
                capture_output=True,
                text=True,
                check=True,
            )
            return done.stdout

        assert made("1") == made("2")

    @pytest.mark.parametrize("units", [1, 7, 30])
    def test_that_a_shorter_stream_holds_the_same_units(self, units: int) -> None:
        whole = list(stream(60, 3, shipped()))
        kept = {m.order for m in whole if m.unit is not None and m.unit < units}
        wanted = [
            line(m, "R4") for m in whole if m.order in kept and (m.unit is None or m.unit < units)
        ]
        assert lines(units, 3) == wanted

    def test_that_there_are_exactly_so_many_units(self) -> None:
        for units in (1, 2, 3, 50):
            found = {m.unit for m in stream(units, 5, shipped()) if m.unit is not None}
            assert found == set(range(units))

    def test_that_none_gives_nothing(self) -> None:
        assert list(stream(0, 1, shipped())) == []


class TestByArrival:
    """The stream of all orders, and order by order, hold the same messages."""

    def test_that_arrivals_never_go_back(self) -> None:
        times = [message.at for message in stream(400, 2, shipped())]
        assert times == sorted(times)

    def test_that_order_by_order_is_the_same(self) -> None:
        apart = [line(m, "R4") for _, told in orders(60, 2, shipped()) for m in told]
        assert sorted(apart) == sorted(lines(60, 2))


class TestBoundedMemory:
    """Only orders under way are held: about a working day, whatever the length."""

    def test_that_no_order_is_made_long_before_its_messages(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        made = 0

        def counted(*given: Any, **more: Any) -> Iterator[Plan]:
            nonlocal made
            for plan in endless(*given, **more):
                made = plan.index
                yield plan

        monkeypatch.setattr("service.generate.stream.plans", counted)
        ahead = [made - message.order for message in stream(3000, 1, shipped())]
        assert max(ahead) < 160
        assert max(ahead[: len(ahead) // 2]) > 40, "the first half is as full as the second"


class TestTheFolder:
    """What is written is a scenario that replay reads."""

    def test_that_it_is_read_back(self, tmp_path: Path) -> None:
        found = write(stream(12, 1, shipped()), tmp_path / "t", title="Twelve units")
        scenario = load(tmp_path / "t")
        assert scenario.stream == STREAM
        assert scenario.releases == ("R4", "R5")
        assert scenario.timeline == ()
        for release in scenario.releases:
            arrivals = list(scenario.arrivals(release))
            assert len(arrivals) == found.messages
            assert scenario.start < arrivals[0].at
            assert [a.body for a in arrivals] == [_message(text) for text in lines(12, 1, release)]
        size = sum(path.stat().st_size for path in (tmp_path / "t").rglob("*.ndjson"))
        assert size == found.size

    def test_that_one_release_may_be_enough(self, tmp_path: Path) -> None:
        write(stream(2, 1, shipped()), tmp_path, title="Two", releases=("R5",))
        assert load(tmp_path).releases == ("R5",)

    def test_that_a_place_where_nothing_may_be_written_is_told(self, tmp_path: Path) -> None:
        (tmp_path / "in").write_text("a file")
        with pytest.raises(ScenarioFault, match="cannot be written"):
            write(stream(1, 1, shipped()), tmp_path, title="One")


def _message(text: bytes) -> bytes:
    body = text[text.index(b'"message":') + len(b'"message":') : -2]
    assert parse(body) == parse(text)["message"]
    return body
