"""Waiting for the store without holding up the other work of the process."""

import asyncio
from concurrent.futures import Future
from typing import TypeVar

R = TypeVar("R")


async def done(future: "Future[R]") -> R:
    """The result of a future of the store."""
    return await asyncio.wrap_future(future)
