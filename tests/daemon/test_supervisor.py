"""Keeping parts going. Law: a part that fails is started again, and a fault that lasts is told once, not every time."""

from __future__ import annotations

import asyncio
import logging

import pytest

from sagwise_daemon import supervisor
from sagwise_daemon.errors import PageError
from sagwise_daemon.supervisor import run_until


async def kept(faults: list[Exception | None], monkeypatch: pytest.MonkeyPatch) -> int:
    """Lets a part have these faults in turn, then run; how often it was started."""
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.001)
    monkeypatch.setattr(supervisor, "LONGEST_WAIT_S", 0.002)
    stop, started = asyncio.Event(), 0

    async def part() -> None:
        nonlocal started
        started += 1
        if started > len(faults):
            stop.set()
            await asyncio.sleep(60.0)
        fault = faults[started - 1]
        if fault is not None:
            raise fault

    await asyncio.wait_for(run_until(stop, {"the part": part}), 10.0)
    return started


@pytest.mark.parametrize("fault", [PageError("port 8480 is taken"), KeyError("ours"), None], ids=str)
def test_a_fault_that_lasts_is_told_once(
    fault: Exception | None, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert asyncio.run(kept([fault] * 20, monkeypatch)) == 21
    (record,) = caplog.records
    assert record.levelno >= logging.WARNING and "the part" in record.message
    assert bool(record.exc_info) is isinstance(fault, KeyError)


def test_another_fault_is_told_again(caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    asyncio.run(kept([PageError("taken"), PageError("taken"), None, PageError("taken")], monkeypatch))
    assert [record.levelname for record in caplog.records] == ["ERROR", "WARNING", "ERROR"]
