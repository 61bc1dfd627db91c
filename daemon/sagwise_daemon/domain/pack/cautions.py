"""What is allowed in a pack and should still make its builder look twice. Law: a caution names its key, what can happen
and what to do; it changes nothing, and the makers' limits come before any figure here.

Figures are common practice, no published source, unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from sagwise_daemon.domain.model import Pack, Priority
from sagwise_daemon.domain.pack.chemistry import MEASURED

# The usual limit of touch for direct current: ISO 6469-3, upper end of voltage class A (from memory).
TOUCH_V = 60.0
NEAR_FLOOR_V = 0.10
OVER_FULL_V = 0.10
CURVE_ENDS_V = 0.06  # LFP is charged to 3.65 V, and its curve ends at 3.60: up there 0.05 V is no charge
CURVE_MISSES = 0.05  # of the charge, at either end of a measured curve
# What most makers state as empty and full.
USUAL_V: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"nmc": (2.5, 4.20), "nca": (2.5, 4.20), "lipo": (3.0, 4.20), "lfp": (2.0, 3.65)}
)
SAG_AT_1C_V = (0.005, 0.5)  # 1 s resistance times capacity: small power cells have 0.02 V, tired ones in frost 0.3
MOST_C = 100.0
MOST_AH = 500.0  # of one cell; the commonest 18650 is 1500 to 3500 mAh
LONGEST_DELAY_S = 10.0
LONGEST_SILENCE_S = 5.0

GUARDS: Mapping[str, str] = MappingProxyType(
    {
        "rest_low": "nothing warns of an empty group before the floor",
        "loaded_floor": "nothing is left that an estimate cannot silence",
        "overvoltage": "nothing warns of a cell over full, which can catch fire",
        "temperature_high": "nothing warns of a hot pack, which can run away",
        "charge_cold": "nothing warns of charging in frost, which harms cells for good",
        "link_lost": "nothing says that the board is silent, and a silent board warns of nothing",
    }
)
# Rule, which side of the figure is beyond, and the figure: makers' data sheets of usual cells, some allow less.
TEMPERATURES = (("temperature_high", 1, 60.0), ("temperature_low", -1, -20.0), ("charge_cold", -1, 0.0))


def cautions(pack: Pack) -> tuple[str, ...]:
    """One sentence or two each, the gravest first; none for a pack of which nothing is to be said."""
    return (
        *_shock(pack),
        *_switched_off(pack),
        *_ends(pack),
        *_limits(pack),
        *_late(pack),
        *_cell(pack),
        *_curve(pack),
    )


def _shock(pack: Pack) -> Iterator[str]:
    full_v = pack.series * pack.cell.full_v
    if full_v > TOUCH_V:
        yield (
            f"{pack.series} groups of {pack.cell.full_v:.2f} V are {full_v:.1f} V: above {TOUCH_V:g} V d.c. a pack is "
            "dangerous to touch. Work on it split into parts below that."
        )


def _switched_off(pack: Pack) -> Iterator[str]:
    for name, what in GUARDS.items():
        if name in pack.rules and not pack.rules[name].enabled:
            yield f"alarm.{name} is switched off: {what}. Leave it on."


def _ends(pack: Pack) -> Iterator[str]:
    cell = pack.cell
    empty_v, full_v = USUAL_V.get(cell.chemistry, (cell.empty_v, cell.full_v))
    if cell.full_v > full_v + 1e-9:
        yield (
            f"cell.full_v, {cell.full_v:g} V, is above the {full_v:.2f} V of usual {cell.chemistry} cells: unless its "
            "maker states that, it is overcharged before anything sounds, and can catch fire."
        )
    if cell.empty_v < empty_v - 1e-9:
        yield (
            f"cell.empty_v, {cell.empty_v:g} V, is below the {empty_v:g} V of usual {cell.chemistry} cells: unless its "
            "maker states that, it is harmed for good before the floor sounds."
        )


def _limits(pack: Pack) -> Iterator[str]:
    empty_v, full_v = pack.cell.empty_v, pack.cell.full_v
    floor_v, rest_v, over_v = (_limit(pack, name) for name in ("loaded_floor", "rest_low", "overvoltage"))
    if floor_v is not None and floor_v < empty_v:
        yield (
            f"alarm.loaded_floor.volts, {floor_v:g} V, is below cell.empty_v, {empty_v:g} V: below what the maker "
            "calls empty a cell is harmed for good. Take the maker's figure."
        )
    if rest_v is not None and rest_v < empty_v + NEAR_FLOOR_V - 1e-9:
        yield (
            f"alarm.rest_low.volts, {rest_v:g} V, is hardly above empty, {empty_v:g} V: the warning comes when there "
            "is nothing left to ride home on. Take a higher one."
        )
    if over_v is not None and over_v > full_v + OVER_FULL_V + 1e-9:
        yield (
            f"alarm.overvoltage.volts, {over_v:g} V, is far above cell.full_v, {full_v:g} V: over full a cell can "
            "catch fire before anything sounds. Take a few hundredths of a volt above full."
        )
    for name, side, maker_c in TEMPERATURES:
        limit_c = _limit(pack, name)
        if limit_c is not None and side * limit_c > side * maker_c:
            yield (
                f"alarm.{name}.celsius, {limit_c:g} °C, lies beyond the {maker_c:g} °C that makers of usual cells "
                "allow. Go no further than your cell's data sheet."
            )


def _late(pack: Pack) -> Iterator[str]:
    for name in GUARDS:
        rule = pack.rules.get(name)
        if rule is not None and rule.enabled and rule.on_delay_s > LONGEST_DELAY_S and rule.priority is Priority.HIGH:
            yield f"alarm.{name}.on_delay_s, {rule.on_delay_s:g} s, is long: the harm is done before it sounds."
    silent_s = _limit(pack, "link_lost")
    if silent_s is not None and silent_s > LONGEST_SILENCE_S:
        yield f"alarm.link_lost.seconds, {silent_s:g} s, is long: so long nothing is watched and nobody told."


def _cell(pack: Pack) -> Iterator[str]:
    cell = pack.cell
    if cell.capacity_ah > MOST_AH:
        yield (
            f"cell.capacity_ah, {cell.capacity_ah:g} Ah, is very much for one cell: if those are mAh, write "
            f"{cell.capacity_ah / 1000:g}."
        )
    sag_v = None if cell.resistance_mohm is None else cell.resistance_mohm / 1000.0 * cell.capacity_ah
    if sag_v is not None and not SAG_AT_1C_V[0] <= sag_v <= SAG_AT_1C_V[1]:
        yield (
            f"cell.resistance_mohm, {cell.resistance_mohm:g} mΩ, would let the cell sag {1000 * sag_v:.3g} mV at 1C, "
            "which no usual cell does: it is of one cell, after 1 s, in mΩ. Leave it out if you do not know it."
        )
    if cell.max_discharge_a is None:
        yield (
            "cell.max_discharge_a is not stated, so nothing warns of too high a current: write what the maker allows "
            "one cell continuously."
        )
    elif cell.max_discharge_a > MOST_C * cell.capacity_ah:
        yield (
            f"cell.max_discharge_a, {cell.max_discharge_a:g} A, is over {MOST_C:g} times the capacity: it is of one "
            "cell, continuously, not a burst."
        )


def _curve(pack: Pack) -> Iterator[str]:
    cell = pack.cell
    if cell.chemistry != MEASURED:
        ends_v = float(cell.ocv_v[-1])
        if cell.full_v > ends_v + CURVE_ENDS_V:
            yield (
                f"cell.full_v, {cell.full_v:g} V, lies above the {ends_v:.2f} V at which the curve of {cell.chemistry} "
                f'ends, so charge and energy are told wrong: measure the curve (chemistry = "{MEASURED}").'
            )
        return
    first, last = float(cell.ocv_soc[0]), float(cell.ocv_soc[-1])
    if first > CURVE_MISSES or last < 1.0 - CURVE_MISSES:
        yield (
            f"cell.ocv goes from {100 * first:.0f} to {100 * last:.0f} % of the charge: beyond that rest voltage, "
            "charge and energy are guessed. Measure the rest of the curve."
        )


def _limit(pack: Pack, rule: str) -> float | None:
    """The limit of a rule that is in use."""
    settings = pack.rules.get(rule)
    return settings.limit if settings is not None and settings.enabled else None
