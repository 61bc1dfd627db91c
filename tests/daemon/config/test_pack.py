"""Pack files: what the contract's format gives, and that every fault is named with key, value and what is allowed."""

# ruff: noqa: E501 - tables of whole sentences
from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sagwise_daemon.config import built_in_pack, load_pack
from sagwise_daemon.config.pack import CHEMISTRY_WORDS
from sagwise_daemon.domain.model import Priority
from sagwise_daemon.domain.pack.profile import RULES
from sagwise_daemon.errors import PackError

PACK = '[pack]\nname = "Otter 16s5p"\nseries = 16\nparallel = 5\n'
CELL = '[cell]\nchemistry = "nmc"\ncapacity_ah = 4.5\nfull_v = 4.20\nempty_v = 2.80\n'
MEASURED = CELL.replace('"nmc"', '"measured"')


def test_the_contracts_own_example_loads(write_file: Any) -> None:
    """The example of the pack format, with the measured curve that it shows."""
    path = write_file(
        "pack.toml",
        PACK
        + MEASURED
        + "resistance_mohm = 14\nmax_discharge_a = 30\n"
        + "ocv = [[0.0, 2.95], [0.05, 3.20], [1.0, 4.18]]\n[alarm.rest_low]\nvolts = 3.30\n",
    )
    pack = load_pack(path)
    assert (pack.name, pack.series, pack.parallel, pack.capacity_ah) == ("Otter 16s5p", 16, 5, 22.5)
    assert pack.cell.ocv_soc.tolist() == [0.0, 0.05, 1.0] and pack.cell.ocv_v.tolist() == [2.95, 3.20, 4.18]
    assert pack.rules["rest_low"].limit == 3.30 and pack.rules["rest_low"].deadband == 0.05
    assert set(pack.rules) == set(RULES)


@pytest.mark.parametrize(
    ("name", "series", "chemistry", "rest_low", "floor", "ceiling"),
    [
        ("otter", 16, "nmc", 3.30, 2.80, 4.23),
        ("heron", 14, "lipo", 3.60, 3.20, 4.23),
        ("wren", 16, "lfp", 3.10, 2.50, 3.68),
    ],
)
def test_the_built_in_packs_have_the_contracts_defaults(
    name: str, series: int, chemistry: str, rest_low: float, floor: float, ceiling: float
) -> None:
    path, pack = built_in_pack(name)
    assert path.is_file()
    assert (pack.series, pack.cell.chemistry) == (series, chemistry)
    limits = [pack.rules[rule].limit for rule in ("rest_low", "loaded_floor", "overvoltage")]
    assert limits == pytest.approx([rest_low, floor, ceiling])
    assert np.all(np.diff(pack.cell.ocv_v) > 0)


def test_built_in_packs_keep_to_the_voltage_class_they_claim() -> None:
    """Heron's full voltage lies below 60 V d.c. (IEC 60335's touch limit: 14 x 4.20 V = 58.8 V), Otter's does not."""
    full = {name: built_in_pack(name)[1] for name in ("heron", "otter", "wren")}
    volts = {name: pack.series * pack.cell.full_v for name, pack in full.items()}
    assert volts == pytest.approx({"heron": 58.8, "otter": 67.2, "wren": 58.4})


def test_an_unknown_built_in_pack_names_those_there_are() -> None:
    with pytest.raises(PackError, match="no such built-in pack; there are heron, otter, wren"):
        built_in_pack("../secret")


def test_every_key_of_a_rule_is_taken(write_file: Any) -> None:
    path = write_file(
        "pack.toml",
        PACK
        + CELL
        + "[alarm.spread_high]\nvolts = 0.2\ndeadband = 0.03\non_delay_s = 12\noff_delay_s = 34\nre_alarm_s = 0\n"
        + 'priority = "medium"\nlatching = true\nenabled = false\n',
    )
    rule = load_pack(path).rules["spread_high"]
    assert (rule.limit, rule.deadband, rule.on_delay_s, rule.off_delay_s) == (0.2, 0.03, 12, 34)
    assert (rule.re_alarm_s, rule.priority, rule.latching, rule.enabled) == (0, Priority.MEDIUM, True, False)


