"""How far long work has come. Law: to standard error only; a bar for a person, a line now and then for a log."""

from __future__ import annotations

import logging
import sys
import time

log = logging.getLogger(__name__)

WIDTH = 30
BAR_EVERY_S, LINE_EVERY_S = 0.1, 5.0


class Progress:
    """Of one piece of work. `step` may be called as often as one likes; `done` takes the bar away."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._bar = sys.stderr.isatty()
        self._due = time.monotonic() + (0.0 if self._bar else LINE_EVERY_S)

    def step(self, number: int, of: int) -> None:
        """`number` of `of` are done."""
        if time.monotonic() < self._due or not of:
            return
        self._due = time.monotonic() + (BAR_EVERY_S if self._bar else LINE_EVERY_S)
        share = number / of
        if self._bar:
            full = round(WIDTH * share)
            sys.stderr.write(f"\r{self._what} [{'#' * full}{' ' * (WIDTH - full)}] {100 * share:3.0f} %")
            sys.stderr.flush()
        else:
            log.info("%s: %d of %d, %.0f %%", self._what, number, of, 100 * share)

    def done(self) -> None:
        """The work is over."""
        if self._bar:
            sys.stderr.write("\r" + " " * (len(self._what) + WIDTH + 10) + "\r")
            sys.stderr.flush()
