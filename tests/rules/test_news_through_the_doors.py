"""Bad news of a running unit as the ward's system is told it, from the wire to the issue (COMP-11).

Sender's status decides; ``issued`` stays as it was, as many laboratories leave it.
"""

from dataclasses import replace

import pytest

from service.assessment.desired import Issue
from service.facts.finding import Advice
from tests.support.apps import RELEASES, House, house
from tests.support.authoring import resources
from tests.support.authoring.scene import bundle
from tests.support.authoring.words import Both, Json
from tests.support.worlds import (
    BAG,
    WREN,
    a_check,
    a_start,
    order_of,
    ready,
    supply,
    tell,
    token,
    with_fields,
)

STARTED = "2027-06-08T09:05:00+00:00"
DURING = "2027-06-08T09:30:00+00:00"


def running(home: House, release: str) -> None:
    """The unit hangs for twenty-five minutes; nothing is amiss."""
    home.until("2027-06-08T08:58:00+00:00")
    tell(home, ready(), release)
    home.until("2027-06-08T09:04:30+00:00")
    tell(home, [a_check()], release)
    home.until(STARTED)
    tell(home, [a_start()], release)
    home.until(DURING)
    assert advised(home) == []


def correct(home: House, release: str, said: Both) -> None:
    """Sends another version of what is held, with the unit's record that it may point at."""
    named = said[release]["resourceType"] == "BiologicallyDerivedProduct"
    message = bundle([said] if named else [resources.unit(BAG), said], release)
    message["entry"][-1]["request"].pop("ifNoneExist", None)
    answer = home.post(f"/fhir/{release.lower()}", message)
    assert answer.status_code == 200, answer.text
    home.settle()  # a unit's record names no patient: the cases it concerns are nudged


def advised(home: House) -> list[tuple[str, Advice | None]]:
    """What the record system is told of the running unit under COMP-11."""
    return sorted(
        (finding.reason, finding.advice)
        for content in home.contents(token(WREN)).values()
        if isinstance(content, Issue)
        for finding in content.findings
        if finding.rule == "COMP-11"
    )


def group(text: str = "A RhD positive") -> Both:
    return resources.group(replace(WREN, group=text), f"GRP-{WREN.number}")


NEWS: dict[str, tuple[Both, str, Advice]] = {
    "a group is corrected": (
        with_fields(group("AB RhD positive"), status="corrected"),
        "recipient-group-changed",
        Advice.STOP,
    ),
    "a group is retracted": (
        with_fields(group(), status="entered-in-error"),
        "recipient-group-changed",
        Advice.STOP,
    ),
    "an order is retracted": (
        with_fields(
            resources.order(WREN, order_of(WREN), units=2, rate=150), status="entered-in-error"
        ),
        "order-withdrawn",
        Advice.PAUSE,
    ),
    "an order is revoked": (
        with_fields(
            resources.order(WREN, order_of(WREN), units=2, rate=150),
            status="revoked",
            meta={"lastUpdated": DURING},
        ),
        "order-revoked",
        Advice.PAUSE,
    ),
    "a crossmatch is corrected": (
        with_fields(
            resources.crossmatch(WREN, BAG, f"XM-{WREN.number}-{BAG.din}", "Incompatible"),
            status="corrected",
        ),
        "crossmatch-incompatible",
        Advice.STOP,
    ),
    "a label is corrected": (
        with_fields(
            resources.unit(replace(BAG, group="O RhD positive")), meta={"lastUpdated": DURING}
        ),
        "label-corrected",
        Advice.STOP,
    ),
}


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("what", NEWS)
def test_the_ward_is_told(what: str, release: str) -> None:
    said, reason, advice = NEWS[what]
    with house() as home:
        running(home, release)
        correct(home, release, said)
        assert (reason, advice) in advised(home)


@pytest.mark.parametrize("release", RELEASES)
def test_the_ward_is_told_of_an_issue_entered_in_error(release: str) -> None:
    _, issue, _ = supply()
    r5 = with_fields(issue, status="entered-in-error")["R5"]
    r4 = {**issue["R4"], "extension": [_in_error(one) for one in issue["R4"]["extension"]]}
    gone = {"R4": {**r4, "meta": {**r4["meta"], "lastUpdated": DURING}}, "R5": r5}
    with house() as home:
        running(home, release)
        correct(home, release, gone)
        assert ("issue-withdrawn", Advice.STOP) in advised(home)


def _in_error(extension: Json) -> Json:
    if extension.get("valueCode") == "issued":
        return {**extension, "valueCode": "entered-in-error"}
    return extension
