"""FHIR interactions without HTTP: checked input in, outcomes out. Routes and bundles share it."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, cast

from service.api.negotiation import version_of
from service.api.outcomes import problems_of, status_of
from service.api.queries import Query
from service.api.registry import serves
from service.api.representation import AnswerOf, shown, shown_version
from service.auth.tokens import Source
from service.errors import BadInput, NotPermitted, Problem, ServiceError
from service.fhir.edge import structure
from service.fhir.edge.strict_json import parse
from service.fhir.edge.structure import Release
from service.reconcile.intake import Caller, Entry, Intake, Outcome
from service.reconcile.reconciler import Reconciler
from service.store.port import ResourceVersion, Store

LARGEST_BUNDLE = 500
VERSION = re.compile(r"[0-9]{1,9}")

# Sent far more often than anything else: the generated tables alone judge them. In no measured case
# do the models refuse what the tables accept; a property test holds them to it.
HOT = frozenset({"Observation"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Gateway:
    """What the FHIR routes need of the service."""

    store: Store
    reconciler: Reconciler
    answer_of: AnswerOf
    base_url: Callable[[str], str]

    async def write(
        self,
        source: Source,
        release: str,
        interaction: str,
        body: bytes,
        entries: tuple[Entry, ...],
    ) -> list[Outcome]:
        """Stores checked entries together."""
        for entry in entries:
            if not source.may_assert(entry.resource):
                text = f"This source may not state facts of type {entry.type}."
                raise NotPermitted(403, text)
        intake = Intake(
            caller=Caller(
                facility=source.facility,
                source=source.name,
                actor=source.name,
                bases=source.bases,
            ),
            release=release,
            interaction=interaction,
            body=body,
            entries=entries,
        )
        return await self.reconciler.receive(intake)

    async def refused(self, source: Source, interaction: str, error: ServiceError) -> None:
        """Leaves an audit row of a refusal: its status and codes, nothing of what was sent."""
        detail = {"status": status_of(error), "codes": [p.code for p in problems_of(error)]}
        await self.reconciler.audit(
            source.facility, source.name, interaction, outcome="refused", detail=detail
        )

    def read(
        self, source: Source, release: str, type_name: str, own_id: str, version: str | None = None
    ) -> ResourceVersion:
        """A version of a resource of the caller's facility that came in this release."""
        known_type(type_name, release)
        row: ResourceVersion | None
        if version is None:
            row = self.store.head(source.facility, type_name, own_id)
        else:
            number = int(version) if VERSION.fullmatch(version) else 0
            row = self.store.version(source.facility, type_name, own_id, number)
        if row is None or row.release != release:
            text = f"There is no {type_name} with this id and version in this release."
            raise BadInput(404, Problem(code="not-found", text=text))
        return row

    def show(self, row: ResourceVersion, source: Source) -> dict[str, Any]:
        """A stored version as it is read."""
        return shown_version(row, source.facility, self.answer_of)

    def show_outcome(self, outcome: Outcome, release: str) -> dict[str, Any]:
        """What was just stored, with the answer it was given."""
        resource = {"resourceType": outcome.type, **parse(outcome.body)}
        return shown(
            resource,
            version=outcome.version,
            at=outcome.at,
            release=release,
            answer=outcome.answer,
        )

    def search(self, source: Source, release: str, type_name: str, query: Query) -> dict[str, Any]:
        """A searchset Bundle; its self link names the parameters that were applied."""
        known_type(type_name, release)
        base = self.base_url(release)
        page = self.store.search(
            source.facility,
            release,
            type_name,
            query.terms,
            count=query.count,
            after=query.after,
        )
        links = [{"relation": "self", "url": query.link(base, type_name)}]
        if page.next_after is not None:
            url = query.link(base, type_name, page.next_after)
            links.append({"relation": "next", "url": url})
        bundle: dict[str, Any] = {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": page.total,
            "link": links,
        }
        entries = [
            {
                "fullUrl": f"{base}/{type_name}/{row.id}",
                "resource": self.show(row, source),
                "search": {"mode": "match"},
            }
            for row in page.rows
        ]
        if entries:
            bundle["entry"] = entries
        return bundle


def known_type(type_name: str, release: str) -> None:
    """Refuses (404) a resource type that this base does not serve."""
    if not serves(type_name, release):
        text = "This is not a resource type that is served here."
        raise BadInput(404, Problem(code="not-supported", text=text))


def checked(resource: Any, type_name: str, release: str) -> dict[str, Any]:
    """A resource that passed the structure check and is of the type the address says."""
    if not isinstance(resource, dict):
        raise BadInput(400, Problem(code="structure", text="The body is not a JSON object."))
    named = resource.get("resourceType")
    if named != type_name:
        held = "of another type than" if named else "without resourceType;"
        text = f"The body is {held} the address says: {type_name}."
        raise BadInput(400, Problem(code="invalid", expression="resourceType", text=text))
    refuse(structure_of(resource, release, models=type_name not in HOT))
    return resource


def structure_of(content: Any, release: str, *, models: bool) -> tuple[Problem, ...]:
    """Everything wrong with the structure of what was sent."""
    return structure.check(content, cast(Release, release), models=models)


def refuse(problems: Iterable[Problem]) -> None:
    """Raises BadInput with the problems that are errors, if there are any."""
    errors = [problem for problem in problems if problem.severity in ("error", "fatal")]
    if errors:
        raise BadInput(structure.status_of(errors), *errors)


def create_entry(
    resource: Any,
    type_name: str,
    release: str,
    if_none_exist: str | None,
    full_url: str | None = None,
) -> Entry:
    """An entry that creates."""
    known_type(type_name, release)
    return Entry(
        method="POST",
        type=type_name,
        resource=checked(resource, type_name, release),
        if_none_exist=if_none_exist,
        full_url=full_url,
    )


def update_entry(
    resource: Any,
    type_name: str,
    own_id: str | None,
    release: str,
    if_match: str | None,
    match: str | None = None,
    full_url: str | None = None,
) -> Entry:
    """An entry that updates by our id, or by a condition."""
    known_type(type_name, release)
    plain = checked(resource, type_name, release)
    if own_id is not None and plain.get("id") != own_id:
        text = "The body's id must be that of the address."
        raise BadInput(400, Problem(code="invalid", expression=f"{type_name}.id", text=text))
    return Entry(
        method="PUT",
        type=type_name,
        resource=plain,
        id=own_id,
        if_match=version_of(if_match),
        match=match,
        full_url=full_url,
    )
