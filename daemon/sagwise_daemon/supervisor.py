"""Keeps the parts running. Law: a part that fails is named in the log and started again; it takes no other down.

The alarm path (serial link and tick) shares this rule: after a fault it is back within two seconds, and the board
sounds its own fallback alarm meanwhile.
"""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Awaitable, Callable

from sagwise_daemon.errors import SagwiseError

log = logging.getLogger(__name__)

FIRST_WAIT_S = 0.2
LONGEST_WAIT_S = 2.0
STEADY_S = 30.0  # a part that ran this long starts its waits anew


async def keep(name: str, part: Callable[[], Awaitable[None]]) -> None:
    """Run `part` until cancelled; on a fault or an early end run it again after a growing wait. The log is told once of
    a fault that comes again and again, so that it fills no disk."""
    loop = asyncio.get_running_loop()
    wait_s, told = FIRST_WAIT_S, ""
    while True:
        began = loop.time()
        fault: Exception | None = None
        try:
            await part()
        except Exception as error:
            fault = error
        if loop.time() - began > STEADY_S:
            wait_s, told = FIRST_WAIT_S, ""
        words = "ended by itself" if fault is None else f"{type(fault).__name__}: {fault}"
        if words != told:
            told = words
            _tell(name, fault)
        await asyncio.sleep(wait_s)
        wait_s = min(wait_s * 2, LONGEST_WAIT_S)


def _tell(name: str, fault: Exception | None) -> None:
    again = f"starting it again, at least every {LONGEST_WAIT_S:g} s"
    if fault is None:
        log.warning("%s ended by itself; %s", name, again)
    elif isinstance(fault, SagwiseError):
        log.error("%s: %s; %s", name, fault, again)
    else:
        log.error("%s failed; %s", name, again, exc_info=fault)


def stop_on_signals(stop: asyncio.Event) -> None:
    """SIGTERM and SIGINT set `stop`; nothing else happens in the handler."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)


async def run_until(stop: asyncio.Event, parts: dict[str, Callable[[], Awaitable[None]]]) -> None:
    """Keep all parts until `stop` is set, then cancel them and wait until each has cleaned up."""
    tasks = [asyncio.create_task(keep(name, part), name=name) for name, part in parts.items()]
    try:
        await stop.wait()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
