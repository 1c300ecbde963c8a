"""Every scenario that is made from a scene."""

from tests.support.authoring import (
    after_start,
    before_start,
    identity,
)

SCENES = (
    *before_start.SCENES,
    *after_start.SCENES,
    *identity.SCENES,
)
