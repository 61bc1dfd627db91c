"""Readings and estimates as tables of the wire's integers. Law: a whole multiple of a step survives exactly.

Samples keep the wire's steps: 0.5 mV, 1 mA, 0.01 degC, 1 cm, microseconds. Estimates are kept at steps finer than
their own uncertainty: 0.5 mV for voltages and sigma, 0.01 mOhm, 0.001 of charge. NaN and infinity become invalid.
Times are microseconds from the ride's first sample. Levels (`levels`) have the blocks of their source with the lowest
values, and behind them all but the time once more with the highest.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from sagwise_daemon.domain.model import (
    CURRENT_STEP_A,
    DISTANCE_STEP_M,
    TEMPERATURE_STEP_C,
    VOLTAGE_STEP_V,
    Estimate,
    Floats,
    Reading,
)
from sagwise_daemon.io.store.codec import Block, Bools, CodecError, Ints, decode, encode

SAMPLES, ESTIMATES = 1, 2
FINE, COARSE, COARSE_ESTIMATES = 3, 4, 5
LEVELS = (FINE, COARSE, COARSE_ESTIMATES)
RECORDED = {SAMPLES: SAMPLES, FINE: SAMPLES, COARSE: SAMPLES, ESTIMATES: ESTIMATES, COARSE_ESTIMATES: ESTIMATES}
SPAN_US = {FINE: 2_000_000, COARSE: 16_000_000, COARSE_ESTIMATES: 64_000_000}

TIME, CLOCK, BOOT, CURRENT, DISTANCE, TEMPERATURE, GROUP = range(7)
REST, SIGMA, OCV, RESISTANCE, SOC = range(1, 6)

# Steps a unit: dividing by a whole number is exact where multiplying by 0.0005 is not.
_VOLT_STEPS = round(1 / VOLTAGE_STEP_V)
STEPS: dict[int, dict[int, int]] = {
    SAMPLES: {
        TIME: 1_000_000,
        CURRENT: round(1 / CURRENT_STEP_A),
        DISTANCE: round(1 / DISTANCE_STEP_M),
        TEMPERATURE: round(1 / TEMPERATURE_STEP_C),
        GROUP: _VOLT_STEPS,
    },
    ESTIMATES: {
        TIME: 1_000_000,
        REST: _VOLT_STEPS,
        SIGMA: _VOLT_STEPS,
        OCV: _VOLT_STEPS,
        RESISTANCE: 100,
        SOC: 1000,
    },
}
STEPS |= {FINE: STEPS[SAMPLES], COARSE: STEPS[SAMPLES], COARSE_ESTIMATES: STEPS[ESTIMATES]}
BLOCKS = {SAMPLES: 7, FINE: 13, COARSE: 13, ESTIMATES: 6, COARSE_ESTIMATES: 11}
_INT_MAX = float(1 << 62)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Blocks of one kind with equal rows. `None` stands for a block that was not asked for."""

    kind: int
    blocks: tuple[Block | None, ...]

    @property
    def time_us(self) -> Ints:
        """(rows,) microseconds from the ride's first sample."""
        time_us: Ints = self.block(TIME).values[0]
        return time_us

    @property
    def rows(self) -> int:
        """How many samples."""
        return int(self.time_us.size)

    def block(self, index: int) -> Block:
        """A block that was decoded; asking for one that was left out is a mistake of the caller."""
        block = self.blocks[index]
        if block is None:
            raise CodecError(f"block {index} was not decoded")
        return block

    def pair(self, index: int) -> tuple[Block, Block]:
        """A block's lowest and highest values: two blocks of a level, twice the same of what was recorded."""
        block = self.block(index)
        return (block, self.block(highest(self.kind, index))) if self.kind in SPAN_US else (block, block)

    def floats(self, index: int) -> Floats:
        """(columns, rows) in SI units (resistance in mOhm), NaN where invalid."""
        return self._in_units(index, self.block(index))

    def highest_floats(self, index: int) -> Floats:
        """The same of a level's highest values, by the block of the lowest."""
        return self._in_units(index, self.block(highest(self.kind, index)))

    def _in_units(self, index: int, block: Block) -> Floats:
        return np.where(block.valid, block.values / STEPS[self.kind][index], np.nan)

    def rows_at(self, rows: Sequence[int]) -> Table:
        """Some of the rows."""
        chosen = list(rows)
        blocks = (self.block(index) for index in range(len(self.blocks)))
        return Table(self.kind, tuple(Block(b.values[:, chosen], b.valid[:, chosen], b.clock) for b in blocks))

    def to_bytes(self) -> bytes:
        """The chunk to store."""
        return encode(self.kind, [self.block(index) for index in range(len(self.blocks))])


