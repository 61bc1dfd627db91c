"""The table of the estimation bench: its verdicts, and one ride through all three ways."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import pytest
from truth_rides import RIDES


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    path = Path(__file__).parent / "bench_estimation.py"
    spec = importlib.util.spec_from_file_location("bench_estimation", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_estimation"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("value", "at_least", "verdict"),
    [
        (4.9, False, "moonshot"),
        (9.9, False, "holds"),
        (10.1, False, "NOT REACHED"),
        (math.nan, False, ""),
        (10.1, True, "holds"),
        (9.9, True, "NOT REACHED"),
    ],
)
def test_verdict(bench: ModuleType, value: float, at_least: bool, verdict: str) -> None:
    row = bench.Row("a figure", "it", 10, 99 if at_least else 5, at_least=at_least)
    assert bench._verdict(row, {"it": value}) == verdict


@pytest.mark.slow
def test_a_ride_through_all_ways(bench: ModuleType) -> None:
    """The plain threshold must be worse than ours on any ride, or the bench compares nothing."""
    made = bench.report([RIDES / "mohtat2020_9100.npz"], bench.VARIANTS[:1])
    figures = {name: tally.figures() for name, tally in made.by_method.items()}
    assert figures["ours"]["rest_rmse"] < figures["fixed R0"]["rest_rmse"] < figures["plain"]["rest_rmse"]
    assert made.by_variant["curve 15 mV high"].figures()["rest_rmse"] > 0
    text = "\n".join(bench.table(made, 1))
    assert "rest RMSE, healthy, mV" in text
    assert "curve 15 mV high" in text
    assert "nan" not in text
