"""What rides taught, on the disk. Law: it is found again by the same cells only, and never in the way of riding."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.domain.estimate.taught import SHARES, Learnt
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.io.store import Store, engine
from sagwise_daemon.io.store.memory import StoredMemory, from_text, to_text
from sagwise_daemon.io.store.migrate import migrate

NOW_S, DAY_S = 1_760_000_000.0, 86400.0


def make_learnt(groups: int = 4) -> Learnt:
    return Learnt(
        rides=3,
        resistance_25c_mohm=np.array([2.9, 3.0, np.nan, 4.1])[:groups],
        steps=np.array([40.0, 40.0, 0.0, 38.0])[:groups],
        step_c=2.4,
        shares_v=np.linspace(0.03, 0.01, SHARES),
        ratio=0.08,
        ratio_sigma=0.02,
        group_ratio=np.array([0.0, -0.01, np.nan, 0.31])[:groups],
        group_ratio_sigma=np.array([0.02, 0.02, np.inf, 0.03])[:groups],
        offset_c=0.013,
        offset_sigma_c=0.004,
        behind_ratio=np.array([0.01, 0.0, np.nan, 0.33])[:groups],
        behind_ratio_sigma=np.array([0.03, 0.02, np.inf, 0.04])[:groups],
    )


def same(one: Learnt, other: Learnt) -> bool:
    names = [field.name for field in fields(Learnt) if field.name != "age_days"]
    return all(np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True) for name in names)


@pytest.fixture
def pack(start: Callable) -> Pack:
    return start().pack


def at(store: Store, unix_s: float, trusted: bool = True) -> StoredMemory:
    return StoredMemory(store._readers, lambda: store.recorder, lambda: WallTime(unix_s, trusted, 0.0, "boot"))


def test_nothing_is_known_of_a_new_pack(store: Store, pack: Pack) -> None:
    assert store.memory.recall(pack) is None


def test_what_was_kept_is_there_after_reopening(fresh: Path, pack: Pack) -> None:
    with Store.open(fresh) as store:
        store.memory.keep(pack, make_learnt())
    with Store.open(fresh) as store:
        found = store.memory.recall(pack)
    assert found is not None and same(found, make_learnt())


def test_shares_of_other_slow_elements_are_left_and_all_else_is_kept() -> None:
    document = json.loads(to_text(make_learnt()))
    document["slow_elements_s"] = [2.0, 20.0, 150.0]
    found = from_text(json.dumps(document), 4)
    assert np.isnan(found.shares_v).all() and not found.resistance_known
    assert found.ratio == make_learnt().ratio and np.array_equal(found.steps, make_learnt().steps)


def test_a_document_of_before_the_behind_ratios_keeps_all_else() -> None:
    document = json.loads(to_text(make_learnt()))
    for name in ("group_behind_ratio", "group_behind_ratio_sigma"):
        del document[name]
    found = from_text(json.dumps(document), 4)
    assert np.isnan(found.behind_ratio).all() and np.isinf(found.behind_ratio_sigma).all()
    assert found.ratio == make_learnt().ratio and np.array_equal(found.steps, make_learnt().steps)


def test_the_newest_replaces_the_older_ones(store: Store, pack: Pack) -> None:
    for rides in (3, 4, 5):
        store.memory.keep(pack, replace(make_learnt(), rides=rides))
        if rides == 3:
            store.recorder.flush()
    store.recorder.flush()
    found = store.memory.recall(pack)
    assert found is not None and found.rides == 5
    with sqlite3.connect(store.path) as connection:
        assert connection.execute("SELECT count(*) FROM learnt").fetchone() == (1,)


def test_a_pack_that_was_rebuilt_renamed_or_told_otherwise_finds_nothing(store: Store, pack: Pack) -> None:
    store.memory.keep(pack, make_learnt())
    store.recorder.flush()
    cell = pack.cell
    others = [
        replace(pack, name="Heron"),
        replace(pack, series=5),
        replace(pack, parallel=6),
        replace(pack, cell=replace(cell, capacity_ah=5.0)),
        replace(pack, cell=replace(cell, chemistry="nca")),
        replace(pack, cell=replace(cell, ocv_v=cell.ocv_v + 0.01)),
        replace(pack, cell=replace(cell, resistance_mohm=None)),
    ]
    assert [store.memory.recall(other) for other in others] == [None] * len(others)


def test_alarm_settings_do_not_make_another_pack(store: Store, pack: Pack) -> None:
    store.memory.keep(pack, make_learnt())
    store.recorder.flush()
    stricter = replace(pack, rules={"rest_low": replace(pack.rules["rest_low"], limit=3.4)})
    assert store.memory.recall(stricter) is not None


@pytest.mark.parametrize(
    ("kept_trusted", "now_trusted", "days"),
    [(True, True, 30.0), (False, True, np.nan), (True, False, np.nan)],
)
def test_age_is_told_only_by_clocks_that_can_be_trusted(
    store: Store, pack: Pack, kept_trusted: bool, now_trusted: bool, days: float
) -> None:
    at(store, NOW_S, kept_trusted).keep(pack, make_learnt())
    store.recorder.flush()
    found = at(store, NOW_S + 30 * DAY_S, now_trusted).recall(pack)
    assert found is not None
    assert found.age_days == pytest.approx(days, nan_ok=True)


@pytest.mark.parametrize("document", ["", "{}", "[]", '{"capacity_ratio": 1}', "null"])
def test_a_spoilt_document_is_left_and_said(
    store: Store, pack: Pack, document: str, caplog: pytest.LogCaptureFixture
) -> None:
    store.memory.keep(pack, make_learnt())
    store.recorder.flush()
    with sqlite3.connect(store.path) as connection:
        connection.execute("UPDATE learnt SET document = ?", (document,))
    connection.close()
    assert store.memory.recall(pack) is None
    assert pack.name in caplog.text


@pytest.mark.slow
def test_a_store_of_the_schema_before_keeps_its_rides_and_learns(tmp_path: Path, pack: Pack, ridden) -> None:
    path = tmp_path / "rides.sqlite"
    migrate(path, "0001")
    with sqlite3.connect(path) as connection:
        connection.execute(
            "INSERT INTO packs (digest, name, series, snapshot) VALUES ('d', 'Otter', 4, '{}')",
        )
        connection.execute("UPDATE counters SET next_id = 2 WHERE name = 'ride'")
        connection.execute(
            "INSERT INTO rides (pack_id, started_unix_s, started_trusted, ended_by, duration_s, samples, alarms,"
            " temperatures, host_boot, last_monotonic_s) VALUES (1, 1.0, 1, 'stopped', 60.0, 600, 0, 0, '', 0.0)"
        )
    connection.close()
    assert engine.read_revision(path) == "0001"
    with Store.open(path) as store:
        assert [ride.duration_s for ride in store.rides.rides()] == [60.0]
        store.memory.keep(pack, make_learnt())
        ridden(store, 20, ended_by="stopped")
        assert store.memory.recall(pack) is not None
        assert len(store.rides.rides()) == 2


def test_a_full_disk_is_tried_again(store: Store, pack: Pack, monkeypatch: pytest.MonkeyPatch) -> None:
    from sagwise_daemon.errors import StoreError
    from sagwise_daemon.io.store import writer

    real, broken = writer.keep_learnt, [True]

    def keep(connection, row) -> None:
        if broken[0]:
            raise OSError("no space")
        real(connection, row)

    monkeypatch.setattr(writer, "keep_learnt", keep)
    store.memory.keep(pack, make_learnt())
    with pytest.raises(StoreError):
        store.recorder.flush()
    broken[0] = False
    store.recorder.flush()
    assert store.memory.recall(pack) is not None