def highest(kind: int, index: int) -> int:
    """Where a level has the highest values of a block."""
    return index + BLOCKS[RECORDED[kind]] - 1


def from_bytes(blob: bytes, wanted: Collection[int] | None = None) -> Table:
    """A stored chunk. `wanted`: block numbers to decode, all by default; the time always is. Raises CodecError."""
    kind, blocks = decode(blob, None if wanted is None else {TIME, *wanted})
    if len(blocks) != BLOCKS.get(kind):
        raise CodecError(f"chunk of kind {kind} with {len(blocks)} blocks is unknown")
    return Table(kind, tuple(blocks))


def join(tables: Sequence[Table]) -> Table:
    """Tables one after another in time. One may have fewer temperature sensors: missing ones are invalid."""
    kind = tables[0].kind
    return Table(kind, tuple(_join([table.block(i) for table in tables]) for i in range(len(tables[0].blocks))))


def _join(blocks: Sequence[Block]) -> Block:
    columns = max(block.values.shape[0] for block in blocks)
    padded = [_pad(block, columns) for block in blocks]
    values = np.concatenate([block.values for block in padded], axis=1)
    return Block(values, np.concatenate([block.valid for block in padded], axis=1), blocks[0].clock)


def _pad(block: Block, columns: int) -> Block:
    missing = ((0, columns - block.values.shape[0]), (0, 0))
    if not missing[0][1]:
        return block
    return Block(np.pad(block.values, missing), np.pad(block.valid, missing), block.clock)


def unsigned(value: int) -> int:
    """A stored signed 64-bit integer as the wire's unsigned one."""
    return int(value) % (1 << 64)


def signed(value: int) -> int:
    """The wire's unsigned 64-bit integer as one that SQLite and the chunks can hold."""
    value = int(value) % (1 << 64)
    return value - (1 << 64) if value >> 63 else value


def samples(readings: Sequence[Reading], time_us: Ints) -> Table:
    """Readings, at least one, as a table. time_us: (readings,) from the ride's first sample.

    Every reading has the same number of groups; the number of temperatures may differ.
    """
    sensors = max(reading.temperature_c.size for reading in readings)
    celsius = np.full((len(readings), sensors), np.nan)
    for row, reading in zip(celsius, readings, strict=True):
        row[: reading.temperature_c.size] = reading.temperature_c
    uptime = np.array([signed(reading.uptime_us) for reading in readings], np.int64)
    scalars = np.array([(reading.current_a, reading.distance_m) for reading in readings])
    return Table(
        SAMPLES,
        (
            _exact(time_us, clock=True),
            _exact(uptime - time_us),  # differs only where a boot or the core's clock began
            _exact(np.array([signed(reading.boot_id) for reading in readings], np.int64)),
            _steps(scalars[:, :1], SAMPLES, CURRENT),
            _steps(scalars[:, 1:], SAMPLES, DISTANCE),
            _steps(celsius, SAMPLES, TEMPERATURE),
            _steps(np.stack([reading.group_v for reading in readings]), SAMPLES, GROUP),
        ),
    )


def estimates(made: Sequence[Estimate], time_us: Ints) -> Table:
    """Estimates, at least one, as a table; time_us as in `samples`."""
    rows = {
        REST: [estimate.rest_v for estimate in made],
        SIGMA: [estimate.rest_sigma_v for estimate in made],
        OCV: [estimate.ocv_v for estimate in made],
        RESISTANCE: [estimate.resistance_mohm for estimate in made],
        SOC: [estimate.soc for estimate in made],
    }
    blocks = (_steps(np.stack(rows[index]), ESTIMATES, index) for index in sorted(rows))
    return Table(ESTIMATES, (_exact(time_us, clock=True), *blocks))


def _exact(values: Ints, clock: bool = False) -> Block:
    return Block(values[None], np.ones((1, values.size), np.bool_), clock)


def _steps(values: Floats, kind: int, index: int) -> Block:
    """(rows, columns) floats as (columns, rows) whole steps."""
    scaled = np.rint(values.T * STEPS[kind][index])
    valid: Bools = np.abs(scaled) < _INT_MAX  # false for NaN
    return Block(np.where(valid, scaled, 0).astype(np.int64), valid)
