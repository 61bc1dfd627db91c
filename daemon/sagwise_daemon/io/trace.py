"""Trace CSV, read and written. Law: a file is taken whole or refused whole, with file, line and column.

UTF-8 (a byte order mark is passed over), RFC 4180, one header row, SI units. Columns in any order: `time_s`;
`group_01_v` … without gaps in the numbering; optional `current_a`, `temperature_1_c` …, `distance_m`. A blank
field is an invalid reading. The reader keeps one piece at a time beside the numbers themselves, so that a trace of
hours fits a small computer. Lines of plain decimals are read many at once; where there is anything else, row by row;
and only a row that fails is looked at field by field.
"""

from __future__ import annotations

import csv
import math
import os
import re
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NoReturn, TextIO

import numpy as np

from sagwise_daemon.domain.model import Floats, Readings
from sagwise_daemon.errors import TraceError
from sagwise_daemon.io.decimals import plain_rows

MAX_LINE_BYTES = 65536
PIECE_BYTES = 65536  # read ahead at once
STEP_ROWS = 2000
MAX_GROUPS = 48
MAX_TEMPERATURES = 16

# Decimals written: volts, current, temperature and distance no coarser than the wire's steps, time to its µs.
TIME_FORMAT, VOLTS_FORMAT, CURRENT_FORMAT, TEMPERATURE_FORMAT, DISTANCE_FORMAT = (
    "%.6f",
    "%.4f",
    "%.3f",
    "%.2f",
    "%.2f",
)

Step = Callable[[int, int], None]

GROUP = re.compile(r"group_(0[1-9]|[1-9][0-9]+)_v")
TEMPERATURE = re.compile(r"temperature_([1-9][0-9]*)_c")
KNOWN = "time_s, group_01_v …, current_a, temperature_1_c …, distance_m"

