"""Packs and settings as the owner changes them. Law: the log of changes and the files make the pack, nothing else."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sagwise_daemon.config.pack import BUILT_IN
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.errors import StoreError
from sagwise_daemon.garage import Garage

OTTER, HERON = "Otter 16s5p", "Heron 14s"


class House:
    """Pack files of its own and a log; `told` is what the daemon would be told."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.log = folder, folder / "settings.jsonl"
        for name in ("otter", "heron"):
            shutil.copy(BUILT_IN / f"{name}.toml", folder)
        (folder / "broken.toml").write_text("[pack]\nname = 3\n")
        self.told: list[Pack] = []
        self.riding = False

    def garage(self) -> Garage:
        return Garage(self.folder / "otter.toml", self.log, lambda: 1.8e9, self.told.append, lambda: self.riding)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_packs_are_those_of_the_files_that_can_be_read(house: House) -> None:
    garage = house.garage()
    assert [pack.name for pack in garage.packs()] == [OTTER, HERON]
    assert garage.fitted().name == OTTER


def test_a_pack_that_cannot_be_chosen_is_named_in_the_log(house: House, caplog: pytest.LogCaptureFixture) -> None:
    (house.folder / "bike.toml").write_text('[bike]\nname = "otter"\n')
    shutil.copy(house.folder / "otter.toml", house.folder / "spare.toml")
    house.garage()
    broken, twin = (record.getMessage() for record in caplog.records)
    assert "broken.toml: pack.name: 3 is not allowed" in broken
    assert "spare.toml" in twin and OTTER in twin


def test_a_change_holds_is_told_and_is_there_after_a_restart(house: House) -> None:
    garage = house.garage()
    change = garage.change(OTTER, "rest_low", {"volts": 3.25, "on_delay_s": 2.0, "deadband": 0.05}, "phone")
    assert change.values == {"volts": (3.3, 3.25), "on_delay_s": (1.0, 2.0)}, "what is the same is no change"
    for one in (garage, house.garage()):
        rule = one.fitted().rules["rest_low"]
        assert (rule.limit, rule.on_delay_s, rule.deadband) == (3.25, 2.0, 0.05)
        assert one.as_filed(OTTER).rules["rest_low"].limit == 3.3
    assert [pack.rules["rest_low"].limit for pack in house.told] == [3.25]
    (kept,) = house.garage().changes(10)
    assert (kept.device, kept.unix_s, kept.undone) == ("phone", 1.8e9, False)


def test_a_change_of_a_pack_that_is_not_fitted_is_kept_and_not_told(house: House) -> None:
    garage = house.garage()
    garage.change(HERON, "rest_low", {"volts": 3.5}, "phone")
    assert house.told == []
    assert {pack.name: pack.rules["rest_low"].limit for pack in garage.packs()} == {OTTER: 3.3, HERON: 3.5}


@pytest.mark.parametrize(
    ("rule", "values", "error", "words"),
    [
        ("rest_low", {"volts": 5.5}, ValueError, "from 1 to 5 V"),
        ("rest_low", {"volts": 2.5}, ValueError, "2.8 (cell.empty_v)"),
        ("rest_low", {"volts": float("nan")}, ValueError, "volts"),
        ("rest_low", {"volts": True}, ValueError, "volts"),
        ("rest_low", {"volts": "3.2"}, ValueError, "volts"),
        ("rest_low", {"on_delay_s": -1.0}, ValueError, "0 to 600"),
        ("rest_low", {"priority": "urgent"}, ValueError, "medium"),
        ("rest_low", {"celsius": 3.0}, KeyError, "celsius"),
        ("no_such", {"volts": 3.0}, KeyError, "no_such"),
        ("rest_low", {"volts": 3.3}, ValueError, "already"),
    ],
)
def test_what_is_not_allowed_is_refused_in_words_and_nothing_is_kept(house: House, rule, values, error, words) -> None:
    garage = house.garage()
    with pytest.raises(error, match=None) as refused:
        garage.change(OTTER, rule, values, "phone")
    assert words in str(refused.value)
    assert garage.changes(10) == () and house.told == [] and not house.log.exists()


def test_undo_takes_back_what_still_stands_and_only_once(house: House) -> None:
    garage = house.garage()
    first = garage.change(OTTER, "rest_low", {"volts": 3.25, "on_delay_s": 2.0}, "phone")
    garage.change(OTTER, "rest_low", {"volts": 3.2}, "phone")
    undo = garage.undo(first.change_id, "phone")
    assert undo.values == {"on_delay_s": (2.0, 1.0)}, "the limit was changed again and stays"
    assert garage.fitted().rules["rest_low"].limit == 3.2
    assert [change.undone for change in garage.changes(10)] == [False, False, True]
    with pytest.raises(ValueError, match="already"):
        garage.undo(first.change_id, "phone")
    with pytest.raises(KeyError):
        garage.undo(99, "phone")


def test_another_pack_is_fitted_and_taken_out_but_not_in_a_ride(house: House) -> None:
    garage = house.garage()
    house.riding = True
    with pytest.raises(ValueError, match="a ride goes on"):
        garage.fit(HERON, "phone")
    house.riding = False
    change = garage.fit(HERON, "phone")
    assert garage.fitted().name == house.garage().fitted().name == HERON
    garage.undo(change.change_id, "phone")
    assert house.garage().fitted().name == OTTER
    assert [pack.name for pack in house.told] == [HERON, OTTER]


def test_a_torn_line_is_passed_over_and_the_next_change_is_kept(house: House) -> None:
    garage = house.garage()
    garage.change(OTTER, "rest_low", {"volts": 3.25}, "phone")
    with house.log.open("a") as log:
        log.write('{"change_id": 2, "unix_s": 1.8e9, "dev')  # the power went
    again = house.garage()
    assert again.fitted().rules["rest_low"].limit == 3.25
    again.change(OTTER, "rest_low", {"volts": 3.2}, "phone")
    last = house.garage()
    assert last.fitted().rules["rest_low"].limit == 3.2
    assert len(last.changes(10)) == 2


def test_a_change_that_does_not_fit_the_file_any_more_is_left_out(house: House) -> None:
    house.garage().change(OTTER, "rest_low", {"volts": 2.9}, "phone")
    file = house.folder / "otter.toml"
    file.write_text(file.read_text().replace("empty_v = 2.80", "empty_v = 3.00"))
    assert house.garage().fitted().rules["rest_low"].limit == 3.3


def test_what_cannot_be_kept_is_not_changed(house: House) -> None:
    garage = house.garage()
    house.log.mkdir()
    with pytest.raises(StoreError):
        garage.change(OTTER, "rest_low", {"volts": 3.25}, "phone")
    assert garage.fitted().rules["rest_low"].limit == 3.3 and house.told == []
