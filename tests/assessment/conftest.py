"""One open house per test, and both releases."""

from collections.abc import Iterator

import pytest

from tests.support import apps


@pytest.fixture(params=apps.RELEASES)
def release(request: pytest.FixtureRequest) -> str:
    """R4, then R5."""
    return str(request.param)


@pytest.fixture
def house() -> Iterator[apps.House]:
    """The application on a new store."""
    with apps.house() as opened:
        yield opened