def test_every_rule_takes_its_own_limit_within_its_own_range(pack_faults: Any, write_file: Any) -> None:
    for name, spec in RULES.items():
        if spec.limit_key is None:
            assert f"alarm.{name}.volts: unknown key" in pack_faults(PACK + CELL + f"[alarm.{name}]\nvolts = 3\n")[0]
            continue
        low, high = spec.limit_range
        for value in (low - 0.01, high + 0.01):
            (line,) = pack_faults(PACK + CELL + f"[alarm.{name}]\n{spec.limit_key} = {value}\n")
            assert line.startswith(f"alarm.{name}.{spec.limit_key}: {value} is not allowed; write a number from ")
            assert f"from {low:g} to {high:g}" in line
        other = "celsius" if spec.limit_key != "celsius" else "volts"
        (line,) = pack_faults(PACK + CELL + f"[alarm.{name}]\n{other} = 3\n")
        assert line.startswith(f"alarm.{name}.{other}: unknown key; allowed here: ") and spec.limit_key in line


def test_an_unknown_rule_is_refused_with_those_there_are(pack_faults: Any) -> None:
    (line,) = pack_faults(PACK + CELL + "[alarm.rest_lo]\nvolts = 3.3\n")
    assert line.startswith("alarm.rest_lo: unknown key; allowed here: charge_cold, ")
    assert all(name in line for name in RULES)


@pytest.mark.parametrize(
    ("text", "key", "value", "allowed"),
    [
        (PACK.replace("16\n", "0\n"), "pack.series", "0", "a whole number from 1 to 48"),
        (PACK.replace("16\n", "49\n"), "pack.series", "49", "a whole number from 1 to 48"),
        (PACK.replace("16\n", "16.0\n"), "pack.series", "16.0", "a whole number from 1 to 48"),
        (PACK.replace("16\n", "true\n"), "pack.series", "true", "a whole number from 1 to 48"),
        (PACK.replace("= 5", '= "5"'), "pack.parallel", '"5"', "a whole number from 1 to 1000"),
        (PACK.replace('"Otter 16s5p"', '""'), "pack.name", '""', "text of 1 to 64 characters"),
        (PACK.replace('"Otter 16s5p"', '"a\\nb"'), "pack.name", '"a\\nb"', "text of 1 to 64 characters"),
        (PACK.replace('"Otter 16s5p"', "7"), "pack.name", "7", "text of 1 to 64 characters"),
    ],
)
def test_faults_of_the_pack_table(pack_faults: Any, text: str, key: str, value: str, allowed: str) -> None:
    (line,) = pack_faults(text + CELL)
    assert line.startswith(f"{key}: {value} is not allowed; write {allowed}")


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("4.5", "0", "cell.capacity_ah: 0 is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.5", "nan", "cell.capacity_ah: nan is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.5", "-inf", "cell.capacity_ah: -inf is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.5", "true", "cell.capacity_ah: true is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.5", '"4.5"', 'cell.capacity_ah: "4.5" is not allowed; write a number from 0.05 to 2000 Ah'),
        ("4.5", "[4.5]", "cell.capacity_ah: [4.5] is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.5", "2024-01-01", "cell.capacity_ah: 2024-01-01 is not allowed; write a number from 0.05 to 2000 Ah"),
        ("4.20", "42", "cell.full_v: 42 is not allowed; write a number from 1 to 5 V"),
        ('"nmc"', '"NMC"', f'cell.chemistry: "NMC" is not allowed; write {CHEMISTRY_WORDS}'),
        ("2.80", "4.20", "cell.empty_v: 4.2 is not allowed; write a number below cell.full_v, 4.2"),
        ('"nmc"', '"lfp"', "cell.full_v: 4.2 is not allowed for lfp; write a number from 3.3 to 3.9 V, or the right cell.chemistry"),
        ("2.80", "1.0", "cell.empty_v: 1 is not allowed for nmc; write a number from 2 to 3.7 V, or the right cell.chemistry"),
        ("capacity_ah", "capacity", None),
    ],
)  # fmt: skip
def test_faults_of_the_cell_table(pack_faults: Any, old: str, new: str, line: str | None) -> None:
    lines = pack_faults(PACK + CELL.replace(old, new))
    if line is not None:
        assert lines == [line]
    else:
        assert lines == [
            "cell.capacity_ah: missing; write a number from 0.05 to 2000 Ah",
            "cell.capacity: unknown key; allowed here: capacity_ah, chemistry, empty_v, full_v, max_discharge_a, "
            "ocv, resistance_mohm",
        ]


