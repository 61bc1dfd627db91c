"""Options and words of "what would have happened". Law: each figure says from when to when it counts."""

from __future__ import annotations

import math
import re
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Iterator, Sequence
from typing import Any

from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.pack.profile import RULES
from sagwise_daemon.domain.ride.settings_grid import MAX_SETTINGS, RULE, Setting, Tried, Warnings
from sagwise_daemon.errors import InputError

NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
SPAN = re.compile(f"{NUMBER}:{NUMBER}:{NUMBER}")
SINGLE = re.compile(NUMBER)
HEADINGS = "warnings  first min      Wh  floor"
FIGURES = ("count", "groups", "first_s", "first_group", "to_end_s", "to_end_wh", "to_floor_s", "to_floor_wh")
DIGITS = 6  # steps are added up; 3.2 + 2 × 0.05 is to be 3.3


def add_arguments(parser: ArgumentParser) -> None:
    """The options of `replay` that try other settings."""
    parser.add_argument(
        "--limits",
        type=numbers,
        metavar="FROM:TO:STEP",
        help="also try rest_low with these limits in volts (3.20:3.50:0.05 or 3.2,3.3); the pack's by default",
    )
    parser.add_argument(
        "--delays",
        type=numbers,
        metavar="S,S,…",
        help="also try rest_low with these on-delays in seconds (0.5,1,2,5 or 0:5:1); the pack's by default",
    )


def numbers(text: str) -> tuple[float, ...]:
    """Numbers as `1,2,5` or `from:to:step`, both ends taken. Raises ArgumentTypeError for anything else."""
    span = SPAN.fullmatch(text)
    if span is not None:
        first, last, step = map(float, span.groups())
        if step <= 0 or last < first:
            raise ArgumentTypeError(
                f"{text!r} goes nowhere; write FROM:TO:STEP with TO not below FROM and STEP above 0"
            )
        count = math.floor((last - first) / step + 1e-9) + 1
        if count > MAX_SETTINGS:
            raise ArgumentTypeError(
                f"{text!r} is {count} numbers; at most {MAX_SETTINGS} settings can be tried at once"
            )
        return tuple(round(first + step * number, DIGITS) for number in range(count))
    words = text.split(",")
    if not all(SINGLE.fullmatch(word.strip()) for word in words):
        raise ArgumentTypeError(f"{text!r} is no list of numbers from 0 up; write 3.20:3.50:0.05 or 0.5,1,2")
    return tuple(dict.fromkeys(float(word) for word in words))


def settings(args: Namespace, pack: Pack) -> tuple[Setting, ...]:
    """The settings that the options ask for, limits first; none where neither option is given.

    Raises InputError for a limit or a delay that the pack's file could not hold.
    """
    if args.limits is None and args.delays is None:
        return ()
    low, high = pack.cell.empty_v, pack.cell.full_v
    rule = pack.rules[RULE]
    limits = args.limits if args.limits is not None else (rule.limit or low,)
    delays = args.delays if args.delays is not None else (rule.on_delay_s,)
    for volts in limits:
        if not low <= volts < high:
            raise InputError(f"--limits: {volts:g} V is not allowed; write volts from {low:g} to below {high:g}")
    longest_s = RULES[RULE].ranges()["on_delay_s"][1]
    if max(delays) > longest_s:
        raise InputError(f"--delays: {max(delays):g} s is not allowed; write seconds from 0 to {longest_s:g}")
    count = len(limits) * len(delays)
    if count > MAX_SETTINGS:
        raise InputError(f"--limits, --delays: {count} settings; at most {MAX_SETTINGS} can be tried at once")
    return tuple(Setting(volts, seconds) for volts in limits for seconds in delays)


def document(tried: Sequence[Tried], floor_s: float | None) -> dict[str, Any]:
    """The JSON of the key `tried`; unknown numbers are None."""
    return {
        "rule": RULE,
        "floor_s": _known(floor_s),
        "settings": [
            {
                "limit_v": one.setting.limit_v,
                "on_delay_s": one.setting.on_delay_s,
                "rest": _warnings(one.rest),
                "plain": _warnings(one.plain),
            }
            for one in tried
        ],
    }


def _warnings(warnings: Warnings) -> dict[str, Any]:
    return {name: _known(getattr(warnings, name)) for name in FIGURES}


def _known(value: float | None) -> float | None:
    return value if value is None or isinstance(value, int) else round(value, 6)


def table(tried: Sequence[Tried]) -> Iterator[str]:
    """The same for people."""
    yield "What other settings of rest_low would have done, and a plain buzzer with the same limit and delay."
    yield "First: minutes and Wh from the first warning to the ride's end; floor: minutes from it to loaded_floor."
    yield f"{'':16} | {'rest_low':34} | plain buzzer"
    yield f"limit V  delay s | {HEADINGS} | {HEADINGS}"
    for one in tried:
        setting = f"{one.setting.limit_v:7.3f}  {one.setting.on_delay_s:7g}"
        yield f"{setting} | {_row(one.rest)} | {_row(one.plain)}"


def _row(warnings: Warnings) -> str:
    return (
        f"{warnings.count:8}  {_minutes(warnings.to_end_s):>9}  {_figure(warnings.to_end_wh):>6}"
        f"  {_minutes(warnings.to_floor_s):>5}"
    )


def _minutes(seconds: float | None) -> str:
    return _figure(None if seconds is None else seconds / 60.0)


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
