"""Many decimals at once: every number is the one that Python's `float` makes of its text, or the text is refused."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sagwise_daemon.errors import TraceError
from sagwise_daemon.io import trace as trace_module
from sagwise_daemon.io.decimals import plain_rows
from sagwise_daemon.io.trace import read_trace

PLAIN = st.from_regex(r"-?[0-9]{1,9}(\.[0-9]{0,6})?|\.[0-9]{1,6}", fullmatch=True)
ANYTHING = st.text("0123456789.,-+e \r\n", max_size=40)


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(st.integers(1, 4), st.data(), st.sampled_from(["\n", "\r\n"]))
def test_plain_decimals_are_what_float_makes_of_them(width: int, data: st.DataObject, end: str) -> None:
    rows = data.draw(st.lists(st.lists(PLAIN, min_size=width, max_size=width), min_size=1, max_size=6))
    read = plain_rows("".join(",".join(row) + end for row in rows).encode(), width)
    assert read is not None
    np.testing.assert_array_equal(read, [[float(text) for text in row] for row in rows])


@settings(max_examples=400, deadline=None)
@given(st.integers(1, 3), ANYTHING)
@pytest.mark.slow
def test_whatever_the_text_it_is_taken_rightly_or_not_at_all(width: int, text: str) -> None:
    read = plain_rows(text.encode(), width)
    if read is not None:
        rows = [line.split(",") for line in text.replace("\r\n", "\n").removesuffix("\n").split("\n")]
        np.testing.assert_array_equal(read, [[float(field) for field in row] for row in rows])


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1,2",  # no line end
        "1,\n",
        ",1\n",
        "1,2,3\n",
        "1\n2,3\n",
        "1,2\n\n",
        "1,2\n3\n",
        "1e3,2\n",
        "nan,2\n",
        "+1,2\n",
        "1 ,2\n",
        '"1",2\n',
        "1_0,2\n",
        "1.2.3,4\n",
        "1,.\n",
        "1,-\n",
        "1,--2\n",
        "1,2-\n",
        "1,2\r3,4\n",
        "9007199254740993,1\n",  # 2^53 + 1 is no float
        "0.1234567890123456789,1\n",
    ],
)
def test_what_is_no_full_row_of_plain_decimals_is_left_to_the_careful_reader(text: str) -> None:
    assert plain_rows(text.encode(), 2) is None


def test_numbers_begun_with_zeros_are_decimal() -> None:
    read = plain_rows(b"0.0189,010\n", 2)
    assert read is not None
    assert read.tolist() == [[0.0189, 10.0]]


@pytest.mark.parametrize("seed", range(3))
def test_a_file_of_both_kinds_of_rows_is_read_as_row_by_row(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Quoted fields over two lines, blanks, exponents among plain rows, over many pieces of the file."""
    rng = random.Random(seed)
    lines, rows = ["time_s,group_01_v,current_a"], []
    for number in range(3000):
        fields = [f"{number / 20:.{rng.randint(2, 6)}f}", f"{3 + rng.random():.4f}", f"{rng.uniform(-9, 90):.3f}"]
        if rng.random() < 0.01:
            fields[2] = rng.choice(["", "1e1", '" \n2"', " 3"])
        lines.append(",".join(fields))
        rows.append(fields)
    path = tmp_path / "both.csv"
    path.write_bytes(("\r\n" if seed else "\n").join([*lines, ""]).encode())
    monkeypatch.setattr(trace_module, "PIECE_BYTES", 700)
    trace = read_trace(path, 1)
    with path.open(newline="") as file:
        expected = [[float(text) if text else np.nan for text in row] for row in list(csv.reader(file))[1:]]
    assert trace.current_a is not None
    table = np.column_stack([trace.time_s, trace.group_v, trace.current_a])
    np.testing.assert_array_equal(table, expected)


@pytest.mark.parametrize(("row", "line"), [(10, 12), (1500, 1502)])
def test_a_fault_behind_plain_rows_is_named_with_its_line(
    row: int, line: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trace_module, "PIECE_BYTES", 500)
    lines = [f"{number}.5,3.7000" for number in range(2000)]
    lines[row] = f"{row}.5,3.x"
    (tmp_path / "bad.csv").write_text("\n".join(["time_s,group_01_v", *lines, ""]))
    with pytest.raises(TraceError, match=rf"bad.csv: line {line}, column group_01_v: '3.x' is not a number"):
        read_trace(tmp_path / "bad.csv", 1)
    lines[row] = f"{row}.5,99.7"
    (tmp_path / "far.csv").write_text("\n".join(["time_s,group_01_v", *lines, ""]))
    with pytest.raises(TraceError, match=rf"far.csv: line {line}, column group_01_v: 99.7 is out of range"):
        read_trace(tmp_path / "far.csv", 1)
