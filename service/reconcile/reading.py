"""The tables that reading needs, and the look-ups that a request supplies."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.facts.identity import Identifier, Ref
from service.facts.records import StaffRecord
from service.fhir.codes import Codes
from service.fhir.edge.strict_json import parse
from service.fhir.products import Product, shipped
from service.fhir.read import ReadContext, read
from service.policy.policy import Site
from service.reconcile.references import Resolver


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Code maps and products, with the site's own rows, shared by all requests."""

    codes: Codes
    products: Mapping[str, Product] = field(default_factory=shipped)

    def context(self, resolver: Resolver, site: Site) -> ReadContext:
        """The context in which one request of one facility is read."""
        return ReadContext(
            zone=site.zone,
            codes=self.codes,
            products=self.products,
            resolve=resolver.ref,
            staff_record=lambda ref: self._staff(ref, resolver, site),
            ours=lambda emitted: _ours(emitted, resolver),
            temporary_systems=frozenset(site.temporary_systems),
        )

    def _staff(self, ref: Ref, resolver: Resolver, site: Site) -> StaffRecord | None:
        """What is said of a Practitioner or PractitionerRole of ours, in this request or before."""
        if ref.id is None:
            return None
        plain = ReadContext(zone=site.zone, codes=self.codes, resolve=resolver.ref)
        sent = resolver.people.get(ref.local or "")
        if sent is not None:
            look = replace(resolver, waiting=[], lenient=True)
            release, resource = sent[0], look.rewritten(sent[1], ref.kind)
        else:
            head = resolver.store.head(resolver.caller.facility, ref.kind, ref.id)
            if head is None:
                return None
            release, resource = head.release, parse(head.body)
        bodies = read(resource, release, plain).bodies
        return next((body for body in bodies if isinstance(body, StaffRecord)), None)


def _ours(emitted: Identifier, resolver: Resolver) -> Identifier:
    """An emitted id as the identity it was emitted under; an id of nobody's is no identity."""
    identity = resolver.store.identity(emitted.value)
    return Identifier(emitted.system, identity or emitted.value.replace("/", "|"))
