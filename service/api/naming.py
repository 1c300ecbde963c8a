"""Every request has a name, and whatever goes wrong with it is answered under that name."""

import logging
import re
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.outcomes import refusal
from service.errors import ServiceError

LOG = logging.getLogger(__name__)
PLAIN = re.compile(r"[A-Za-z0-9._-]{1,64}")


class RequestName:
    """Puts X-Request-Id on every answer: the caller's, when it is a plain one, else a new one.

    An error that nothing foresaw is logged under the name and answered with nothing but the name.
    """

    def __init__(self, app: ASGIApp, new_name: Callable[[], str]) -> None:
        self._app = app
        self._new_name = new_name

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, or one message of the server's own life."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        given = Headers(scope=scope).get("x-request-id", "")
        name = given if PLAIN.fullmatch(given) else self._new_name()
        begun = False

        async def named(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                MutableHeaders(scope=message)["X-Request-Id"] = name
            await send(message)

        try:
            await self._app(scope, receive, named)
        except Exception:
            LOG.exception("request %s failed", name)
            if begun:
                raise
            release = "R5" if scope["path"].startswith("/fhir/r5") else "R4"
            await refusal(ServiceError(), release)(scope, receive, named)
