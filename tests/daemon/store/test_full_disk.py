"""A disk that is really full. Law: alarms go on, memory stays bounded, and recording resumes within 2 s of free space
with what was lost written down as a gap.

The disk is a small tmpfs of the test's own, so it needs a user who may mount; elsewhere these are skipped, and the
kernel's limit on file sizes stands in for it (test_faults).
"""

from __future__ import annotations

import logging
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.errors import StoreError
from sagwise_daemon.io.store import Recorder, StoredRides
from sagwise_daemon.io.store.columns import GROUP
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.examine import examine
from sagwise_daemon.io.store.trouble import trouble

RESUMES_S = 2.0
SAMPLE_US = 50_000
KEPT = 400


@pytest.fixture
def disk(tmp_path: Path, empty_store: Path) -> Iterator[Path]:
    """The store's file on a disk of 2 MB."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True, text=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"this user may not mount a small disk: {mounted.stderr.strip()}")
    try:
        yield Path(shutil.copy(empty_store, place / "rides.sqlite"))
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def fill(disk: Path) -> Path:
    """Until not one byte more fits."""
    ballast = disk.with_name("ballast")
    with ballast.open("wb", buffering=0) as file:
        for size in (65536, 4096, 512, 1):
            try:
                while file.write(b"\0" * size):
                    pass
            except OSError:
                continue
    return ballast


@pytest.mark.slow
def test_recording_resumes_and_the_gap_is_known(
    disk: Path, start, readings, event, caplog: pytest.LogCaptureFixture
) -> None:
    readers = reader_engine(disk)
    rides = StoredRides(readers)
    recorder = Recorder(disk, readers, samples_max=KEPT)
    ride_id = recorder.begin_ride(start())
    for number in range(100):
        recorder.append(ride_id, readings(number))
    recorder.flush()
    ballast = fill(disk)
    sent = list(range(100, 1100))
    for number in sent:  # recording goes on, without waiting and without an error
        recorder.append(ride_id, readings(number))
    events, refused = [], None
    while refused is None and len(events) < 20:  # the log's last block has room for an event or two
        event_id, done = recorder.event(event(103.0), ride_id, 1.0)
        events.append(event_id)
        refused = done.exception(10)
    assert isinstance(refused, StoreError) and f"event {event_id} (rest_low) is not stored" in str(refused)
    assert recorder.failing() and "cannot be written" in str(trouble(disk, recorder))
    with pytest.raises(StoreError):
        recorder.flush()
    assert rides.ride(ride_id).samples == 100 and recorder._inbox.waiting <= KEPT
    assert "the store cannot be written, will try again" in caplog.text
    ballast.unlink()
    freed = time.monotonic()
    while rides.ride(ride_id).samples == 100:
        assert time.monotonic() < freed + RESUMES_S, "recording did not resume in time"
        time.sleep(0.02)
    for number in range(1100, 1120):
        recorder.append(ride_id, readings(number))
    recorder.end_ride(ride_id, "standstill")
    recorder.flush()
    (gap,) = rides.gaps(ride_id)
    assert gap.cause == "queue_full"
    table = rides.samples(ride_id)
    assert table is not None
    kept = (table.time_us // SAMPLE_US).tolist()  # what the writer held when the disk had room again is not dropped
    missing = sorted(set(range(1120)) - set(kept))
    assert missing and kept[:100] == list(range(100)) and gap.samples == len(missing)
    assert (gap.first_time_us, gap.last_time_us) == (missing[0] * SAMPLE_US, missing[-1] * SAMPLE_US)
    np.testing.assert_array_equal(table.floats(GROUP).T, np.stack([readings(number).group_v for number in kept]))
    assert sorted(stored.event_id for stored in rides.events(ride_id)) == events
    assert "can be written again" in caplog.text
    recorder.close()
    readers.dispose()
    assert examine(disk) == []


@pytest.mark.slow
def test_a_short_full_disk_loses_nothing(disk: Path, start, readings) -> None:
    readers = reader_engine(disk)
    rides = StoredRides(readers)
    recorder = Recorder(disk, readers)
    ride_id = recorder.begin_ride(start())
    recorder.append(ride_id, readings(0))
    recorder.flush()
    ballast = fill(disk)
    for number in range(1, 300):
        recorder.append(ride_id, readings(number))
    with pytest.raises(StoreError):
        recorder.flush()
    ballast.unlink()
    time.sleep(RESUMES_S)
    assert rides.ride(ride_id).samples == 300 and not rides.gaps(ride_id)
    recorder.close()
    readers.dispose()


@pytest.mark.slow
def test_housework_waits_for_room(disk: Path, start, readings, caplog: pytest.LogCaptureFixture) -> None:
    """A full disk while levels and overviews are to be made: said, tried again, and made once there is room."""
    caplog.set_level(logging.WARNING)
    readers = reader_engine(disk)
    rides = StoredRides(readers)
    recorder = Recorder(disk, readers)
    ride_id = recorder.begin_ride(start())
    for number in range(2000):
        recorder.append(ride_id, readings(number))
    recorder.flush()
    ballast = fill(disk)
    recorder.end_ride(ride_id, "standstill")
    with pytest.raises(StoreError):
        recorder.flush()
    ballast.unlink()
    until = time.monotonic() + 10
    while not rides.has_overview(ride_id):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert rides.ride(ride_id).ended_by == "standstill"
    recorder.close()
    readers.dispose()
    assert examine(disk) == []
