"""Health: the process answers; the store can be read; partners do not count."""

import pytest

from service.errors import StoreError
from tests.support.apps import House


class TestHealth:
    """Both need no token and are plain JSON, not FHIR."""

    def test_live(self, house: House) -> None:
        answer = house.get("/health/live", source=None)
        assert (answer.status_code, answer.json()) == (200, {"status": "live"})

    def test_ready_while_partners_are_away(self, house: House) -> None:
        answer = house.get("/health/ready", source=None)
        assert (answer.status_code, answer.json()) == (200, {"status": "ready"})

    def test_waiting_when_a_worker_failed(self, house: House) -> None:
        house.app.failure = "WakeWorker failed"
        answer = house.get("/health/ready", source=None)
        assert answer.status_code == 503
        assert answer.json() == {"status": "waiting", "for": "WakeWorker failed"}

    def test_waiting_when_the_store_cannot_be_read(
        self, house: House, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fails(*_: object) -> None:
            raise StoreError("gone")

        monkeypatch.setattr(type(house.app.store), "next_due", fails)
        assert house.get("/health/ready", source=None).status_code == 503
        assert house.get("/health/live", source=None).status_code == 200
