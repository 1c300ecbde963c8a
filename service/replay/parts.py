"""Shares a stream among processes, each with a service and a store of its own."""

import asyncio
import multiprocessing
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor, wait
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from typing import Any

from service.replay.scenario import Arrival, load
from service.replay.streaming import Streamed, replay_stream

POLL = 0.5  # seconds between two looks at how far it is
Progress = Callable[[int, int], None]  # messages, resources so far

_messages: "Synchronized[int]"
_resources: "Synchronized[int]"


def replay_parts(folder: Path, release: str, processes: int, progress: Progress) -> Streamed:
    """Plays a stream in so many processes; every order wholly in one of them.

    Orders share nothing, so what comes of them is the same in any number of processes.
    Raises ScenarioFault.
    """
    context = multiprocessing.get_context("spawn")
    messages, resources = context.Value("q", 0), context.Value("q", 0)
    with ProcessPoolExecutor(
        processes, mp_context=context, initializer=_share, initargs=(messages, resources)
    ) as pool:
        running: set[Future[Streamed]] = {
            pool.submit(_part, folder, release, part, processes) for part in range(processes)
        }
        pending = running
        while pending:
            done, pending = wait(pending, timeout=POLL)
            progress(messages.value, resources.value)
            for one in done:
                one.result()
    found = Streamed()
    for one in running:
        found.add(one.result())
    return found


def _share(messages: Any, resources: Any) -> None:
    """In a new process: where it counts what it has played."""
    global _messages, _resources
    _messages, _resources = messages, resources


def _part(folder: Path, release: str, part: int, processes: int) -> Streamed:
    return asyncio.run(replay_stream(load(folder), release, _played, (part, processes)))


def _played(arrival: Arrival, resources: int) -> None:
    with _messages.get_lock():
        _messages.value += 1
    with _resources.get_lock():
        _resources.value += resources
