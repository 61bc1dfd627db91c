"""Trace CSV: what is taken, what is refused and where, and that nothing is lost between writing and reading.

Quoting, line ends and equal field counts: RFC 4180. The rest is the project's contract.
"""

from __future__ import annotations

import csv
import io
import re
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.domain.model import CURRENT_STEP_A, DISTANCE_STEP_M, TEMPERATURE_STEP_C, VOLTAGE_STEP_V
from sagwise_daemon.errors import TraceError
from sagwise_daemon.io.trace import Trace, read_trace, write_trace

HEAD = "time_s,group_01_v,group_02_v,current_a"


def read(tmp_path: Path, text: str | bytes, series: int | None = None) -> Trace:
    path = tmp_path / "ride.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_trace(path, series)


TAKEN = {
    "LF": f"{HEAD}\n0,3.7,3.8,1\n0.1,3.6,3.8,2\n",
    "CRLF": f"{HEAD}\r\n0,3.7,3.8,1\r\n0.1,3.6,3.8,2\r\n",
    "no last line break": f"{HEAD}\n0,3.7,3.8,1\n0.1,3.6,3.8,2",
    "byte order mark": f"\ufeff{HEAD}\n0,3.7,3.8,1\n0.1,3.6,3.8,2\n",
    "quoted": '"time_s",group_01_v,"group_02_v",current_a\n"0","3.7",3.8,1\n0.1,3.6,3.8,"2"\n',
    "quoted over lines": '"time_s","group_01_v",group_02_v,current_a\n"0\n",3.7,3.8,1\n0.1,3.6,3.8,2\n',
    "columns in any order": "current_a,group_02_v,time_s,group_01_v\n1,3.8,0,3.7\n2,3.8,0.1,3.6\n",
    "exponents and signs": f"{HEAD}\n+0e0,37e-1,.38e1,1.\n1e-1,3.6,3.8,2\n",
    "spaces around numbers": f"{HEAD}\n 0, 3.7 ,3.8,1\n0.1,3.6,3.8,2\n",
}


@pytest.mark.parametrize("text", TAKEN.values(), ids=TAKEN)
def test_taken(tmp_path: Path, text: str) -> None:
    trace = read(tmp_path, text, series=2)
    np.testing.assert_array_equal(trace.time_s, [0.0, 0.1])
    np.testing.assert_array_equal(trace.group_v, [[3.7, 3.8], [3.6, 3.8]])
    assert trace.current_a is not None
    np.testing.assert_array_equal(trace.current_a, [1.0, 2.0])
    assert trace.temperature_c.shape == (2, 0)
    assert trace.distance_m is None


def test_blank_is_invalid_and_time_may_begin_below_zero_and_step_unevenly(tmp_path: Path) -> None:
    trace = read(tmp_path, f"{HEAD}\n-5,,3.8,\n-4.9,3.6, ,2\n1000,3.5,3.7,3\n")
    np.testing.assert_array_equal(trace.time_s, [-5.0, -4.9, 1000.0])
    np.testing.assert_array_equal(np.isnan(trace.group_v), [[1, 0], [0, 1], [0, 0]])
    assert trace.current_a is not None
    assert np.isnan(trace.current_a[0])


def test_numbered_columns_land_by_their_number(tmp_path: Path) -> None:
    groups = [f"group_{n:02d}_v" for n in range(12, 0, -1)]
    sensors = [f"temperature_{n}_c" for n in range(11, 0, -1)]
    row = [*(f"3.{n:02d}" for n in range(12, 0, -1)), *(f"{20 + n}" for n in range(11, 0, -1))]
    trace = read(tmp_path, f"{','.join(groups + sensors)},distance_m,time_s\n{','.join(row)},7.25,0\n")
    np.testing.assert_array_equal(trace.group_v[0], [3 + n / 100 for n in range(1, 13)])
    np.testing.assert_array_equal(trace.temperature_c[0], np.arange(21.0, 32.0))
    assert trace.current_a is None
    assert trace.distance_m is not None


