"""An import says what can hardly be a ride of its pack, stores it all the same and tells the way back."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sagwise_daemon.__main__ import main
from sagwise_daemon.config.pack import BUILT_IN
from sagwise_daemon.io.trace import Trace, write_trace


@pytest.fixture
def turned(tmp_path: Path) -> Path:
    """A minute and a half of pulls of Wren, 50 Ah and 1.2 mOhm a group, with the current's sign turned."""
    current = np.repeat(np.tile([0.0, 40.0, 10.0, 90.0], 30), 8)
    group_v = np.repeat((3.28 - 0.0012 * current)[:, None], 16, axis=1)
    trace = Trace(np.arange(len(current)) / 10.0, group_v, -current, np.full((len(current), 1), 20.0), None)
    write_trace(tmp_path / "ride.csv", trace)
    return tmp_path / "ride.csv"


@pytest.mark.slow
def test_a_turned_sign_is_said_with_the_way_back(
    turned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = ["import", str(turned), "--store", str(tmp_path / "rides.sqlite"), "--pack", str(BUILT_IN / "wren.toml")]
    assert main(wanted) == 0
    out = capsys.readouterr().out
    assert "ride.csv: ride 1, 960 rows" in out or "ride.csv: charge 1, 960 rows" in out
    assert "doubtful: the voltages rise with the current, so its sign is turned" in out
    assert "`rides 1 --delete`" in out
    assert main([*wanted, "--again", "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["rides"]
    assert len(told["doubts"]) == 1
