"""The OpenAPI document of the application, made from the application itself."""

from contextlib import AbstractAsyncContextManager, nullcontext
from typing import Any, cast

from service.api.application import create
from service.api.gateway import Gateway
from service.auth.tokens import Tokens


def describe() -> dict[str, Any]:
    """The document that ``openapi/openapi.json`` holds; needs no store and no settings."""
    app = create(
        cast(Gateway, None),
        cast(Tokens, None),
        software="0",
        ready=lambda: None,
        new_request_id=lambda: "",
        lifespan=_idle,
    )
    return app.openapi()


def _idle() -> AbstractAsyncContextManager[None]:
    return nullcontext()
