"""Unusable input at the command line. Law: status 2, one clear line that names the file and the place, no traceback."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from daemon_process import PACK, SAGWISE

GOOD_PACK = PACK.format(name="Otter", series=2, extra="")
GOOD_TRACE = "time_s,group_01_v,group_02_v,current_a\n0.0,4.0,4.0,0.0\n0.1,4.0,4.0,0.0\n"
GOOD_CONFIG = '[bike]\nname = "otter"\npack = "pack.toml"\n[serial]\ndevice = "/dev/null"\n[store]\npath = "r.sqlite"\n'

TRACES = {
    "empty": ("", "bad.csv"),
    "header only": ("time_s,group_01_v,group_02_v\n", "bad.csv"),
    "no time": ("group_01_v,group_02_v\n4,4\n", "time_s"),
    "unknown column": (GOOD_TRACE.replace("current_a", "power_w"), "power_w"),
    "hole in the numbering": (GOOD_TRACE.replace("group_02_v", "group_03_v"), "group_0"),
    "not a number": (GOOD_TRACE.replace("0.1,4.0", "0.1,four"), "line 3, column"),
    "time stands still": (GOOD_TRACE.replace("0.1,", "0.0,"), "line 3, column"),
    "infinite time": (GOOD_TRACE.replace("0.1,", "inf,"), "line 3, column"),
    "ragged row": (GOOD_TRACE + "0.2,4.0\n", "line 4, column"),
    "other pack": (GOOD_TRACE.replace("group_02_v,", "").replace("4.0,4.0", "4.0"), "the pack 2"),
}
PACKS = {
    "not TOML": ("[pack\n", "pack.toml"),
    "series out of range": (GOOD_PACK.replace("series = 2", "series = 0"), "pack.series"),
    "series no whole number": (GOOD_PACK.replace("series = 2", 'series = "2"'), "pack.series"),
    "unknown chemistry": (GOOD_PACK.replace('"nmc"', '"potato"'), "cell.chemistry"),
    "unknown key": (GOOD_PACK.replace("[cell]", "[cell]\ncolour = 1"), "cell.colour"),
    "empty above full": (GOOD_PACK.replace("empty_v = 2.80", "empty_v = 4.30"), "empty_v"),
    "unknown rule": (GOOD_PACK + "[alarm.rest_high]\nvolts = 3\n", "alarm.rest_high"),
    "rule with a wrong key": (GOOD_PACK + "[alarm.rest_low]\ncelsius = 3\n", "alarm.rest_low"),
    "falling curve": (
        GOOD_PACK.replace('"nmc"', '"measured"') + "ocv = [[0.0, 4.0], [1.0, 3.0]]\n",
        "cell.ocv",
    ),
}
CONFIGS = {
    "no such file": (None, "bike.toml"),
    "no pack": (GOOD_CONFIG.replace('pack = "pack.toml"', ""), "bike.pack"),
    "port out of range": (GOOD_CONFIG + "[page]\nport = 99999\n", "page.port"),
    "open to all without a code": (GOOD_CONFIG + '[page]\nhost = "0.0.0.0"\n', "page.pairing_code"),
    "unknown section": (GOOD_CONFIG + "[sound]\nloud = true\n", "sound"),
}


def refused(*arguments: str) -> str:
    """Run the program; it must refuse with status 2 and no traceback. Returns what it said."""
    done = subprocess.run([*SAGWISE, *arguments], check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    return lines[0]


@pytest.mark.slow
@pytest.mark.parametrize("case", TRACES)
def test_a_malformed_trace(case: str, tmp_path: Path) -> None:
    text, place = TRACES[case]
    (tmp_path / "bad.csv").write_text(text)
    (tmp_path / "pack.toml").write_text(GOOD_PACK)
    line = refused("replay", str(tmp_path / "bad.csv"), "--pack", str(tmp_path / "pack.toml"), "--json")
    assert place in line
    assert "bad.csv" in line


@pytest.mark.slow
@pytest.mark.parametrize("case", PACKS)
def test_a_malformed_pack(case: str, tmp_path: Path) -> None:
    text, place = PACKS[case]
    (tmp_path / "trace.csv").write_text(GOOD_TRACE)
    (tmp_path / "pack.toml").write_text(text)
    line = refused("replay", str(tmp_path / "trace.csv"), "--pack", str(tmp_path / "pack.toml"))
    assert place in line
    assert "pack.toml" in line


@pytest.mark.slow
@pytest.mark.parametrize("case", CONFIGS)
def test_a_malformed_configuration(case: str, tmp_path: Path) -> None:
    text, place = CONFIGS[case]
    (tmp_path / "pack.toml").write_text(GOOD_PACK)
    if text is not None:
        (tmp_path / "bike.toml").write_text(text)
    line = refused("run", "--config", str(tmp_path / "bike.toml"))
    assert place in line
    assert "bike.toml" in line
    assert not (tmp_path / "r.sqlite").exists()


@pytest.mark.slow
@pytest.mark.parametrize("words", [["ride"], [], ["replay"], ["replay", "x.csv", "--pack"], ["run", "--colour"]])
def test_unusable_words(words: list[str]) -> None:
    refused(*words)