@pytest.mark.parametrize(
    ("curve", "start"),
    [
        ("[]", "cell.ocv: 0 points are no curve"),
        ("[[0.0, 3.0]]", "cell.ocv: 1 points are no curve"),
        ("[[0.0, 3.0], [0.5]]", "cell.ocv: point [1] has 1 numbers"),
        ("[[0.0, 3.0], [0.5, 3.0]]", "cell.ocv: point [1] [0.5, 3.0] does not rise from [0.0, 3.0]"),
        ("[[0.0, 3.0], [0.0, 3.5]]", "cell.ocv: point [1] [0.0, 3.5] does not rise from [0.0, 3.0]"),
        ("[[0.5, 3.5], [0.0, 3.0]]", "cell.ocv: point [1] [0.0, 3.0] does not rise from [0.5, 3.5]"),
        ("[[0.0, 3.0], [50, 3.5]]", "cell.ocv: point [1] has a state of charge of 50"),
        ("[[-0.1, 3.0], [1, 3.5]]", "cell.ocv: point [0] has a state of charge of -0.1"),
        ("[[0.0, 3000], [1, 4200]]", "cell.ocv: point [0] has 3000 V"),
        ("[[0.0, 3.0], [1, nan]]", "cell.ocv[1][1]: nan is not allowed"),
        ("[[0.0, 3.0], 4]", "cell.ocv[1]: 4 is not allowed"),
        ('"nmc"', 'cell.ocv: "nmc" is not allowed'),
        ("[[0.0, 1.0], [1.0, 2.5]]", "cell.ocv: volts from 1 to 2.5 lie outside cell.empty_v 2.8 to cell.full_v 4.2"),
    ],
)
def test_faults_of_a_measured_curve(pack_faults: Any, curve: str, start: str) -> None:
    (line,) = pack_faults(PACK + MEASURED + f"ocv = {curve}\n")
    assert line.startswith(start)


def test_a_curve_belongs_to_measured_and_to_nothing_else(pack_faults: Any) -> None:
    (line,) = pack_faults(PACK + MEASURED)
    assert line.startswith('cell.ocv: missing; chemistry "measured" needs two or more points')
    (line,) = pack_faults(PACK + CELL + "ocv = [[0.0, 3.0], [1.0, 4.2]]\n")
    assert line.startswith('cell.ocv: not allowed with chemistry "nmc"')


@pytest.mark.parametrize(
    ("alarm", "line"),
    [
        ("rest_low]\nvolts = 2.7", "alarm.rest_low.volts: 2.7 is not allowed; write a number from 2.8 (cell.empty_v) to below 4.2 (cell.full_v)"),
        ("rest_low]\nvolts = 4.2", "alarm.rest_low.volts: 4.2 is not allowed; write a number from 2.8 (cell.empty_v) to below 4.2 (cell.full_v)"),
        ("loaded_floor]\nvolts = 4.3", "alarm.loaded_floor.volts: 4.3 is not allowed; write a number below 4.2 (cell.full_v)"),
        ("overvoltage]\nvolts = 3.2", "alarm.overvoltage.volts: 3.2 is not allowed; write a number above 3.3, best above 4.2 (cell.full_v)"),
        ("temperature_high]\ncelsius = -30", "alarm.temperature_low.celsius: -20, the default, is not allowed; write a number below -30 (alarm.temperature_high.celsius)"),
        ("overcurrent]\nenabled = true", "alarm.overcurrent.enabled: true needs cell.max_discharge_a; state it or leave this out"),
    ],
)  # fmt: skip
def test_limits_that_contradict_the_cell_or_each_other(pack_faults: Any, alarm: str, line: str) -> None:
    assert pack_faults(PACK + CELL + f"[alarm.{alarm}\n") == [line]


@pytest.mark.parametrize(
    ("alarm", "line"),
    [
        ("turn_back]\nmargin = 20", "alarm.turn_back.margin: 20 is not allowed; write a number from 0 to 5"),
        (
            "turn_back]\non_delay_s = -1",
            "alarm.turn_back.on_delay_s: -1 is not allowed; write a number from 0 to 600 s",
        ),
        ("rest_low]\ndeadband = 2", "alarm.rest_low.deadband: 2 is not allowed; write a number from 0 to 1 V"),
    ],
)
def test_a_range_is_told_with_its_unit(pack_faults: Any, alarm: str, line: str) -> None:
    assert pack_faults(PACK + CELL + f"[alarm.{alarm}\n") == [line]


def test_a_default_that_does_not_suit_the_cell_is_named_as_such(pack_faults: Any) -> None:
    """An nmc cell that its maker calls empty at 3.4 V: the default of 3.30 V would come too late."""
    (line,) = pack_faults(PACK + CELL.replace("2.80", "3.40"))
    assert line.startswith("alarm.rest_low.volts: 3.3, the default, is not allowed; write a number from 3.4 ")