# What the wire can carry, which is what can be stored: beyond it a value is in another unit or not a reading.
VOLTS_RANGE = (-16.384, 16.3835)
CURRENT_RANGE = (-2147483.648, 2147483.647)
TEMPERATURE_RANGE = (-327.68, 327.67)
DISTANCE_RANGE = (0.0, 42949672.95)
TIME_RANGE = (-1e12, 1e12)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A recorded ride; NaN is an invalid reading.

    time_s: (rows,), strictly increasing. group_v: (rows, groups). current_a, distance_m: (rows,), None where the
    file has no such column. temperature_c: (rows, sensors), with no sensors (rows, 0).
    """

    time_s: Floats
    group_v: Floats
    current_a: Floats | None
    temperature_c: Floats
    distance_m: Floats | None

    @property
    def groups(self) -> int:
        return int(self.group_v.shape[1])

    def readings(self) -> Readings:
        """The rows as the core takes them."""
        nothing = np.full(len(self.time_s), np.nan)
        return Readings(
            self.time_s,
            self.group_v,
            nothing if self.current_a is None else self.current_a,
            self.temperature_c,
            nothing if self.distance_m is None else self.distance_m,
        )


def read_trace(path: Path, series: int | None) -> Trace:
    """Read a whole trace. series: the groups it must have, None for any.

    Raises TraceError, one line with file, line and column, where the file cannot be read or is malformed.
    """
    try:
        with path.open("rb") as file:
            return _Reader(path, file).read(series)
    except OSError as error:
        raise TraceError(f"{path}: cannot be read ({error.strerror or error}); give the path of a trace CSV") from None


class _Reader:
    """One pass over one file."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self._path = path
        self._file = file
        self._line = 0
        self._text = ""
        self._columns: list[str] = []
        self._spanned: list[int] = []
        self._careful_until = 0

    def read(self, series: int | None) -> Trace:
        rows = csv.reader(self._lines(), strict=True)
        try:
            self._header(next(rows, None), series)
            self._count_lines(-1)
            table = self._body(rows)
        except csv.Error as error:
            self._refuse_quoting(str(error))
        self._check(table)
        return self._trace(table)

    def _lines(self) -> Iterator[str]:
        while line := self._file.readline(MAX_LINE_BYTES):
            self._line += 1
            if len(line) == MAX_LINE_BYTES:
                self._refuse("", f"is longer than {MAX_LINE_BYTES} bytes; this is no trace CSV")
            if b"\0" in line:
                column = line[: line.index(b"\0")].count(b",") + 1
                self._refuse(f"column {column}", "holds a NUL byte; a trace is UTF-8 text")
            try:
                text = line.decode("utf-8-sig" if self._line == 1 else "utf-8")
            except UnicodeDecodeError as error:
                column = line[: error.start].count(b",") + 1
                self._refuse(f"column {column}", f"is not UTF-8 (byte 0x{line[error.start]:02x}); save it as UTF-8")
            self._text = text
            yield text

    def _header(self, header: list[str] | None, series: int | None) -> None:
        if header is None:
            raise TraceError(f"{self._path}: line 1, column 1: the file is empty; a trace begins with a header row")
        self._columns = header
        for place, name in enumerate(header, 1):
            self._check_name(name, place)
        if "time_s" not in header:
            self._refuse("column time_s", "is missing; every trace has one")
        groups = self._numbered(GROUP, "group_{:02d}_v", MAX_GROUPS)
        self._numbered(TEMPERATURE, "temperature_{}_c", MAX_TEMPERATURES)
        if not groups:
            self._refuse("column group_01_v", "is missing; a trace has at least one group")
        if series is not None and groups != series:
            column = f"column group_{min(groups, series) + 1:02d}_v"
            self._refuse(
                column, f"the trace has {groups} groups, the pack {series}; choose the pack it was ridden with"
            )

    def _check_name(self, name: str, place: int) -> None:
        if name in self._columns[: place - 1]:
            self._refuse(f"column {place}", f"is named {name!r} a second time; every column has a name of its own")
        if not (name in ("time_s", "current_a", "distance_m") or GROUP.fullmatch(name) or TEMPERATURE.fullmatch(name)):
            self._refuse(f"column {place}", f"has the unknown name {name!r}; known are {KNOWN}")

    def _numbered(self, pattern: re.Pattern[str], shape: str, most: int) -> int:
        """How many columns there are of a numbered kind, from 1 without gaps."""
        names = {name for name in self._columns if pattern.fullmatch(name)}
        for number in range(1, len(names) + 1):
            if shape.format(number) not in names:
                self._refuse(f"column {shape.format(number)}", "is missing; the numbering starts at 1 and has no gaps")
        if len(names) > most:
            self._refuse(f"column {shape.format(most + 1)}", f"is one too many; at most {most} can be recorded")
        return len(names)

    def _body(self, rows: Iterator[list[str]]) -> Floats:
        """All numbers, (rows, columns), blanks as NaN."""
        values, width = array("d"), len(self._columns)
        while True:
            self._plain(values)
            row = next(rows, None)
            if row is None:
                break
            number = len(values) // width
            if len(row) != width:
                self._refuse_width(row)
            spanned = self._count_lines(number)
            try:
                if spanned or self._needs_care():
                    raise ValueError
                values.extend(map(float, [text or "nan" for text in row] if "" in row else row))
            except ValueError:
                del values[number * width :]
                values.extend(self._number(name, text) for name, text in zip(self._columns, row, strict=True))
        if not values:
            self._line += 1
            self._refuse("column 1", "the file has no rows; a trace has at least one below its header")
        return np.frombuffer(values, np.float64).reshape(-1, width)

    def _plain(self, values: array[float]) -> None:
        """Take the lines ahead as long as they are plain decimals; leaves the file at a line that is not."""
        while self._file.seekable() and (start := self._file.tell()) >= self._careful_until:
            text = self._file.read(PIECE_BYTES)
            size = text.rfind(b"\n") + 1
            table = plain_rows(text[:size], len(self._columns))
            self._file.seek(start + (0 if table is None else size))
            if table is None:
                self._careful_until = start + max(size, 1)
                return
            values.frombytes(table.tobytes())
            self._line += len(table)

    def _count_lines(self, row: int) -> int:
        """Note how many lines more than one this row spans: quoted fields may hold line breaks."""
        more = self._line - (row + 2) - len(self._spanned)
        self._spanned += [row] * more
        return more

    def _needs_care(self) -> bool:
        """Whether the line may hold what `float` takes and a trace does not: nan, inf, 1_000, other scripts."""
        text = self._text
        return "n" in text or "N" in text or "_" in text or not text.isascii()

    def _number(self, name: str, text: str) -> float:
        if not text.strip(" "):
            return math.nan
        if not text.isascii() or "_" in text:
            self._refuse_number(name, text)
        try:
            value = float(text)
        except ValueError:
            self._refuse_number(name, text)
        if not math.isfinite(value):
            self._refuse(f"column {name}", f"{text!r} is not finite; leave the field blank for an invalid reading")
        return value

    def _check(self, table: Floats) -> None:
        """Ranges and the order of times, over whole columns; only a fault is looked for row by row."""
        for place, name in enumerate(self._columns):
            low, high = _range(name)
            column = table[:, place]
            wrong = (column < low) | (column > high)
            if wrong.any():
                row = int(np.argmax(wrong))
                why = f"{column[row]:.10g} is out of range; allowed is {low:g} to {high:g} {_unit(name)}"
                self._refuse_row(row, name, why)
        time_s = table[:, self._columns.index("time_s")]
        if np.isnan(time_s).any():
            self._refuse_row(int(np.argmax(np.isnan(time_s))), "time_s", "is blank; every row has a time")
        stuck = np.diff(time_s) <= 0
        if stuck.any():
            row = int(np.argmax(stuck)) + 1
            why = f"{time_s[row]:.10g} does not come after {time_s[row - 1]:.10g}; times strictly increase"
            self._refuse_row(row, "time_s", why)

    def _trace(self, table: Floats) -> Trace:
        def single(name: str) -> Floats | None:
            return table[:, self._columns.index(name)].copy() if name in self._columns else None

        def numbered(pattern: re.Pattern[str]) -> Floats:
            matches = [(pattern.fullmatch(name), place) for place, name in enumerate(self._columns)]
            places = [place for _, place in sorted((int(match[1]), place) for match, place in matches if match)]
            return np.ascontiguousarray(table[:, places])

        time_s = single("time_s")
        assert time_s is not None
        return Trace(time_s, numbered(GROUP), single("current_a"), numbered(TEMPERATURE), single("distance_m"))

    def _refuse(self, column: str, why: str) -> NoReturn:
        place = f"line {max(self._line, 1)}" + (f", {column}" if column else "")
        raise TraceError(f"{self._path}: {place}: {why}")

    def _refuse_row(self, row: int, name: str, why: str) -> NoReturn:
        """As `_refuse`, for a row that is behind us."""
        self._line = row + 2 + sum(spanned <= row for spanned in self._spanned)
        self._refuse(f"column {name}", why)

    def _refuse_number(self, name: str, text: str) -> NoReturn:
        shown = text if len(text) <= 40 else text[:40] + "…"
        self._refuse(f"column {name}", f"{shown!r} is not a number; write it like 3.305, or leave it blank if invalid")

    def _refuse_width(self, row: Sequence[str]) -> NoReturn:
        width = len(self._columns)
        column = f"column {self._columns[len(row)]}" if len(row) < width else f"column {width + 1}"
        self._refuse(column, f"the row has {len(row)} fields, the header {width}; every row has the header's columns")

    def _refuse_quoting(self, error: str) -> NoReturn:
        if "new-line" in error:
            self._refuse("column 1", "a carriage return stands alone; lines end with LF or CRLF")
        before = self._text.find('"')
        column = self._text[: max(before, 0)].count(",") + 1
        self._refuse(f"column {column}", "quotes are not as RFC 4180 has them: one is left open, or text follows one")


