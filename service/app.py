"""The composition root: the only place that knows every concrete part."""

import asyncio
import logging
import signal
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from uuid import UUID

from fastapi import FastAPI

from service.api.application import create
from service.api.gateway import Gateway
from service.api.representation import AnswerOf
from service.assessment.assess import Answer
from service.auth.tokens import Tokens
from service.clock import SystemClock, WallClock, new_id
from service.delivery import DeliveryWorker, Link, link_to
from service.facts.acts import Answered
from service.facts.identity import Identifier
from service.fhir.codes import load_codes
from service.fhir.own import SOFTWARE
from service.fhir.products import load_products
from service.fhir.write import Party
from service.policy.files import mappings
from service.policy.load import load as load_policy
from service.policy.policy import Policy
from service.reconcile.partners import Partner
from service.reconcile.planning import Planner
from service.reconcile.reading import Look
from service.reconcile.reconciler import Reconciler
from service.reconcile.rendering import Renderer
from service.settings import FacilitySettings, PartnerSettings, Settings
from service.store.port import Change, Store
from service.store.sqlite import open_store
from service.wake.worker import POLL, WakeWorker

LOG = logging.getLogger(__name__)
INSTALLATION = "installation"
NAMESPACE = "namespace"


def software_version() -> str:
    """The version of the installed package, or of the checkout."""
    try:
        return version(SOFTWARE)
    except PackageNotFoundError:
        return "0+checkout"


@dataclass(slots=True, kw_only=True)
class Application:
    """One process of the service."""

    settings: Settings
    clock: WallClock
    store: Store
    policy: Policy
    reconciler: Reconciler
    gateway: Gateway
    tokens: Tokens
    wake: WakeWorker
    deliveries: tuple[DeliveryWorker, ...]
    failure: str | None = None

    def api(self) -> FastAPI:
        """The HTTP application with the workers running beside it."""
        return create(
            self.gateway,
            self.tokens,
            software=software_version(),
            ready=self.missing,
            new_request_id=lambda: str(new_id()),
            lifespan=self.working,
        )

    def missing(self) -> str | None:
        """What keeps the service from accepting work, or None. Partners do not count."""
        if self.failure is not None:
            return self.failure
        self.store.next_due()
        return None

    @asynccontextmanager
    async def working(self) -> AsyncIterator[None]:
        """Runs the workers beside whatever stands inside the context."""
        workers: list[WakeWorker | DeliveryWorker] = [self.wake, *self.deliveries]
        async with asyncio.TaskGroup() as group:
            for worker in workers:
                group.create_task(self._run(worker))
            try:
                yield
            finally:
                for worker in workers:
                    worker.stop()
        self.store.close()

    async def _run(self, worker: WakeWorker | DeliveryWorker) -> None:
        """A worker that fails takes the process down: nobody may believe that it still works."""
        try:
            await worker.run()
        except Exception as error:
            self.failure = f"{type(worker).__name__} failed"
            LOG.critical("%s: %s", self.failure, error, exc_info=True)
            signal.raise_signal(signal.SIGTERM)