def test_a_rule_that_is_off_may_say_what_it_likes(write_file: Any) -> None:
    path = write_file("pack.toml", PACK + CELL + "[alarm.rest_low]\nvolts = 2.7\nenabled = false\n")
    assert not load_pack(path).rules["rest_low"].enabled


def test_every_fault_is_named_in_one_message(pack_faults: Any) -> None:
    lines = pack_faults(
        '[pack]\nseries = 0\nname = "x"\nparallel = 1\nfoo = 1\n[cell]\nchemistry = "x"\ncapacity_ah = 1\n'
        "full_v = 4.2\nempty_v = inf\n[alarm.rest_low]\nvolts = 9\nlatching = 1\n[extra]\n"
    )
    keys = [line.split(":")[0] for line in lines]
    assert sorted(keys) == sorted(
        ["pack.series", "pack.foo", "cell.chemistry", "cell.empty_v", "alarm.rest_low.volts",
         "alarm.rest_low.latching", "extra"]
    )  # fmt: skip


@pytest.mark.parametrize("table", ["pack", "cell", "alarm", "alarm.rest_low"])
def test_a_table_that_is_none_is_said(pack_faults: Any, table: str) -> None:
    outer, _, inner = table.partition(".")
    text = {"pack": CELL, "cell": PACK}.get(outer, PACK + CELL)
    line = f"[{outer}]\n{inner} = 5\n" if inner else ""
    lines = pack_faults((f"{outer} = 5\n" if not inner else "") + text + line)
    assert lines == [f"{table}: 5 is not a table; write [{table}] and its keys below it"]


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"[pack\n", "line 1, column 6: not TOML: Expected ']' at the end of a table declaration"),
        (b'[pack]\nname = "x\n', "line 2, column 10: not TOML: Illegal character '\\n'"),
        (b"[pack]\n\nname = ", "line 3, at the end of the file: not TOML: Invalid value"),
        (b"[pack]\nname = 1\nname = 2\n", "line 3, column 9: not TOML: Cannot overwrite a value"),
        (b"[pack]\nname = \"\xe9\"\n", "line 2, column 9: byte 0xe9 is not UTF-8; save the file as UTF-8"),
        (b"\x00\x01", "line 1, column 1: not TOML: Invalid statement"),
        (b"a = " + b"[" * 100_000, "brackets are nested too deeply; write plain tables"),
        (b"#" * 2_000_000, "larger than 1000000 bytes; this is no file of ours"),
    ],
)  # fmt: skip
def test_files_that_are_no_toml(pack_faults: Any, raw: bytes, line: str) -> None:
    assert pack_faults(raw) == [line]


def test_a_byte_order_mark_and_windows_line_ends_are_fine(write_file: Any) -> None:
    text = ("﻿" + PACK + CELL).replace("\n", "\r\n")
    assert load_pack(write_file("pack.toml", text)).series == 16


def test_numbers_too_large_for_a_float_are_refused(pack_faults: Any) -> None:
    for digits in ("9" * 400, "9" * 5000, "1e400"):
        (line,) = pack_faults(PACK + CELL.replace("4.5", digits))
        assert "cell.capacity_ah" in line or "not TOML" in line
        assert len(line) < 250


def test_what_cannot_be_opened_is_said(tmp_path: Path) -> None:
    for path, words in (
        (tmp_path / "none.toml", "no such file; give the path of a TOML file"),
        (tmp_path, "is a directory; give the path of a TOML file"),
        (Path("/dev/null"), "is no ordinary file; give the path of a TOML file"),
        (tmp_path / ("x" * 300), "cannot be read (File name too long); check the path and the permissions"),
        (Path("a\0b"), "cannot be read"),
    ):
        with pytest.raises(PackError) as caught:
            load_pack(path)
        assert words in str(caught.value)
        assert "\n" not in str(caught.value)


def test_whose_cell_has_no_built_in_curve_is_told_the_way(pack_faults: Any) -> None:
    (line,) = pack_faults(PACK + CELL.replace('"nmc"', '"sodium"'))
    assert line.startswith(
        'cell.chemistry: "sodium" is not allowed; write one of "nmc", "nca", "lipo", "lfp", "measured"'
    )
    assert 'any other, as sodium: "measured" with your own cell.ocv' in line
