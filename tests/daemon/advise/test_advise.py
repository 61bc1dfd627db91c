"""The advise verb on a real store: rides in, one document or plain words out, and what is refused."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.__main__ import main
from sagwise_daemon.advise import CAUTION
from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.model import Pack, Readings
from sagwise_daemon.garage import Garage
from sagwise_daemon.io.export import export_ride
from sagwise_daemon.io.store import RideStart, Store
from sagwise_daemon.io.trace import read_trace
from sagwise_daemon.replay import replay

pytestmark = pytest.mark.slow

PACK = """[pack]
name = "Heron's little sister"
series = 4
parallel = 1
[cell]
chemistry = "measured"
capacity_ah = 5.0
full_v = 4.20
empty_v = 2.40
resistance_mohm = 20
ocv = [[0.0, 3.00], [0.1, 3.30], [0.3, 3.55], [0.5, 3.68], [0.8, 3.98], [1.0, 4.18]]
[alarm.rest_low]
volts = 3.30
"""
SOC = [0.0, 0.1, 0.3, 0.5, 0.8, 1.0]
OCV_V = [3.00, 3.30, 3.55, 3.68, 3.98, 4.18]
HZ = 5


def a_ride(start: float, end: float) -> Readings:
    """20 s of rest, then 3 s pulls at 30 A (6C) and 5 s of coasting; group 3 starts 2 % lower; 15 mΩ at once and 8
    mΩ after 10 s.
    """
    time_s = np.arange(round((20.0 + (start - end) * 1600.0) * HZ)) / HZ
    current = np.where((time_s > 20.0) & ((time_s - 20.0) % 8.0 < 3.0), 30.0, 0.0)
    low_pass, slow = np.zeros(len(time_s)), 0.0
    for row, amperes in enumerate(current):
        slow += (amperes - slow) / HZ / 10.0
        low_pass[row] = slow
    charge = start - np.cumsum(current) / HZ / 3600.0 / 5.0
    groups = [np.interp(charge - less, SOC, OCV_V) for less in (0.0, 0.0, 0.02, 0.0)]
    volts = np.stack(groups, axis=1) - (0.015 * current + 0.008 * low_pass)[:, None]
    rows = len(time_s)
    return Readings(time_s, np.round(volts * 2000) / 2000, current, np.full((rows, 1), 25.0), np.full(rows, np.nan))


def record(store: Store, pack: Pack, ride: Readings, number: int, ended_by: str | None = "standstill") -> int:
    start = RideStart(pack, number, 1_760_000_000.0 + 1e5 * number, True, 0, 0.0)
    ride_id = store.recorder.begin_ride(start)
    for row, reading in enumerate(ride):
        store.recorder.append(ride_id, replace(reading, boot_id=number, uptime_us=round(reading.time_s * 1e6)))
        if row % 1000 == 999:
            store.recorder.flush()
    if ended_by is not None:
        store.recorder.end_ride(ride_id, ended_by)
    store.recorder.flush()
    return ride_id


@pytest.fixture(scope="session")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with pack.toml and rides.sqlite: two rides down to the limit, one too short, one of another pack, one
    whose cell was another, one that still goes on.
    """
    folder = tmp_path_factory.mktemp("ridden")
    (folder / "pack.toml").write_text(PACK, encoding="utf-8")
    pack = load_pack(folder / "pack.toml")
    with Store.open(folder / "rides.sqlite") as store:
        record(store, pack, a_ride(0.30, 0.10), 1)
        record(store, pack, a_ride(0.28, 0.09), 2)
        record(store, pack, a_ride(0.30, 0.25), 3)
        record(store, replace(pack, name="Wren"), a_ride(0.30, 0.25), 4)
        record(store, replace(pack, parallel=2), a_ride(0.30, 0.10), 5)
        record(store, pack, a_ride(0.30, 0.29), 6, ended_by=None)
    return folder


@pytest.fixture
def advised(ridden: Path, tmp_path: Path, capsys: Any) -> Callable[..., tuple[int, str, str]]:
    def run(*more: str) -> tuple[int, str, str]:
        store = shutil.copy(ridden / "rides.sqlite", tmp_path / "rides.sqlite")
        status = main(["advise", "--store", str(store), "--pack", str(ridden / "pack.toml"), *more])
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


