"""Rest voltage, resistance and `rest_low` against the truth, beside simpler ways. Law: rides no setting was tuned on.

    python tests/bench/bench_estimation.py [DIR] [--variants] [--worst N] [--json OUT]

Every ride of DIR (by default those of tests/truth/rides, which were never tuned on) goes through the daemon's own
replay, with the sensors' errors that its file says and the pack file of a careful builder: the cell's own curve,
resistance to some tenth, a hidden group not told. Rides that begin at rest make the main table; for the line "started
under load" every ride is met under way, five minutes after it began. `estimate_score` says what each figure means.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import estimators
from estimate_score import Found, Tally, judge
from truth_rides import RIDES, Sensors, Told, Truth, load, measured, pack_of

LOADED_S = 300.0
COLD_C = 10.0


@dataclass(frozen=True)
class Row:
    """One line: its figure, what is required and what is hoped for, and how it is written."""

    label: str
    figure: str
    required: float
    moonshot: float
    scale: float = 1.0
    at_least: bool = False


ROWS = (
    Row("rest RMSE, healthy, mV", "rest_rmse", 10, 5),
    Row("rest 99th percentile, healthy, mV", "rest_p99", 30, 15),
    Row("rest largest error, healthy, mV", "rest_max", 75, 25),
    Row("rest RMSE, hidden -25 % capacity, mV", "rest_weak", 25, 12),
    Row("rest RMSE, worn or resistive, mV", "rest_other", math.nan, math.nan),
    Row("OCV RMSE, mV", "ocv_rmse", 20, 5),
    Row("OCV 99th percentile, mV", "ocv_p99", 45, 15),
    Row("OCV RMSE below 15 % charge, mV", "ocv_low", 35, 10),
    Row("1 s resistance error, %", "resistance", 15, 8, 100),
    Row("false rest_low an hour, healthy", "false", 1, 0),
    Row("the same, however near the limit", "early", math.nan, math.nan),
    Row("false an hour, all other groups", "false_weak", math.nan, math.nan),
    Row("missed rest_low", "missed", 0, 0),
    Row("latest, healthy, s", "late_healthy", 15, 5),
    Row("latest, hidden -25 % capacity, s", "late_weak", 30, 10),
    Row("latest, worn or resistive, s", "late_other", math.nan, math.nan),
    Row("error inside 2 sigma, %", "inside", 85, 90, 100, at_least=True),
    Row("time falsely alarmed, healthy, %", "falsely", 1, 0.2, 100),
    Row("rows with an estimate, %", "known", 95, 99, 100, at_least=True),
)
LOADED_ROWS = (
    Row("started under load: rest RMSE, healthy, mV", "rest_rmse", 25, 12),
    Row("started under load: rest RMSE, hidden, mV", "rest_weak", 50, 25),
    Row("started under load: false rest_low an hour", "false", math.nan, math.nan),
    Row("started under load: missed rest_low", "missed", math.nan, math.nan),
    Row("started under load: inside 2 sigma, %", "inside", math.nan, math.nan, 100),
    Row("started under load: rows with an estimate, %", "known", math.nan, math.nan, 100),
)
VARIANT_FIGURES = (
    "rest_rmse",
    "rest_weak",
    "ocv_rmse",
    "false",
    "missed",
    "late_healthy",
    "late_weak",
    "inside",
    "known",
)
VARIANT_HEADS = ("rest mV", "hidden", "OCV mV", "false/h", "missed", "late s", "hidden", "in 2σ", "known")


@dataclass(frozen=True)
class Variant:
    """What is worse than in the main table."""

    name: str
    sensors: Callable[[Sensors], Sensors] = lambda sensors: sensors
    told: Callable[[Told], Told] = lambda told: told


VARIANTS = (
    Variant("curve 15 mV high", told=lambda told: replace(told, curve_v=0.015)),
    Variant("curve 15 mV low", told=lambda told: replace(told, curve_v=-0.015)),
    Variant("built-in curve", told=lambda told: replace(told, built_in=True)),
    Variant("capacity told 10 % high", told=lambda told: replace(told, capacity=1.1)),
    Variant("capacity told 10 % low", told=lambda told: replace(told, capacity=0.9)),
    Variant("resistance not told", told=lambda told: replace(told, resistance=None)),
    Variant("resistance told half", told=lambda told: replace(told, resistance=0.5)),
    Variant("resistance told 1.5 times", told=lambda told: replace(told, resistance=1.5)),
    Variant("current 2 A high", sensors=lambda sensors: replace(sensors, offset_a=sensors.offset_a + 2.0)),
    Variant("current lost for 60 s", sensors=lambda sensors: replace(sensors, lost_s=60.0)),
    Variant("no current sensor", sensors=lambda sensors: replace(sensors, current=False)),
)


@dataclass
class Report:
    """by_method: of the rides that begin at rest. loaded, cold: ours, met under load. by_variant: ours."""

    by_method: dict[str, Tally] = field(
        default_factory=lambda: {name: Tally() for name in ("plain", "fixed R0", "ours")}
    )
    loaded: Tally = field(default_factory=Tally)
    cold: Tally = field(default_factory=Tally)
    by_variant: dict[str, Tally] = field(default_factory=dict)
    rides: int = 0
    hours: float = 0.0
    took_s: float = 0.0


def ours(truth: Truth, variant: Variant) -> Found:
    """One ride through the daemon."""
    trace = measured(truth, variant.sensors(truth.sensors()))
    return estimators.ours(trace, pack_of(truth, variant.told(truth.told())))


def report(paths: Sequence[Path], variants: Sequence[Variant] = ()) -> Report:
    """All rides through all ways."""
    start, made, plainly = time.monotonic(), Report(), Variant("as told")
    for path in paths:
        truth = load(path)
        made.rides, made.hours = made.rides + 1, made.hours + truth.rows / 36000
        if not truth.loaded:
            _at_rest(made, truth, variants)
        late = truth if truth.loaded else truth.from_load(LOADED_S)
        if len(late.rest_row) > 6:
            judged = judge(late, ours(late, plainly), truth.limit_v)
            made.loaded.add(judged)
            if truth.about["ambient_c"] <= COLD_C:
                made.cold.add(judged)
    made.took_s = time.monotonic() - start
    return made


def _at_rest(made: Report, truth: Truth, variants: Sequence[Variant]) -> None:
    trace = measured(truth, truth.sensors())
    found = {
        "plain": estimators.plain(trace, truth.limit_v),
        "fixed R0": estimators.fixed_r0(trace, truth, truth.limit_v),
        "ours": ours(truth, Variant("as told")),
    }
    for name, one in found.items():
        made.by_method[name].add(judge(truth, one, truth.limit_v))
    for variant in variants:
        tally = made.by_variant.setdefault(variant.name, Tally())
        tally.add(judge(truth, ours(truth, variant), truth.limit_v))


def table(made: Report, worst: int = 0) -> list[str]:
    """For people."""
    figures = {name: tally.figures() for name, tally in made.by_method.items()}
    lines = [f"{made.rides} rides, {made.hours:.1f} h, judged in {made.took_s:.0f} s", ""]
    lines.append(f"{'':44}{'required':>9}{'moonshot':>9}{'plain':>9}{'fixed R0':>9}{'ours':>9}")
    for row in ROWS:
        cells = "".join(f"{_figure(one[row.figure] * row.scale):>9}" for one in figures.values())
        lines.append(f"{_head(row)}{cells}  {_verdict(row, figures['ours'])}")
    for tally, cold in ((made.loaded, ""), (made.cold, f", {COLD_C:.0f} degC or colder")):
        for row in LOADED_ROWS if tally.groups else ():
            of = tally.figures()
            head = _head(replace(row, label=row.label + cold)) if not cold else f"{row.label + cold:66}"
            cell = _figure(of[row.figure] * row.scale)
            lines.append(f"{head}{'':{0 if cold else 18}}{cell:>{5 if cold else 9}}  {_verdict(row, of)}")
    return [*lines, *_variant_lines(made, figures["ours"]), *_worst_lines(made, worst)]


def _head(row: Row) -> str:
    return f"{row.label:44}{_figure(row.required):>9}{_figure(row.moonshot):>9}"


def _verdict(row: Row, figures: dict[str, float]) -> str:
    value = figures[row.figure] * row.scale
    if math.isnan(row.required) or math.isnan(value):
        return ""
    sign = -1 if row.at_least else 1
    if sign * value <= sign * row.moonshot:
        return "moonshot"
    return "holds" if sign * value <= sign * row.required else "NOT REACHED"


def _variant_lines(made: Report, ours_now: dict[str, float]) -> list[str]:
    if not made.by_variant:
        return []
    rows = {"as told": ours_now} | {name: tally.figures() for name, tally in made.by_variant.items()}
    lines = ["", f"{'variants of ours':28}" + "".join(f"{head:>9}" for head in VARIANT_HEADS)]
    for name, of in rows.items():
        cells = (of[figure] * (100 if figure in ("inside", "known") else 1) for figure in VARIANT_FIGURES)
        lines.append(f"{name:28}" + "".join(f"{_figure(cell):>9}" for cell in cells))
    return lines


def _worst_lines(made: Report, count: int) -> list[str]:
    """The rides to look at first."""
    by_ride: dict[str, Tally] = {}
    for group in made.by_method["ours"].groups:
        by_ride.setdefault(group.ride, Tally()).add([group])
    lines: list[str] = []
    for figure in ("rest_rmse", "rest_weak", "ocv_rmse", "early", "false_weak", "missed", "late_healthy", "late_weak"):
        ranked = [(tally.figures()[figure], name) for name, tally in by_ride.items()]
        first = sorted(((v, name) for v, name in ranked if not math.isnan(v) and v > 0), reverse=True)[:count]
        if first:
            lines.append(f"worst {figure}: " + ", ".join(f"{name} {_figure(v)}" for v, name in first))
    return ["", *lines] if lines else []


def _figure(value: float) -> str:
    if math.isnan(value):
        return "–"
    return f"{value:.0f}" if abs(value) >= 100 or value == round(value) else f"{value:.1f}"


def document(made: Report) -> dict[str, Any]:
    """For programs; unknown is None."""

    def of(tally: Tally) -> dict[str, float | None]:
        return {key: None if math.isnan(value) else float(value) for key, value in tally.figures().items()}

    tallies = made.by_method | {"loaded": made.loaded, "loaded_cold": made.cold} | made.by_variant
    return {"rides": made.rides, "hours": made.hours} | {name: of(tally) for name, tally in tallies.items()}


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=RIDES, metavar="DIR")
    parser.add_argument("--variants", action="store_true", help="the variants too: twelve times the work")
    parser.add_argument("--worst", type=int, default=5, help="how many rides to name for each figure")
    parser.add_argument("--json", type=Path, metavar="OUT", help="write the figures here as well")
    args = parser.parse_args()
    paths = sorted(args.folder.glob("*.npz"))
    if not paths:
        parser.error(f"{args.folder}: holds no rides (*.npz); make some with tests/truth/make.py")
    made = report(paths, VARIANTS if args.variants else ())
    print("\n".join(table(made, args.worst)))
    if args.json is not None:
        args.json.write_text(json.dumps(document(made), indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