def build(
    settings: Settings,
    *,
    clock: WallClock | None = None,
    new_id: Callable[[], UUID] = new_id,
    link_to: Callable[[PartnerSettings], Link] = link_to,
) -> Application:
    """Puts one process together. Raises PolicyFault, SettingsFault or StoreUnfit.

    clock, new_id, link_to: what a replay sets by hand: the time, the ids that are otherwise
    random (the installation's namespace among them) and the way to a partner.
    """
    now = clock or SystemClock()
    overlay = Path(settings.service.overlay) if settings.service.overlay else None
    policy = load_policy(settings.service.profile, mappings(), overlay)
    store = open_store(settings.service.store)
    sites = settings.sites()
    local = overlay / "codes" if overlay is not None else None
    codes = load_codes(mappings() / "codes", *([local] if local and local.is_dir() else []))
    folders = [mappings(), *([overlay] if overlay is not None else [])]
    base = (settings.service.base_url or _address(settings)).rstrip("/")
    planner = Planner(
        store=store,
        sites=sites,
        own_bases=tuple(f"{base}/fhir/{release}/" for release in ("r4", "r5")),
        look=Look(
            codes=codes, products=load_products(folders, codes.concepts["requirements"].words)
        ),
        new_id=new_id,
    )
    renderer = Renderer(
        namespace=namespace(store, new_id),
        policy=policy,
        software=software_version(),
        parties={key: _parties(facility) for key, facility in settings.facility.items()},
        sites=sites,
        sign_codes={row.word: (row.system, row.code, row.display) for row in codes.rows("signs")},
    )
    reconciler = Reconciler(
        store=store,
        policy=policy,
        sites=sites,
        partners=partners(settings),
        clock=now,
        planner=planner,
        renderer=renderer,
        software=software_version(),
        new_id=new_id,
        patience=timedelta(seconds=settings.service.patience_seconds),
    )
    wake = WakeWorker(store=store, reconciler=reconciler, clock=now)
    deliveries = tuple(
        DeliveryWorker(store=store, name=name, settings=partner, link=link_to(partner), clock=now)
        for name, partner in sorted(settings.partner.items())
    )
    reconciler.on_change = _hinting(wake, deliveries, now)
    gateway = Gateway(
        store=store,
        reconciler=reconciler,
        answer_of=answers_of(store),
        base_url=lambda release: f"{base}/fhir/{release.lower()}",
    )
    return Application(
        settings=settings,
        clock=now,
        store=store,
        policy=policy,
        reconciler=reconciler,
        gateway=gateway,
        tokens=Tokens(settings),
        wake=wake,
        deliveries=deliveries,
    )


def namespace(store: Store, new_id: Callable[[], UUID]) -> UUID:
    """The installation's secret namespace, made once and kept in the store and its backups."""
    held = store.learned(INSTALLATION).get(NAMESPACE)
    if held is None:
        store.learn_first(INSTALLATION, NAMESPACE, str(new_id())).result()
        held = store.learned(INSTALLATION)[NAMESPACE]
    return UUID(held)


def partners(settings: Settings) -> tuple[Partner, ...]:
    """The partners as reconciling sees them."""
    return tuple(
        Partner(name=name, roles=frozenset(partner.roles), release=partner.release)
        for name, partner in sorted(settings.partner.items())
    )


def answers_of(store: Store) -> AnswerOf:
    """Looks up the answer that a version of a step was given."""

    def answer_of(facility: str, fact: str, version: int) -> Answer | None:
        act = store.act(facility, f"answered:{fact}:{version}")
        if act is None or not isinstance(act.body, Answered):
            return None
        return Answer(word=act.body.word, findings=act.body.findings)

    return answer_of


def _hinting(
    wake: WakeWorker, deliveries: tuple[DeliveryWorker, ...], clock: WallClock
) -> Callable[[Change], None]:
    """Tells the workers of what concerns them; what comes later they find at their next poll."""

    def hint(change: Change) -> None:
        soon = clock.now() + POLL
        if change.nudges or any(one.next_wake and one.next_wake <= soon for one in change.people):
            wake.hint()
        critical = {row.partner: False for row in change.outbox}
        critical |= {row.partner: True for row in change.outbox if row.critical}
        for worker in deliveries:
            if worker.name in critical:
                worker.hint(critical=critical[worker.name])

    return hint


def _parties(facility: FacilitySettings) -> tuple[Party, Party]:
    return (
        Party(identifier=_identifier(facility.identifier), name=facility.name),
        Party(
            identifier=_identifier(facility.blood_bank_identifier), name=facility.blood_bank_name
        ),
    )


def _identifier(text: str) -> Identifier:
    system, _, value = text.partition("|")
    return Identifier(system, value)


def _address(settings: Settings) -> str:
    return f"http://{settings.service.host}:{settings.service.port}"