def test_one_document_with_the_rides_and_the_reasons(advised: Any, ridden: Path, tmp_path: Path) -> None:
    status, out, _ = advised("--json")
    assert status == 0
    assert out.count("\n") == 1
    said = json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    assert list(said) == ["pack", "enough", "rides", "rest_low", "plain_buzzer", "why", "caution"]
    assert said["enough"] is False
    assert said["rides"]["used"] == [2, 1]
    assert {one["ride"]: one["why"] for one in said["rides"]["skipped"]} == {
        6: "still goes on",
        5: "was ridden as 2 in parallel of measured 5 Ah",
        3: "lasted 1.7 min, and 5 are needed",
    }
    assert said["rest_low"]["proposed_v"] >= 3.30, "two rides make nothing warn later"
    assert said["caution"] == CAUTION
    assert any("Not enough rides yet: 2, " in why for why in said["why"])
    # The same as a replay of the exported ride finds.
    with Store.open(Path(shutil.copy(ridden / "rides.sqlite", tmp_path / "copy.sqlite"))) as store:
        file, _ = export_ride(store, 1, tmp_path)
    events = replay(read_trace(file, 4), load_pack(ridden / "pack.toml")).events
    raised = [event.time_s for event in events if (event.rule, event.to.value) == ("rest_low", "unacknowledged")]
    (first,) = (one for one in said["rest_low"]["per_ride"] if one["ride"] == 1)
    assert said["rest_low"]["proposed_v"] == 3.30
    assert first["warnings"] == len(raised) > 0
    assert first["to_end_s"] == pytest.approx(first["duration_s"] - min(raised), abs=1e-3)
    assert first["plain_warnings"] > 5
    assert said["plain_buzzer"]["limit_v"] >= 2.40
    assert said["plain_buzzer"]["rides_in_time"] == 2
    assert said["plain_buzzer"]["limit_v"] < 3.30


def test_plain_words(advised: Any) -> None:
    status, out, _ = advised()
    assert status == 0
    for words in ("2 stored rides looked at", "ride 3 left out", "Keep rest_low at 3.30 V", CAUTION):
        assert words in out
    assert "In the pack file" not in out, "there is nothing to write where all stays as it is"
    assert "For a plain buzzer: " in out
    assert "nan" not in out


def test_what_was_set_on_the_page_is_what_holds(advised: Any, ridden: Path, tmp_path: Path) -> None:
    pack = ridden / "pack.toml"
    Garage(pack, tmp_path / "settings.jsonl", lambda: 1.8e9).change(
        load_pack(pack).name, "rest_low", {"volts": 3.2}, "me"
    )
    _, out, _ = advised()
    assert "Raise rest_low from 3.20 V" in out
    assert "rest_low was set on the page, which outdoes the pack file" in out
    assert "  volts = 3.30\n" in out


def other_pack(ridden: Path, tmp_path: Path, was: str, now: str) -> tuple[str, ...]:
    """Options that name the same pack file with one thing changed."""
    file = tmp_path / "changed.toml"
    file.write_text((ridden / "pack.toml").read_text(encoding="utf-8").replace(was, now), encoding="utf-8")
    return ("--pack", str(file))


def test_a_rewired_pack_is_told_of_the_rides_left_out(advised: Any, ridden: Path, tmp_path: Path) -> None:
    _, out, _ = advised("--json", *other_pack(ridden, tmp_path, "series = 4", "series = 3"))
    said = json.loads(out)
    assert said["rides"]["used"] == []
    why = {one["ride"]: one["why"] for one in said["rides"]["skipped"]}
    assert why[1] == "was ridden with 4 groups, and the pack file has 3"


def test_a_low_alarm_that_is_switched_off_is_to_be_switched_on(advised: Any, ridden: Path, tmp_path: Path) -> None:
    _, out, _ = advised(*other_pack(ridden, tmp_path, "volts = 3.30", "enabled = false"), "--rides", "1")
    assert "rest_low is switched off" in out
    assert "  enabled = true\n" in out


def test_groups_that_go_low_together_are_one_warning_to_a_rider(advised: Any) -> None:
    _, out, _ = advised("--json")
    said = json.loads(out)
    events = sum(one["warnings"] for one in said["rest_low"]["per_ride"])
    heard = next(why for why in said["why"] if why.startswith("It would have warned"))
    assert events > 2
    assert heard.startswith("It would have warned twice, in 2 of 2 rides, first "), "all four within a minute"


def test_only_the_newest_are_looked_at(advised: Any) -> None:
    _, out, _ = advised("--json", "--rides", "1")
    said = json.loads(out)
    assert said["rides"]["used"] == []
    assert [one["ride"] for one in said["rides"]["skipped"]] == [6]
    assert said["plain_buzzer"] is None


def test_a_store_without_rides_of_this_pack_is_too_little_and_no_fault(
    advised: Any, ridden: Path, tmp_path: Path, capsys: Any
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(PACK.replace("Heron's little sister", "Otter"), encoding="utf-8")
    store = shutil.copy(ridden / "rides.sqlite", tmp_path / "rides.sqlite")
    assert main(["advise", "--store", str(store), "--pack", str(other)]) == 0
    out = capsys.readouterr().out
    assert "no ride of a pack of that name is stored; there are rides of Heron's little sister, Wren" in out
    assert "buzzer" not in out, "of no ride nothing is said"


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--store", "none.sqlite"], "none.sqlite: no such file"),
        (["--pack", "none.toml"], "none.toml"),
        (["--rides", "0"], "--rides: 0 is not allowed"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(advised: Any, options: list[str], word: str) -> None:
    status, out, err = advised("--json", *options)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert word in err
