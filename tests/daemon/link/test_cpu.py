"""What the link costs at 100 frames a second; the board is another process. Measured, printed and bounded."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sagwise_daemon.io.serial_link import SerialLink
from sagwise_protocol import Decoder, Frame

RATE_HZ = 100
SECONDS = 5.0


@pytest.mark.slow
def test_a_hundred_frames_a_second_cost_little(capsys: pytest.CaptureFixture[str]) -> None:
    board = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("feeder.py")), str(RATE_HZ)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert board.stdout is not None
        frames, cpu_s = asyncio.run(listen(board.stdout.readline().strip()))
    finally:
        board.communicate(timeout=10)
    with capsys.disabled():
        print(f"\nlink and decoder at {frames / SECONDS:.0f} frames/s: {100 * cpu_s / SECONDS:.2f} % of one core")
    assert frames > 0.9 * RATE_HZ * SECONDS
    assert cpu_s < 0.05 * SECONDS


async def listen(device: str) -> tuple[int, float]:
    decoder, frames = Decoder(), 0

    def on_bytes(data: bytes, monotonic_s: float) -> None:
        nonlocal frames
        frames += sum(isinstance(event, Frame) for event in decoder.feed(data))

    link = SerialLink(device, 115_200, on_bytes, lambda: None, lambda reason: None)
    task = asyncio.create_task(link.run())
    await asyncio.sleep(0.5)
    heard, began = frames, time.process_time()
    await asyncio.sleep(SECONDS)
    heard, spent = frames - heard, time.process_time() - began
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return heard, spent
