"""The catalogue's published check cases through the FHIR entry: bundles in, verdict out.

Each case of tests/data/cases.yaml names its source; those marked as from memory say so in their id
and are not normative. What a case does not mention is in order. Cases of components other than red
cells are judged where those components are tested.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.support.apps import RELEASES, Json
from tests.support.apps import house as opened
from tests.support.authoring.words import (
    at,
)
from tests.support.bedsides import Bed, Told, moment
from tests.support.catalogue import check_cases
from tests.support.overlays import HEADER, row_entry
from tests.support.published import (
    bag_and_label,
    baseline,
    compatibility,
    entered_character,
    expiry,
    first_quarter,
    four_ways,
    fourth_on_the_set,
    interrupted,
    last_observation,
    line,
    no_consent,
    removal,
    requirement,
    returned,
    room_number,
    sample_age,
    to_the_limit,
    verifiers,
)
from tests.support.published_signs import screen

# Cases that the FHIR entry cannot be asked, and why.
NOT_ASKED = {
    "C-064": "what has run so far is arithmetic of the running unit; no answer carries it",
    "C-097": "whether a unit may be resumed is judged by a rule that no step is answered with yet",
    "C-098": "as C-097",
    "C-100": "no step reports a death, and the report to the authority is made by people",
    "C-101": "a dose is worked out by a rule that no step is answered with",
    "C-103": "how long records are kept is the store's, not a verdict",
    "C-104": "tracing a donation is an operation that is not offered yet",
}


BUILD: dict[str, Callable[[Bed, Json], Told]] = {
    "recipient": compatibility,
    "band": four_ways,
    "identifiers_used": room_number,
    "verifier1": verifiers,
    "check_interrupted": interrupted,
    "entered_check_char": entered_character,
    "pack_din": bag_and_label,
    "collected": sample_age,
    "expiry": expiry,
    "order_special": requirement,
    "consent": no_consent,
    "co_infusion": line,
    "baseline_at": baseline,
    "baseline_missing": baseline,
    "t_out_min": returned,
    "planned_end": to_the_limit,
    "phase": to_the_limit,
    "start": removal,
    "first_15_rate_ml_h": first_quarter,
    "final_obs": last_observation,
    "units_on_set": fourth_on_the_set,
}
SCREENED = ("vitals", "reaction")
TOPICS = ("compat", "identity", "sample", "preadmin", "timing", *SCREENED)
ALL = (*TOPICS, "action", "volume", "trace")


def of_red_cells(case: Json) -> bool:
    return case["given"].get("component", "red_cells") == "red_cells"


def cases(*topics: str) -> list[Any]:
    """The cases of red cells, or of no component, that the FHIR entry can be asked."""
    return [
        param
        for param in check_cases(*topics)
        if of_red_cells(param.values[0]) and param.values[0]["id"] not in NOT_ASKED
    ]


@contextmanager
def bed_for(case: Json, release: str) -> Iterator[Bed]:
    profile = case["given"].get("profile", "default")
    with TemporaryDirectory() as folder:
        overlay = overlay_of(case["given"].get("policy", {}), Path(folder))

        def changed(settings: Json) -> None:
            settings["service"] |= {"profile": profile, "overlay": overlay}

        with opened(at=at("09:58"), changed=changed) as house:
            yield Bed(house=house, release=release)


def overlay_of(rows: Json, folder: Path) -> str | None:
    """The folder of a site whose policy has these rows; none where the case names none."""
    if not rows:
        return None
    (folder / "policy").mkdir()
    told = [row_entry(name.replace("_", "-"), json.dumps(value)) for name, value in rows.items()]
    (folder / "policy" / "site.toml").write_text(HEADER + "".join(told), encoding="utf-8")
    return str(folder)


def asked(case: Json, release: str) -> Told:
    with bed_for(case, release) as bed:
        if case["topic"] in SCREENED:
            return screen(bed, case["given"])
        build = next(BUILD[key] for key in BUILD if key in case["given"])
        return build(bed, case["given"])


@pytest.mark.parametrize("release", RELEASES)
class TestBeforeTheStart:
    """The verdict that a check or start is answered, and the rule that gives it."""

    @pytest.mark.parametrize("case", cases("compat", "identity", "sample", "preadmin"))
    def test_verdict(self, case: Json, release: str) -> None:
        told, expect = asked(case, release), case["expect"]
        assert told.word == expect["verdict"]
        if expect["verdict"] not in ("no-objection", "note"):
            assert expect["verdict"] in told.rules[case["rule"]]


@pytest.mark.parametrize("release", RELEASES)
class TestTiming:
    """Verdicts, advice, return decisions and deadlines."""

    @pytest.mark.parametrize("case", cases("timing"))
    def test_case(self, case: Json, release: str) -> None:
        told, expect = asked(case, release), case["expect"]
        for kind in ("verdict", "return", "advice"):
            if kind in expect:
                assert told.word == expect[kind]
        if "deadline" in expect:
            due = told.requests["bag-down"].due
            assert due is not None
            assert due.instant == moment(expect["deadline"])
        if "overdue" in expect:
            details = dict(told.requests["next-observation"].details)
            assert details["State"] == "overdue"


@pytest.mark.parametrize("release", RELEASES)
class TestWhileItRunsAndAfter:
    """Advice as a step is answered it; candidates as the laboratory is told them."""

    @pytest.mark.parametrize("case", cases(*SCREENED))
    def test_case(self, case: Json, release: str) -> None:
        told, expect = asked(case, release), case["expect"]
        categories = [one.category for one in told.candidates]
        if "advice" in expect:
            assert told.word == expect["advice"]
        if "candidate" in expect:
            assert categories == ([expect["candidate"]] if expect["candidate"] else [])
        if "candidates" in expect:
            assert categories == expect["candidates"]
        included = expect.get("candidates_include", [])
        assert [one for one in categories if one in included] == included
        for gone in (*expect.get("excluded", ()), *expect.get("absent", ())):
            assert gone not in categories
        if "not_excluded" in expect:
            (event,) = told.events
            assert list(event.not_excluded) == expect["not_excluded"]
        for name in ("grade", "severity"):
            if name in expect:
                assert getattr(_about(told, included), name) == expect[name]
        assert told.rules.keys() >= set(expect.get("unknown", ()))


def _about(told: Told, included: list[str]) -> Any:
    """The candidate that grade and severity are about: the one named, else the only one."""
    named = [one for one in told.candidates if one.category in included]
    return (named or told.candidates)[0]


class TestTheTable:
    """Every case of the file is asked, or stands in the table with its reason, or is another's."""

    def test_every_case_has_its_place(self) -> None:
        every = {param.values[0]["id"]: param.values[0] for param in check_cases(*ALL)}
        asked_for = {param.values[0]["id"] for param in cases(*TOPICS)}
        others = {name for name, case in every.items() if not of_red_cells(case)}
        assert asked_for | NOT_ASKED.keys() | others == every.keys()
        assert not asked_for & NOT_ASKED.keys()
