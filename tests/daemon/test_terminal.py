"""Words for a person on a terminal, or for a program. Law: a person's lines fit, a program's are whole."""

from __future__ import annotations

import io
import re

import pytest

from sagwise_daemon.config.mapping import EXAMPLE
from sagwise_daemon.terminal import folded, say

LONG = "  a plain buzzer at 3.30 V would have sounded 4 times, 4 of them before any group was low at rest"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_long_line_goes_on_deeper_and_loses_no_word() -> None:
    pieces = folded(LONG, 40)
    assert all(len(piece) <= 40 for piece in pieces) and len(pieces) == 3
    assert pieces[0].startswith("  a") and all(re.match(" {6}[^ ]", piece) for piece in pieces[1:])
    assert " ".join(pieces).split() == LONG.split()
    assert folded("x" * 50, 40) == ["x" * 50], "a path can be copied whole"


def test_a_table_and_an_empty_line_stay_as_they_are() -> None:
    assert folded("    1       3.902         3.631", 40) == ["    1       3.902         3.631"]
    assert folded("", 40) == [""]


@pytest.mark.parametrize(("out", "lines"), [(Terminal(), 3), (io.StringIO(), 1)], ids=["terminal", "file"])
def test_only_a_terminal_has_lines_folded(monkeypatch: pytest.MonkeyPatch, out: io.StringIO, lines: int) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr("sys.stdout", out)
    say([LONG])
    assert len(out.getvalue().splitlines()) == lines


def test_the_mapping_that_help_shows_fits() -> None:
    assert max(map(len, EXAMPLE.splitlines())) <= 78, "help sets it in by two"