# text, line, column, and words of the reason
REFUSED: dict[str, tuple[str | bytes, int, str, str]] = {
    "empty file": (b"", 1, "column 1", "the file is empty"),
    "only a byte order mark": (b"\xef\xbb\xbf", 1, "column time_s", "is missing"),
    "no rows": (f"{HEAD}\n", 2, "column 1", "no rows"),
    "no time": ("group_01_v\n3.7\n", 1, "column time_s", "is missing"),
    "no groups": ("time_s,current_a\n0,1\n", 1, "column group_01_v", "at least one group"),
    "unknown column": ("time_s,group_01_v,volts\n0,3.7,1\n", 1, "column 3", "unknown name 'volts'"),
    "a column of spaces": ("time_s,group_01_v, current_a\n0,3.7,1\n", 1, "column 3", "unknown name ' current_a'"),
    "group without its zero": ("time_s,group_1_v\n0,3.7\n", 1, "column 2", "unknown name 'group_1_v'"),
    "group zero": ("time_s,group_00_v\n0,3.7\n", 1, "column 2", "unknown name 'group_00_v'"),
    "a name twice": ("time_s,group_01_v,time_s\n0,3.7,1\n", 1, "column 3", "'time_s' a second time"),
    "gap in the groups": ("time_s,group_01_v,group_03_v\n0,3.7,3\n", 1, "column group_02_v", "no gaps"),
    "gap in the sensors": ("time_s,group_01_v,temperature_2_c\n0,3.7,3\n", 1, "column temperature_1_c", "no gaps"),
    "short row": (f"{HEAD}\n0,3.7,3.8,1\n0.1,3.6,3.8\n", 3, "column current_a", "3 fields, the header 4"),
    "long row": (f"{HEAD}\n0,3.7,3.8,1,9\n", 2, "column 5", "5 fields, the header 4"),
    "blank line": (f"{HEAD}\n0,3.7,3.8,1\n\n1,3.7,3.8,1\n", 3, "column time_s", "0 fields"),
    "a word": (f"{HEAD}\n0,3.7,low,1\n", 2, "column group_02_v", "'low' is not a number"),
    "decimal comma": (f'{HEAD}\n0,"3,7",3.8,1\n', 2, "column group_01_v", "'3,7' is not a number"),
    "underscore": (f"{HEAD}\n0,3_7,3.8,1\n", 2, "column group_01_v", "'3_7' is not a number"),
    "another script": (f"{HEAD}\n0,٣,3.8,1\n", 2, "column group_01_v", "is not a number"),
    "hexadecimal": (f"{HEAD}\n0,0x3,3.8,1\n", 2, "column group_01_v", "is not a number"),
    "NaN": (f"{HEAD}\n0,3.7,NaN,1\n", 2, "column group_02_v", "'NaN' is not finite"),
    "infinity": (f"{HEAD}\n0,3.7,3.8,1\n1,3.7,3.8,-Infinity\n", 3, "column current_a", "is not finite"),
    "overflow": (f"{HEAD}\n0,3.7,3.8,1e999\n", 2, "column current_a", "out of range"),
    "NaN in quotes over lines": (f'{HEAD}\n0,"nan\n","3.8",1\n', 3, "column group_01_v", "is not finite"),
    "blank time": (f"{HEAD}\n0,3.7,3.8,1\n,3.7,3.8,1\n", 3, "column time_s", "is blank"),
    "time stands": (f"{HEAD}\n0,3.7,3.8,1\n0,3.7,3.8,1\n", 3, "column time_s", "does not come after 0"),
    "time goes back": (f"{HEAD}\n5,3.7,3.8,1\n4,3.7,3.8,1\n", 3, "column time_s", "4 does not come after 5"),
    "millivolts": (f"{HEAD}\n0,3.7,3.8,1\n1,3700,3.8,1\n", 3, "column group_01_v", "3700 is out of range"),
    "NUL": (f"{HEAD}\n0,3.7,3.8,1\n1,3.\0,3.8,1\n", 3, "column 2", "NUL"),
    "not UTF-8": (HEAD.encode() + b"\n0,3.7,\xff,1\n", 2, "column 3", "not UTF-8 (byte 0xff)"),
    "UTF-16": (HEAD.encode("utf-16"), 1, "column 1", "NUL"),
    "open quote": (f'{HEAD}\n0,3.7,"3.8,1\n', 2, "column 3", "RFC 4180"),
    "text after a quote": (f'{HEAD}\n0,"3.7"x,3.8,1\n', 2, "column 2", "RFC 4180"),
    "carriage returns alone": (f"{HEAD}\r0,3.7,3.8,1\r", 1, "column 1", "carriage return"),
    "a line without end": (b"9" * 100_000, 1, "", "is longer than"),
    "after a row over two lines": (f'{HEAD}\n0,3.7,"3.8\n",1\n0,3.7,3.8,1\n', 4, "column time_s", "not come after"),
}


