"""Scenarios that turn on what is due while units run: observations, sets, places."""

from tests.support.authoring import people as who
from tests.support.authoring.openings import begun, observed
from tests.support.authoring.people import bag
from tests.support.authoring.scene import (
    BEDSIDE,
    Scene,
    advance,
    scene,
    send,
)
from tests.support.authoring.steps import change_rate


def missed() -> Scene:
    """The observation at fifteen minutes is forgotten."""
    person, taken, order = who.UNWATCHED, bag(27, "A RhD positive"), "TO-4427"
    return scene(
        "first-observation-is-missed-and-made-up",
        [
            *begun(person, taken, order, 27),
            send(
                "09:46",
                BEDSIDE,
                "rate",
                change_rate("ST-2703", person, taken, "09:46", 150),
                answer="watch",
            ),
            observed(person, "OB-2702", "09:52", "late-observations"),
            send(
                "09:55",
                BEDSIDE,
                "rate-again",
                change_rate("ST-2704", person, taken, "09:55", 160),
                answer="continue",
            ),
            observed(person, "OB-2703", "10:24", "hourly-observations"),
            advance("10:30"),
        ],
        title="The first observation is missed, asked for and made up",
    )


SCENES = (missed,)
