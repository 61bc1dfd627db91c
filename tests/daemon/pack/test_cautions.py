"""Cautions over packs that are allowed. Figures: 60 V d.c. is the limit of touch (ISO 6469-3, from memory; 14 groups of
4.20 V are 58.8 V, 15 are 63.0, worked out here); the rest is common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.config.pack import built_in_pack, load_pack
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.pack.cautions import cautions
from sagwise_daemon.domain.pack.profile import overridden

OTTER = built_in_pack("otter")[1]
HERON, WREN = (built_in_pack(name)[1] for name in ("heron", "wren"))


def with_cell(pack: Pack, **changes: Any) -> Pack:
    return replace(pack, cell=replace(pack.cell, **changes))


def test_of_the_packs_that_come_along_only_the_shock_of_otter_is_told() -> None:
    (only,) = cautions(OTTER)
    assert only.startswith("16 groups of 4.20 V are 67.2 V: above 60 V d.c. a pack is dangerous to touch.")
    assert cautions(HERON) == cautions(WREN) == ()
    assert cautions(replace(HERON, series=15))[0].startswith("15 groups of 4.20 V are 63.0 V")


@pytest.mark.parametrize(
    ("overrides", "key", "what"),
    [
        ({"loaded_floor": {"enabled": False}}, "alarm.loaded_floor is switched off", "an estimate cannot silence"),
        ({"link_lost": {"enabled": False}}, "alarm.link_lost is switched off", "the board is silent"),
        ({"overvoltage": {"enabled": False}}, "alarm.overvoltage is switched off", "can catch fire"),
        ({"loaded_floor": {"volts": 1.0}}, "alarm.loaded_floor.volts, 1 V", "harmed for good"),
        ({"rest_low": {"volts": 3.25}}, "alarm.rest_low.volts, 3.25 V", "nothing left to ride home on"),
        ({"overvoltage": {"volts": 5.0}}, "alarm.overvoltage.volts, 5 V", "catch fire before anything sounds"),
        ({"temperature_high": {"celsius": 80.0}}, "alarm.temperature_high.celsius, 80 °C", "beyond the 60 °C"),
        ({"temperature_low": {"celsius": -30.0}}, "alarm.temperature_low.celsius, -30 °C", "beyond the -20 °C"),
        ({"charge_cold": {"celsius": -10.0}}, "alarm.charge_cold.celsius, -10 °C", "beyond the 0 °C"),
        ({"loaded_floor": {"on_delay_s": 600.0}}, "alarm.loaded_floor.on_delay_s, 600 s", "before it sounds"),
        ({"link_lost": {"seconds": 60.0}}, "alarm.link_lost.seconds, 60 s", "nothing is watched"),
    ],
)
def test_a_setting_that_guards_little_is_told_with_its_key(overrides: Any, key: str, what: str) -> None:
    (said,) = cautions(overridden(HERON, overrides))
    assert said.startswith(key) and what in said


@pytest.mark.parametrize(
    "overrides",
    [
        {"rest_low": {"volts": 3.3}},
        {"overvoltage": {"volts": 4.3}},
        {"loaded_floor": {"volts": 3.2, "on_delay_s": 10.0}},
        {"charge_cold": {"celsius": 5.0}},
        {"temperature_high": {"celsius": 55.0}},
        {"spread_high": {"on_delay_s": 600.0}},
    ],
)
def test_a_setting_within_practice_is_told_of_in_no_word(overrides: Any) -> None:
    assert cautions(overridden(HERON, overrides)) == ()


@pytest.mark.parametrize(
    ("pack", "words"),
    [
        (with_cell(HERON, capacity_ah=1800.0, resistance_mohm=None), "if those are mAh, write 1.8"),
        (with_cell(HERON, resistance_mohm=0.0025), "in mΩ. Leave it out if you do not know it"),
        (with_cell(HERON, resistance_mohm=40.0), "would let the cell sag 640 mV at 1C"),
        (with_cell(HERON, max_discharge_a=None), "nothing warns of too high a current"),
        (with_cell(HERON, max_discharge_a=1700.0), "of one cell, continuously"),
        (with_cell(HERON, full_v=4.25), "cell.full_v, 4.25 V, is above the 4.20 V of usual lipo cells"),
        (with_cell(WREN, empty_v=1.8), "cell.empty_v, 1.8 V, is below the 2 V of usual lfp cells"),
        (
            with_cell(HERON, chemistry="measured", ocv_soc=np.array([0.3, 0.9]), ocv_v=np.array([3.5, 4.0])),
            "cell.ocv goes from 30 to 90 % of the charge",
        ),
    ],
)
def test_a_figure_of_the_cell_that_no_cell_has_is_told(pack: Pack, words: str) -> None:
    (said,) = cautions(pack)
    assert words in said


def test_a_cell_fuller_than_the_curve_is_overcharged_and_misjudged() -> None:
    """3.9 V for LFP is allowed in a file, since some makers state more than 3.65, and 0.25 V beyond what most do."""
    shock, fire, curve = cautions(with_cell(WREN, full_v=3.9))
    assert "62.4 V" in shock
    assert "can catch fire" in fire
    assert curve.startswith("cell.full_v, 3.9 V, lies above the 3.60 V at which the curve of lfp ends")


def test_sodium_by_its_own_curve_is_nothing_odd(tmp_path: Path) -> None:
    file = tmp_path / "sodium.toml"
    file.write_text(
        '[pack]\nname = "Spare"\nseries = 14\nparallel = 1\n[cell]\nchemistry = "measured"\ncapacity_ah = 20\n'
        "full_v = 3.95\nempty_v = 1.5\nmax_discharge_a = 60\nocv = [[0, 1.6], [0.1, 2.4], [0.5, 3.1], [1, 3.9]]\n",
        encoding="utf-8",
    )
    assert cautions(load_pack(file)) == ()
