"""A year of simulated rides, imported, listed, compared. Law: the simulator knows which group aged, and we find it."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import func, select
from year_of_rides import Year

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.ports import RideFilter
from sagwise_daemon.domain.ride.trend import DAYS_PER_YEAR, fit
from sagwise_daemon.io.report import report
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.columns import SAMPLES
from sagwise_daemon.io.store.history import History
from sagwise_daemon.io.store.housework import DOWN_TO, used_bytes
from sagwise_daemon.io.store.tables import chunks
from sagwise_daemon.io.trace import write_trace
from sagwise_daemon.take_in import take_in

_, OTTER = built_in_pack("otter")
BEGAN_UNIX_S = 1_767_225_600.0  # 2026-01-01
DAY_S = 86_400.0


@dataclass
class Kept:
    """A store with a year in it."""

    year: Year
    store: Store
    history: History


def keep(year: Year, path: Path, folder: Path) -> Iterator[Kept]:
    """The year's rides through the import verb, each with its summary."""
    trace = folder / "ride.csv"
    for number in range(year.rides):
        write_trace(trace, year.trace(number))
        told = take_in(path, trace, OTTER, started_unix_s=BEGAN_UNIX_S + year.day(number) * DAY_S)
        assert told["new"] and told["kind"] == "ride"
    with Store.open(path) as store:
        history = History(store._readers, path)
        for ride in reversed(store.rides.rides(year.rides)):
            assert history.summary(ride.ride_id) is not None
        yield Kept(year, store, history)
        history.close()


@pytest.fixture
def short_year(fresh: Path, tmp_path: Path) -> Iterator[Kept]:
    """As few rides as a trend can be had from, and a group that ages fast."""
    yield from keep(Year(20, aged_per_year=0.6), fresh, tmp_path)


@pytest.fixture
def whole_year(fresh: Path, tmp_path: Path) -> Iterator[Kept]:
    yield from keep(Year(500), fresh, tmp_path)


def check(kept: Kept) -> None:
    """The group that aged is found, and nobody else, and how fast it ages.

    The truth is what the cells answer to the rises that those rides make, as warm as they are then: only part of what
    resists ages here, and how much of the whole that is moves with both. (A step of 45 A out of rest at 14 degC would
    tell of 0.266 a year where the rides' own steps say 0.237.)
    """
    told = kept.history.health(OTTER.name)
    year = kept.year
    assert told["enough"] and told["ageing"] == [year.aged], told["words"]
    line = told["resistance"]["groups"][year.aged - 1]["against_others"]
    asked = np.unique(np.linspace(0, year.rides - 1, 40).astype(int))
    days = np.array([year.day(number) for number in asked.tolist()])
    true = fit(days, np.array([year.true_ratio(number) for number in asked.tolist()]))
    assert true is not None
    truth = true.slope * DAYS_PER_YEAR
    print(f"against the others {line['per_year']:.3f} ± {line['per_year_sigma']:.3f} a year, truth {truth:.3f}")
    assert abs(line["per_year"] - truth) < 2 * line["per_year_sigma"]
    assert line["per_year_sigma"] < 0.1 * truth


def thin(kept: Kept) -> int:
    """Room for all but half of the samples: the oldest rides give theirs, and nothing that is said of any ride changes.
    Returns how many gave them.
    """
    path, history, stored = kept.store.path, kept.history, kept.store.rides
    numbers = range(1, kept.year.rides + 1)

    def said() -> tuple[object, ...]:
        rides = [replace(ride, thinned=False) for ride in stored.rides(500)]
        return rides, [history.summary(number) for number in numbers], history.health(OTTER.name)

    before = said()
    with Store.open(path) as store:
        store.recorder.flush(60)
        wait_until(lambda: all(stored.has_overview(number) for number in numbers))
    used, samples = size(kept.store), size(kept.store, SAMPLES)
    with Store.open(path, budget_bytes=int((used - samples / 2) / DOWN_TO)) as store:
        store.recorder.flush(60)
        wait_until(lambda: size(kept.store) <= used - samples / 2)
    gave = sorted(ride.ride_id for ride in stored.rides(500) if ride.thinned)
    assert gave == list(range(1, len(gave) + 1))
    assert 0.3 * kept.year.rides < len(gave) < 0.7 * kept.year.rides
    assert said() == before
    told = history.compare([1, kept.year.rides], "energy", ["rest_v", "loaded_v"], 200)
    assert [side["thinned"] for side in told["sides"]] == [True, False]
    assert len(stored.overview(1, ["loaded_v"])) > 100 and stored.samples(1) is None
    return len(gave)


def size(store: Store, kind: int | None = None) -> int:
    """Bytes in use, or those of the chunks of a kind."""
    with store._readers.connect() as connection:
        if kind is None:
            return used_bytes(connection)
        query = select(func.sum(func.length(chunks.c.blob))).where(chunks.c.kind == kind)
        return int(connection.execute(query).scalar_one())


def wait_until(what: Callable[[], bool], seconds: float = 900.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until
        time.sleep(0.2)


def median_ms(work, times: int = 9) -> float:
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append(1000 * (time.perf_counter() - began))
    return sorted(taken)[times // 2]


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_short_year_finds_the_group_that_aged(short_year: Kept) -> None:
    check(short_year)
    thin(short_year)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_a_year_of_500_rides(whole_year: Kept) -> None:
    """Opened, filtered, compared, thinned; listing all of them is at most 50 ms of work."""
    kept = whole_year
    check(kept)
    rides = kept.store.rides
    assert len(rides.rides(500)) == 500
    spring = RideFilter(kind="ride", since_unix_s=BEGAN_UNIX_S + 90 * DAY_S, until_unix_s=BEGAN_UNIX_S + 120 * DAY_S)
    assert len(rides.rides(500, wanted=spring)) == pytest.approx(500 * 30 / 365, abs=2)
    figures = {
        "list 500 rides": median_ms(lambda: rides.rides(500)),
        "filter": median_ms(lambda: rides.rides(500, wanted=spring)),
        "health": median_ms(lambda: kept.history.health(OTTER.name), 3),
        "compare two rides": median_ms(
            lambda: kept.history.compare([1, 500], "energy", ["rest_v", "loaded_v"], 200), 3
        ),
        "compare with a pack": median_ms(lambda: kept.history.compare([1, OTTER.name], "time", ["rest_v"], 200), 3),
        "summary anew": median_ms(lambda: kept.history.summary(250, again=True), 3),
        "report": median_ms(lambda: report(kept.history, 250), 3),
    }
    size = kept.store.path.stat().st_size
    print(json.dumps({**{name: round(ms, 1) for name, ms in figures.items()}, "store MB": round(size / 1e6, 1)}))
    assert figures["list 500 rides"] <= 50.0
    print(f"{thin(kept)} of 500 rides thinned")
