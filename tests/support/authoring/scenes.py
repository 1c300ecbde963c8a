"""Every scenario that is made from a scene."""

from tests.support.authoring import (
    after_start,
    before_start,
    course,
    identity,
    messages,
    signs,
    supply,
)

SCENES = (
    *before_start.SCENES,
    *after_start.SCENES,
    *identity.SCENES,
    *supply.SCENES,
    *signs.SCENES,
    *course.SCENES,
    *messages.SCENES,
)
