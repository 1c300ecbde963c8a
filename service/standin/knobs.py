"""How a stand-in behaves. All knobs may be turned while it runs."""

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal[
    "status",
    "drop-before",
    "drop-after",
    "cut-off",
    "html",
    "error-200",
    "accepted",
    "slow",
    "none",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What happens to one request.

    status: answered with ``status`` and applied not at all. drop-before, drop-after: the connection
    breaks before or after the commit. cut-off: applied, the answer breaks off. html: applied, but a
    page of something in between comes back. error-200: not applied, 200 with an OperationOutcome
    error. accepted: applied, 202 without a body. slow: applied and answered only after ``seconds``,
    whether or not the caller still waits. none: as usual.
    """

    kind: Kind
    status: int = 503
    retry_after: str | None = None
    seconds: float = 0.0
    outcome: bool = True


@dataclass(slots=True, kw_only=True)
class Knobs:
    """The stand-in's settings; as given here it is a well-behaved general-purpose server.

    troubles: befall the next writes, one each. read_troubles: the next reads by id.
    refuse: type -> status for every write of that type, in a transaction too. refuse_ids: the same
    for single resources. credential: the bearer token that is asked for.
    transactions: atomic, batch (runs them entry by entry and still answers transaction-response),
    absent (405), absent-501, without-rollback is batch. most_entries, most_bytes: limits, answered
    with limit_status. update_as_create: False refuses ids it does not know with
    ``create_refusal``. without_match: the status for an update of what exists without If-Match,
    None for taking it. mismatch: the status for a stale If-Match.
    statement: true, silent (no rest), absent (404). etags, locations: whether answers carry them.
    answers: what a blood bank says to Tasks: accept, reject, receive or never.
    """

    troubles: deque[Trouble] = field(default_factory=deque)
    read_troubles: deque[Trouble] = field(default_factory=deque)
    refuse: dict[str, int] = field(default_factory=dict)
    refuse_ids: dict[str, int] = field(default_factory=dict)
    credential: str | None = None
    transactions: Literal["atomic", "batch", "absent"] = "atomic"
    absent_status: int = 405
    most_entries: int | None = None
    most_bytes: int | None = None
    limit_status: int = 413
    update_as_create: bool = True
    create_refusal: int = 405
    without_match: int | None = None
    mismatch: int = 412
    statement: Literal["true", "silent", "absent"] = "true"
    software: str = "stand-in 1"
    etags: bool = True
    locations: bool = True
    renumbers: bool = False
    reversed_entries: bool = False
    strips_tags: bool = False
    answers: Literal["accept", "reject", "receive", "never"] = "accept"

    def befall(self, *troubles: Trouble) -> None:
        """Lets these happen to the next writes."""
        self.troubles.extend(troubles)
