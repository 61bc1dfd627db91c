"""Where the cautions of a pack are said: in the log at the start, and by the doctor."""

from __future__ import annotations

import json
import logging
import shutil
from pathlib import Path

import pytest

from sagwise_daemon.__main__ import main
from sagwise_daemon.config.pack import BUILT_IN, built_in_pack
from sagwise_daemon.garage import Garage
from sagwise_daemon.run import caution

BIKE = """[bike]
name = "otter"
pack = "otter.toml"
[serial]
device = "/dev/null"
[store]
path = "rides.sqlite"
"""


def test_the_log_says_them_with_the_packs_name(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        caution(built_in_pack("wren")[1])
        assert caplog.messages == []
        caution(built_in_pack("otter")[1])
    (said,) = caplog.messages
    assert said.startswith("Otter 16s5p, a caution: 16 groups of 4.20 V are 67.2 V")


def test_the_doctor_says_them_of_the_pack_as_it_was_changed_and_calls_them_no_fault(
    tmp_path: Path, empty_store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bike.toml").write_text(BIKE, encoding="utf-8")
    pack = Path(shutil.copy(BUILT_IN / "otter.toml", tmp_path))
    shutil.copy(empty_store, tmp_path / "rides.sqlite")
    Garage(pack, tmp_path / "settings.jsonl", lambda: 1.8e9).change(
        "Otter 16s5p", "overvoltage", {"volts": 4.6}, "a phone"
    )
    assert main(["doctor", "--config", str(tmp_path / "bike.toml")]) == 0
    out = capsys.readouterr().out
    assert "caution: Otter 16s5p: 16 groups of 4.20 V are 67.2 V" in out
    assert "caution: Otter 16s5p: alarm.overvoltage.volts, 4.6 V, is far above" in out
    assert "nothing is wrong" in out, "with the store"
    assert main(["doctor", "--config", str(tmp_path / "bike.toml"), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["cautions"]) == 2
    assert main(["doctor", "--data", str(tmp_path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cautions"] == [], "without a configuration no pack is known"
