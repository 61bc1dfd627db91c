"""What one who knows the cells whole could say of the energy left. Law: checked where it can be reckoned by hand: at a
small current a cell rests at its curve, so the reserve comes by counting charge and the energy is charge times curve.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

SCRIPT = """
import json, sys
sys.path.insert(0, {folder!r})
import numpy as np
from cell import Cell
from known_cell import Pack, ridden
from riding import STEP_S, Group, Plan
rate, own_r, extra_r = 0.1, 0.02, 0.4
c = np.full(round(0.04 / rate * 3600 / STEP_S), rate)
plan = Plan("Mohtat2020", 1)
members = [Group("healthy", 1.0, 0.0, 0.12), Group("resistive", 1.0, extra_r, 0.12)]
drawn, end = ridden(Pack(plan, members, own_r, 0, 1.0), c, 0)
cell = Cell(plan.parameters, plan.model, c[:2], plan.ambient_c)
soc = np.linspace(0.10, 0.12, 50)
with open(sys.argv[1], "w") as out:
    json.dump({{
        "soc_at_end": 0.12 - rate * end * STEP_S / 3600,
        "wh": float(np.interp(end, np.arange(len(drawn)), drawn)),
        "ah": rate * cell.capacity_ah * end * STEP_S / 3600,
        "curve_v": float(np.interp(soc, cell.curve_soc, cell.curve_v).mean()),
        "extra_v": extra_r * own_r * rate * cell.capacity_ah,
    }}, out)
"""


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_the_reserve_and_the_energy_to_it_at_a_small_current(truth_python: Callable[..., None], tmp_path: Path) -> None:
    script, out = tmp_path / "steady.py", tmp_path / "out.json"
    script.write_text(SCRIPT.format(folder=str(Path(__file__).resolve().parent)), encoding="utf-8")
    truth_python(str(script), out)
    told = json.loads(out.read_text(encoding="utf-8"))
    assert told["soc_at_end"] == pytest.approx(0.10, abs=0.003), "rest is at the curve's 10 %"
    by_hand_wh = told["ah"] * (2 * told["curve_v"] - told["extra_v"])
    assert told["wh"] == pytest.approx(by_hand_wh, rel=0.02)
    assert told["wh"] < by_hand_wh, "a load is paid for"
