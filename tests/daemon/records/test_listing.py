"""The rides verb. Law: what is asked for is listed; what is changed can be changed back."""

from __future__ import annotations

import json
import shutil
from argparse import ArgumentParser
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon import listing
from sagwise_daemon.__main__ import main
from sagwise_daemon.advise import look
from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.model import Reading
from sagwise_daemon.domain.ports import Ride
from sagwise_daemon.errors import InputError
from sagwise_daemon.io.store import RideStart, Store

_, OTTER = built_in_pack("otter")
_, HERON = built_in_pack("heron")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Path:
    """Ride 1 and charge 2 of Otter, and a ride of Heron in June."""
    made = Path(shutil.copy(empty_store, tmp_path_factory.mktemp("listing") / "rides.sqlite"))
    with Store.open(made) as store:
        for day, pack, kind in ((0, OTTER, "ride"), (1, OTTER, "charge"), (40, HERON, "ride")):
            ride_id = store.recorder.begin_ride(RideStart(pack, 1, 1_777_629_600.0 + day * 86_400, True, 0, 0.0, kind))
            for number in range(100):
                current = -3.0 if kind == "charge" else 30.0
                volts = np.full(pack.series, 3.8)
                store.recorder.append(
                    ride_id, Reading(number / 5, volts, current, np.array([20.0]), number * 1.0, 1, number * 200_000)
                )
            store.recorder.end_ride(ride_id, "standstill")
        store.recorder.flush()
    return made


def run(path: Path, *words: object) -> int:
    parser = ArgumentParser()
    listing.add_arguments(parser)
    return listing.run(parser.parse_args(["--store", str(path), *[str(word) for word in words]]))


def listed(path: Path, capsys: pytest.CaptureFixture[str], *words: object) -> list[int]:
    assert run(path, "--json", *words) == 0
    told = json.loads(capsys.readouterr().out, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    return [ride["ride_id"] for ride in told["rides"]]


def test_filters_by_pack_date_and_kind(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert listed(path, capsys) == [3, 2, 1]
    assert listed(path, capsys, "--pack", OTTER.name) == [2, 1]
    assert listed(path, capsys, "--kind", "charge") == [2]
    assert listed(path, capsys, "--since", "2026-05-02", "--until", "2026-06-01") == [2]
    assert listed(path, capsys, "--limit", 1) == [3]
    assert run(path, "--pack", "Otter") == 0
    assert f"'Otter'; its packs are: {HERON.name}, {OTTER.name}" in capsys.readouterr().err
    assert listed(path, capsys, "--pack", "nobody's") == []


def test_the_table_is_for_people(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(path)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4 and lines[0].startswith("ride kind")
    assert "2026-05-01 10:00" in lines[3] and "Otter 16s5p" in lines[3]


def test_the_table_fits_a_usual_terminal() -> None:
    usual = Ride(
        *(12, "Otter 16s5p", 16, 1_777_629_600.0, False, 5400.0, 9, "link", 412.3, 7.1, 23456.0, 118.2, 2.9, 3.305, 2),
        *(False, "standing", None, "", False),
    )
    widest = replace(
        usual,
        ride_id=9999,
        pack="A trike of two packs, 20s12p, cells of spring",
        duration_s=99_999 * 60.0,
        energy_wh=99_999.4,
        distance_m=999_900.0,
        current_max_a=9999.0,
        rest_min_v=-0.384,
        alarms=999_999,
        name="To the quarry and back by the long way round, with luggage, into the wind",
        thinned=True,
        deleted=True,
    )
    unknown = replace(usual, energy_wh=None, distance_m=None, current_max_a=None, rest_min_v=None)
    header, *lines = listing.table([usual, widest, unknown])
    assert all(len(line) <= 80 for line in (header, *lines))
    assert lines[0].endswith("  2 Otter 16s5p") and lines[0].index("Otter") == header.index("pack")
    below = " ".join(line.strip() for line in lines[2:-1])
    assert below == f"{widest.name}, {widest.pack} (deleted, thinned)"
    for word, figure in (("min", "90"), ("Wh", "412"), ("km", "23.5"), ("maxA", "118"), ("restV", "3.305")):
        end = header.index(word) + len(word)
        assert lines[0][:end].endswith(f" {figure}"), "a figure stands under its name"


def test_one_ride_that_there_is_not_keeps_all_from_being_changed(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(InputError, match="no ride 99"):
        run(path, 1, 99, "--delete", "--name", "gone")
    assert listed(path, capsys) == [3, 2, 1]
    run(path, 1)
    assert "gone" not in capsys.readouterr().out


@pytest.mark.parametrize("words", [("--correct-pack", HERON.name), ("--delete", "--correct-pack", HERON.name)])
def test_one_ride_that_is_refused_keeps_all_from_being_changed(path: Path, words: tuple[str, ...]) -> None:
    """Ride 3 has as many groups as Heron, ride 1 has not."""
    with pytest.raises(InputError, match="has 14 groups, ride 1 has 16"):
        run(path, 3, 1, "--name", "gone", *words)
    with Store.open(path) as store:
        assert (store.rides.ride(3).name, store.rides.ride(3).deleted) == (None, False)
        assert store.rides.ride(3).pack == HERON.name


def test_one_ride_with_its_summary(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(path, 1, "--json") == 0
    (ride,) = json.loads(capsys.readouterr().out)["rides"]
    assert ride["summary"]["current_max_10s_a"] == pytest.approx(30.0)
    assert run(path, 1, 2) == 0
    words = capsys.readouterr().out
    assert "highest current over 1 s 30 A, 10 s 30 A, 60 s – A" in words and "charge 2" in words


def test_name_note_delete_and_restore(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(path, 1, "--name", "Quarry", "--note", "wet")
    assert "Quarry" in capsys.readouterr().out
    run(path, 1, "--delete")
    assert "(deleted)" in capsys.readouterr().out
    capsys.readouterr()
    assert listed(path, capsys) == [3, 2] and listed(path, capsys, "--deleted") == [1]
    run(path, 1, "--restore", "--name", "", "--note", "")
    assert "Quarry" not in capsys.readouterr().out
    assert listed(path, capsys) == [3, 2, 1]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("99",), "there is no ride 99"),
        (("1", "--correct-pack", "Heron 14s"), "has 14 groups, ride 1 has 16"),
        (("--since", "yesterday"), "write it like 2026-05-01"),
        (("--limit", "0"), "--limit: 0 is not allowed"),
        (("--delete",), "RIDE is missing"),
    ],
)
def test_unusable_input_is_one_clear_line(path: Path, words: tuple[str, ...], told: str) -> None:
    with pytest.raises(InputError) as caught:
        run(path, *words)
    assert told in str(caught.value) and "\n" not in str(caught.value)


def test_the_program_knows_the_verbs(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rides", "--store", str(path), "--json"]) == 0
    assert main(["rides", "--store", str(tmp_path / "none.sqlite")]) == 2
    assert main(["import", str(tmp_path / "none.csv"), "--store", str(path)]) == 2
    assert "no such file" in capsys.readouterr().err


def test_advice_is_taken_from_rides_only(path: Path) -> None:
    with Store.open(path) as store:
        assert [number for number, _ in look(store, OTTER).skipped] == [1], "too short; the charge is not looked at"
