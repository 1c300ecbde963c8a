"""The service's errors: one small tree, each with a stable code that is never reused.

ServiceError
├── BadInput         what the caller sent cannot be accepted; becomes a 4xx OperationOutcome
├── Overloaded       the intake queue is full in time; 503 with Retry-After
├── NotPermitted     no credential, or one that does not cover the request
├── StoreError       the store refused or failed
│   ├── Stale        the case moved on since it was read; read again and redo
│   └── StoreUnfit   the store's version or settings do not keep the promise; refuse to start
├── PolicyFault      one or more faults in the policy files, all of them listed
├── SettingsFault    a setting is missing or wrong
├── ScenarioFault    a scenario folder cannot be replayed
└── BenchFault       a measurement could not be made, or says nothing
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with what was sent.

    code: FHIR issue-type. expression: FHIRPath of the element, or None. text: plain words.
    severity: fatal, error or warning.
    """

    code: str
    text: str
    expression: str | None = None
    severity: str = "error"


class ServiceError(Exception):
    """Something the service could not do."""

    exit_code = 1


class BadInput(ServiceError):
    """What was sent cannot be accepted.

    status: HTTP status. problems: every problem found, in document order.
    """

    exit_code = 2

    def __init__(self, status: int, *problems: Problem) -> None:
        super().__init__("; ".join(problem.text for problem in problems))
        self.status = status
        self.problems = problems


class Overloaded(ServiceError):
    """More is waiting than can be stored in time. ``retry_after`` is in seconds."""

    def __init__(self, retry_after: int = 1) -> None:
        super().__init__(f"The service is busy; try again in {retry_after} s.")
        self.retry_after = retry_after


class NotPermitted(ServiceError):
    """The caller is not known (401) or may not do this (403)."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class StoreError(ServiceError):
    """The store refused or failed."""


class Stale(StoreError):
    """The case moved on since it was read; read again and redo."""


class StoreUnfit(StoreError):
    """The store's version or settings do not keep the promise."""

    exit_code = 3


class FaultList(ServiceError):
    """Several faults, reported together."""

    exit_code = 2

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class PolicyFault(FaultList):
    """Faults in policy or mapping files."""


class SettingsFault(FaultList):
    """A setting is missing or wrong."""


class ScenarioFault(FaultList):
    """A scenario folder cannot be replayed."""


class BenchFault(ServiceError):
    """A measurement could not be made, or what it shows says nothing."""
