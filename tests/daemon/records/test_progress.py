"""Progress goes to standard error only: a bar on a terminal, lines elsewhere."""

from __future__ import annotations

import io
import logging
import sys

import pytest

from sagwise_daemon import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_bar_on_a_terminal_that_goes_when_it_is_done(monkeypatch, capsys) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(progress, "BAR_EVERY_S", 0.0)
    bar = progress.Progress("ride.csv")
    bar.step(50, 200)
    assert terminal.getvalue() == f"\rride.csv [{'#' * 8}{' ' * 22}]  25 %"
    bar.step(0, 0)
    bar.done()
    assert terminal.getvalue().endswith("\r") and capsys.readouterr().out == ""


def test_a_line_now_and_then_in_a_log(monkeypatch, caplog: pytest.LogCaptureFixture) -> None:
    monkeypatch.setattr(progress, "LINE_EVERY_S", 0.0)
    with caplog.at_level(logging.INFO):
        progress.Progress("ride.csv").step(50, 200)
    assert caplog.messages == ["ride.csv: 50 of 200, 25 %"]
    monkeypatch.setattr(progress, "LINE_EVERY_S", 60.0)
    quiet = progress.Progress("ride.csv")
    quiet.step(60, 200)
    quiet.done()
    assert len(caplog.messages) == 1
