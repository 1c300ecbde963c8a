"""Outbox rows: bytes rendered once, at commit, for every partner concerned."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid5

from service.fhir.edge.strict_json import dump
from service.fhir.write import Party, WriteContext, provenance, render, resource_id
from service.policy.policy import Policy, Site
from service.reconcile.difference import Moved
from service.reconcile.partners import Partner, in_roles
from service.store.port import OutboxRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Renderer:
    """Renders emissions.

    namespace: secret to the installation, never changes. parties: facility -> (facility, blood
    bank) as organisations. sign_codes: word of a sign -> (system, code, display).
    """

    namespace: UUID
    policy: Policy
    software: str
    parties: Mapping[str, tuple[Party, Party]]
    sites: Mapping[str, Site]
    sign_codes: Mapping[str, tuple[str, str, str]]

    def rows(
        self,
        moved: Sequence[Moved],
        partners: Iterable[Partner],
        facility: str,
        now: datetime,
    ) -> tuple[OutboxRow, ...]:
        """One row per partner and changed identity, and one Provenance per partner and stream."""
        everyone = tuple(partners)
        rows: list[OutboxRow] = []
        streams: dict[tuple[str, str], list[Moved]] = defaultdict(list)
        by_name = {partner.name: partner for partner in everyone}
        for one in moved:
            if one.sends:
                roles = frozenset(role.value for role in one.desired.to)
                for partner in in_roles(everyone, roles):
                    streams[(partner.name, one.desired.stream)].append(one)
        for (name, stream), group in sorted(streams.items()):
            rows.extend(self._stream(by_name[name], stream, group, facility, now))
        return tuple(rows)

    def _stream(
        self, partner: Partner, stream: str, group: list[Moved], facility: str, now: datetime
    ) -> list[OutboxRow]:
        context = self._context(facility, now)
        versions = ",".join(f"{m.desired.key.text}@{m.emitted.version}" for m in group)
        name = str(uuid5(self.namespace, f"{partner.name}|{versions}"))
        critical = any(one.desired.critical for one in group)
        rows = [self._row(partner, one, name, context, now) for one in group]
        targets = [(row.type, row.resource_id) for row in rows]
        desired = [one.desired for one in group]
        resource = provenance(targets, desired, partner.release, context, versions)
        made: str = resource["id"]
        rows.append(
            OutboxRow(
                partner=partner.name,
                key=f"provenance/{made}",
                version=1,
                stream=stream,
                group=name,
                type="Provenance",
                resource_id=made,
                body=dump(resource),
                critical=critical,
                created=now,
            )
        )
        return rows

    def _row(
        self, partner: Partner, one: Moved, group: str, context: WriteContext, now: datetime
    ) -> OutboxRow:
        resource = render(one.desired, partner.release, context)
        return OutboxRow(
            partner=partner.name,
            key=one.desired.key.text,
            version=one.emitted.version,
            stream=one.desired.stream,
            group=group,
            type=resource["resourceType"],
            resource_id=resource_id(one.desired.key, context),
            body=dump(resource),
            critical=one.desired.critical,
            created=now,
            retires=one.retires,
        )

    def _context(self, facility: str, now: datetime) -> WriteContext:
        return WriteContext(
            namespace=uuid5(self.namespace, facility),
            software=self.software,
            policy_profile=self.policy.profile,
            policy_digest=self.policy.digest,
            recorded=now,
            facility=self.parties[facility][0],
            blood_bank=self.parties[facility][1],
            zone=self.sites[facility].zone,
            sign_codes=self.sign_codes,
        )