@pytest.mark.parametrize(("text", "line", "column", "words"), REFUSED.values(), ids=REFUSED)
def test_refused_with_file_line_and_column(
    tmp_path: Path, text: str | bytes, line: int, column: str, words: str
) -> None:
    with pytest.raises(TraceError) as caught:
        read(tmp_path, text)
    said = str(caught.value)
    where = f"{tmp_path / 'ride.csv'}: line {line}" + (f", {column}: " if column else ": ")
    assert said.startswith(where), said
    assert words in said
    assert "\n" not in said


@pytest.mark.parametrize(("series", "column"), [(1, "group_02_v"), (3, "group_03_v")])
def test_another_packs_trace_is_refused(tmp_path: Path, series: int, column: str) -> None:
    with pytest.raises(TraceError, match=f"line 1, column {column}: the trace has 2 groups, the pack {series}"):
        read(tmp_path, TAKEN["LF"], series)


def test_more_than_the_wire_carries_is_refused(tmp_path: Path) -> None:
    names = ",".join(f"group_{n:02d}_v" for n in range(1, 50))
    with pytest.raises(TraceError, match="column group_49_v: is one too many; at most 48"):
        read(tmp_path, f"time_s,{names}\n0{',3.7' * 49}\n")


@pytest.mark.parametrize("name", ["missing.csv", "."])
def test_a_file_that_cannot_be_read(tmp_path: Path, name: str) -> None:
    with pytest.raises(TraceError, match=re.escape(f"{tmp_path / name}: cannot be read (")):
        read_trace(tmp_path / name, None)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_rubbish_is_refused_in_one_line_and_nothing_else_escapes(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.mktemp("rubbish") / "ride.csv"
    path.write_bytes(data)
    with pytest.raises(TraceError, match=r"line \d+") as caught:
        read_trace(path, None)
    assert "\n" not in str(caught.value)


MUTANTS = st.lists(
    st.tuples(st.integers(0, 10_000), st.sampled_from([*'",.\r\n\0-e nN_x9', "\ufeff", "٣"])), min_size=1, max_size=4
)


@pytest.mark.slow
@settings(max_examples=250, deadline=None)
@given(MUTANTS)
def test_a_damaged_trace_is_refused_or_all_finite_and_rising(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[tuple[int, str]]
) -> None:
    text = TAKEN["CRLF"] + "0.25,3.5,,\r\n"
    for place, mark in cuts:
        place %= len(text)
        text = text[:place] + mark + text[place + 1 :]
    path = tmp_path_factory.mktemp("damaged") / "ride.csv"
    path.write_bytes(text.encode())
    try:
        trace = read_trace(path, 2)
    except TraceError as error:
        assert "\n" not in str(error)
        return
    assert np.all(np.diff(trace.time_s) > 0)
    assert not np.isinf(trace.group_v).any()
    blanks = sum(
        not field.strip() for row in csv.reader(io.StringIO(text.lstrip("\ufeff"), newline="")) for field in row
    )
    currents = np.empty(0) if trace.current_a is None else trace.current_a
    assert int(np.isnan(trace.group_v).sum() + np.isnan(currents).sum()) == blanks, "only a blank is invalid"


def steps(low: int, high: int, step: float, shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    values = rng.integers(low, high, shape, endpoint=True) * step
    values[rng.random(shape) < 0.1] = np.nan
    return values


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(1, 40),
    groups=st.integers(1, 48),
    sensors=st.integers(0, 16),
    current=st.booleans(),
    distance=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_what_is_written_reads_back_to_the_wires_step(
    tmp_path_factory: pytest.TempPathFactory,
    rows: int,
    groups: int,
    sensors: int,
    current: bool,
    distance: bool,
    seed: int,
) -> None:
    """Over the wire's whole range (firmware_protocol/messages.toml), invalid readings included."""
    rng = np.random.default_rng(seed)
    time_us = int(rng.integers(-(10**9), 10**14)) + np.cumsum(rng.integers(1, 10**7, rows))
    before = Trace(
        time_us * 1e-6,
        steps(-32768, 32767, VOLTAGE_STEP_V, (rows, groups), rng),
        steps(-(2**31), 2**31 - 1, CURRENT_STEP_A, (rows,), rng) if current else None,
        steps(-32768, 32767, TEMPERATURE_STEP_C, (rows, sensors), rng),
        steps(0, 2**32 - 1, DISTANCE_STEP_M, (rows,), rng) if distance else None,
    )
    path = tmp_path_factory.mktemp("round") / "ride.csv"
    write_trace(path, before)
    after = read_trace(path, groups)
    np.testing.assert_array_equal(np.round(after.time_s * 1e6), time_us)
    for name, step in [
        ("group_v", VOLTAGE_STEP_V),
        ("current_a", CURRENT_STEP_A),
        ("temperature_c", TEMPERATURE_STEP_C),
        ("distance_m", DISTANCE_STEP_M),
    ]:
        old, new = getattr(before, name), getattr(after, name)
        assert (old is None) == (new is None)
        if old is not None:
            np.testing.assert_array_equal(np.round(old / step), np.round(new / step), err_msg=name)


def test_written_as_rfc_4180_has_it(tmp_path: Path) -> None:
    path = tmp_path / "ride.csv"
    write_trace(path, read(tmp_path, "time_s,distance_m,group_01_v,temperature_1_c\n0,1.5,3.7,-5\n0.1,,,\n"))
    assert path.read_bytes() == (
        b"time_s,group_01_v,temperature_1_c,distance_m\r\n0.000000,3.7000,-5.00,1.50\r\n0.100000,,,\r\n"
    )


def test_a_write_that_fails_leaves_the_older_file_and_no_litter(tmp_path: Path) -> None:
    path = tmp_path / "ride.csv"
    trace = read(tmp_path, TAKEN["LF"])
    before = path.read_bytes()
    broken = Trace(trace.time_s, trace.group_v, trace.current_a, np.array([["a"], ["b"]]), None)  # type: ignore[arg-type]
    with pytest.raises((TypeError, ValueError)):
        write_trace(path, broken)
    closer = Trace(np.array([0.0, 1e-9]), trace.group_v, None, trace.temperature_c, None)
    with pytest.raises(ValueError, match="at least 1 µs"):
        write_trace(path, closer)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_readings_are_the_rows(tmp_path: Path) -> None:
    one, two = read(tmp_path, "time_s,group_01_v,group_02_v,temperature_1_c\n0,3.7,3.8,25\n0.1,,3.8,26\n").readings()
    assert (one.time_s, two.time_s) == (0.0, 0.1)
    np.testing.assert_array_equal(two.group_v, [np.nan, 3.8])
    np.testing.assert_array_equal(two.temperature_c, [26.0])
    assert np.isnan([one.current_a, one.distance_m]).all()


@pytest.mark.slow
def test_two_hours_at_20_hz_read_within_seconds(tmp_path: Path) -> None:
    """144,000 rows of 26 columns; CPU time, so that a busy machine does not fail it."""
    rows = 144_000
    rng = np.random.default_rng(1)
    volts = rng.integers(5600, 8400, (rows, 20)) * VOLTAGE_STEP_V
    flat = np.full(rows, 12.5)
    write_trace(tmp_path / "long.csv", Trace(np.arange(rows) * 0.05, volts, flat, np.full((rows, 3), 25.0), flat))
    began = time.process_time()
    assert read_trace(tmp_path / "long.csv", 20).group_v.shape == (rows, 20)
    assert time.process_time() - began < 4.0
