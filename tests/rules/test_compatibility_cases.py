"""The catalogue's compatibility cases (tests/data/cases.yaml, each with its source)."""

from datetime import date
from typing import Any

import pytest

from service.facts.finding import Verdict, gravest
from service.facts.records import Antibody
from service.facts.unit import Component
from service.rules.compatibility import compatibility
from tests.support.cases import CHECK_AT, a_case, of_rule, pre_start
from tests.support.catalogue import check_cases

REASONS_WITHOUT_A_CODE = {"C-001", "C-011", "C-014", "C-020"}


def case_of(given: dict[str, Any]) -> Any:
    """The facts of a compatibility case; what it does not mention is in order."""
    born = date(CHECK_AT.year - given.get("age", 64), 1, 1).isoformat()
    titre = {"low_titre": "low", "high_titre": "high"}
    unit: dict[str, Any] = {
        "titre": next((word for key, word in titre.items() if given.get(key)), None),
        "attributes": frozenset({"irradiated"} if given.get("irradiated", True) else ()),
    }
    antibodies = (Antibody(antigen="D", historical=True),) if given.get("anti_d") else ()
    return a_case(
        component=Component(given["component"]),
        recipient=given["recipient"],
        bag_group=given["unit"],
        unit=unit,
        patient={"birth_date": born, "sex": given.get("sex", "male")},
        antibodies={"antibodies": antibodies},
        issue={"d_switch": given.get("lab_d_switch", False)},
    )


@pytest.mark.parametrize("case", check_cases("compat"))
def test_the_case_gets_its_verdict(case: dict[str, Any]) -> None:
    given, expect = case["given"], case["expect"]
    findings = compatibility(pre_start(case_of(given), urgency=given.get("urgency", "routine")))
    spoken = of_rule(findings, case["rule"])
    assert gravest(findings).word == expect["verdict"]
    assert gravest(spoken).word == expect["verdict"]
    if "reason" in expect:
        objecting = [f.reason for f in spoken if f.verdict is not Verdict.NO_OBJECTION]
        assert objecting == [expect["reason"]]
    else:
        assert case["id"] in REASONS_WITHOUT_A_CODE