def _range(name: str) -> tuple[float, float]:
    if name == "time_s":
        return TIME_RANGE
    if name == "current_a":
        return CURRENT_RANGE
    if name == "distance_m":
        return DISTANCE_RANGE
    return VOLTS_RANGE if name.endswith("_v") else TEMPERATURE_RANGE


def _unit(name: str) -> str:
    return {"s": "s", "v": "V", "a": "A", "c": "degC", "m": "m"}[name.rpartition("_")[2]]


def write_trace(path: Path, trace: Trace, step: Step = lambda done, of: None) -> None:
    """Write a trace, whole or not at all: an older file of that name stays until the new one is complete. step: told
    how many rows are written of how many.

    Raises ValueError where times are closer than the microsecond they are written with, OSError from the disk.
    """
    if np.any(np.diff(np.round(trace.time_s, 6)) <= 0):
        raise ValueError("time_s: must increase by at least 1 µs a row")
    names, formats, columns = _layout(trace)
    line = ",".join(formats)
    with replacing(path) as file:
        file.write(",".join(names) + "\r\n")
        rows = np.column_stack(columns)
        for first in range(0, len(rows), STEP_ROWS):
            step(first, len(rows))
            file.writelines(lines(line, rows[first : first + STEP_ROWS]))


def lines(line: str, rows: Iterable[Floats]) -> Iterator[str]:
    """CSV lines from one format for all columns; NaN becomes a blank field."""
    for row in rows:
        text = line % tuple(row.tolist())
        yield (text.replace("nan", "") if "nan" in text else text) + "\r\n"


def _layout(trace: Trace) -> tuple[list[str], list[str], list[Floats]]:
    groups, sensors = trace.group_v.shape[1], trace.temperature_c.shape[1]
    names = ["time_s", *(f"group_{number:02d}_v" for number in range(1, groups + 1))]
    formats = [TIME_FORMAT, *[VOLTS_FORMAT] * groups]
    columns = [trace.time_s, trace.group_v]
    if trace.current_a is not None:
        names, formats, columns = [*names, "current_a"], [*formats, CURRENT_FORMAT], [*columns, trace.current_a]
    names += [f"temperature_{number}_c" for number in range(1, sensors + 1)]
    formats += [TEMPERATURE_FORMAT] * sensors
    columns.append(trace.temperature_c)
    if trace.distance_m is not None:
        names, formats, columns = [*names, "distance_m"], [*formats, DISTANCE_FORMAT], [*columns, trace.distance_m]
    return names, formats, columns


@contextmanager
def replacing(path: Path) -> Iterator[TextIO]:
    """A text file that takes the place of `path` when it is complete; a pipe or device is written to straight."""
    if path.exists() and not path.is_file():
        with path.open("w", encoding="utf-8", newline="") as file:
            yield file
        return
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            yield file
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
