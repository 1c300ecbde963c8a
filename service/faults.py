"""Named points at which a test may end the process as a power switch would.

``TRANSFUSION_CRASH_AT=name:count`` in the environment ends the process with exit code 137 at the
count-th arrival at that point, without any clean-up. Unset, a point costs one comparison.
"""

import os

VARIABLE = "TRANSFUSION_CRASH_AT"
CRASHED = 137

_name, _, _count = os.environ.get(VARIABLE, "").partition(":")
_left = int(_count or 1)

# Points that a running service passes; migrations and backups have points of their own.
POINTS = (
    "receive-before-commit",
    "commit-before-begin",
    "commit-after-write",
    "commit-before-end",
    "commit-after-end",
    "receive-after-commit",
    "deliver-before-send",
    "deliver-after-send",
    "record-before-end",
    "wake-before-commit",
    "nudge-before-commit",
)


def reach(name: str) -> None:
    """Marks a point; ends the process when it is the one that was asked for."""
    global _left
    if name != _name:
        return
    _left -= 1
    if _left == 0:
        os._exit(CRASHED)
