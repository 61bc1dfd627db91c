"""The live estimator and alarms over a recorded trace. Law: what it says is what the bike would have heard.

Every row goes through `core.take` as a reading from a board does, only many at once; a gap longer than `link_lost`
allows is told as the silence it was. Nobody acknowledges. Only the document goes to standard output.
"""

from __future__ import annotations

import json
import logging
import math
import sys
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from sagwise_daemon import changed, what_if
from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.alarm.rules import nothing_yet
from sagwise_daemon.domain.alarm.yardstick import ON_DELAY_S, plain_threshold
from sagwise_daemon.domain.core import new_state, step, take
from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Estimate, Estimates, Floats, Pack, Readings, Silence
from sagwise_daemon.domain.ride.settings_grid import Grid, Setting, Tried, floor_s
from sagwise_daemon.domain.ride.summary import Summary
from sagwise_daemon.errors import InputError
from sagwise_daemon.io.trace import TIME_FORMAT, Trace, read_trace, replacing
from sagwise_daemon.io.trace import lines as csv_lines
from sagwise_daemon.terminal import say

log = logging.getLogger(__name__)

Sink: TypeAlias = Callable[[Estimates], None]

PROGRESS_S = 5.0
AT_ONCE = 512  # rows: enough that what one call costs counts for nothing, few enough to stay in the caches
SLACK_S = 1e-6  # the resolution of a trace's times: rows 1 s apart are no silence of 1 s

ESTIMATE_COLUMNS = (
    ("rest_v", "%.5f"),
    ("rest_sigma_v", "%.5f"),
    ("ocv_v", "%.5f"),
    ("resistance_mohm", "%.4f"),
    ("soc", "%.5f"),
)


@dataclass(frozen=True, slots=True, eq=False)
class ReplayResult:
    """What a replay found. last: the last estimate. tried: what other settings would have told, where asked for."""

    pack: Pack
    events: tuple[AlarmEvent, ...]
    plain_limit_v: float
    plain: tuple[tuple[float, int], ...]
    totals: Summary
    last: Estimate
    resistance_mohm: Floats
    resistance_25c_mohm: Floats
    tried: tuple[Tried, ...] = ()


def replay(trace: Trace, pack: Pack, sink: Sink | None = None, settings: Sequence[Setting] = ()) -> ReplayResult:
    """Every row of `trace` through the core. sink: given the rows' estimates as they are made. settings: of
    `rest_low`, tried on the same estimates.
    """
    state, totals = new_state(pack), Summary(pack.series)
    events: list[AlarmEvent] = []
    last = nothing_yet(pack).estimates.row(0)
    resistance, resistance_25c = np.full(pack.series, np.nan), np.full(pack.series, np.nan)
    grid = Grid(pack, settings) if settings else None
    progress = _Progress(len(trace.time_s))
    for piece in pieces(trace, pack):
        if isinstance(piece, Silence):
            events += step(state, piece)[1].events
            if grid is not None:
                grid.silence(piece.age_s)
            continue
        taken = take(state, piece)
        estimates = taken.estimates
        events += taken.events
        last = estimates.row(-1)
        totals.readings(piece)
        totals.estimates(estimates)
        resistance = _newest(resistance, estimates.resistance_mohm)
        resistance_25c = _newest(resistance_25c, estimates.resistance_25c_mohm)
        if sink is not None:
            sink(estimates)
        if grid is not None:
            grid.take(piece, estimates, taken.shortfall_v)
        progress.rows(totals.samples)
    limit_v = pack.rules["rest_low"].limit or math.nan
    plain = plain_threshold(trace.time_s, trace.group_v, limit_v)
    tried = () if grid is None else grid.tell(trace.readings(), events)
    return ReplayResult(pack, tuple(events), limit_v, tuple(plain), totals, last, resistance, resistance_25c, tried)


def pieces(trace: Trace, pack: Pack) -> Iterator[Readings | Silence]:
    """The rows in turn, up to `AT_ONCE` together, and before one that comes too late the silence before it."""
    limit_s = pack.rules["link_lost"].limit
    gap_s = np.diff(trace.time_s)
    late = np.flatnonzero(gap_s > (math.inf if limit_s is None else limit_s) + SLACK_S) + 1
    readings, rows = trace.readings(), len(trace.time_s)
    cuts = np.unique(np.concatenate([late, np.arange(0, rows, AT_ONCE), [rows]]))
    silent = set(late.tolist())
    for first, after in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        if first in silent:
            yield Silence(float(gap_s[first - 1]))
        yield readings.rows(slice(first, after))


def _newest(before: Floats, now: Floats) -> Floats:
    """The last known of each column of `now`, (rows, groups), or else `before`, (groups,)."""
    known = ~np.isnan(now)
    row = len(now) - 1 - known[::-1].argmax(axis=0)
    return np.where(known.any(axis=0), now[row, np.arange(now.shape[1])], before)


class _Progress:
    """Says now and then how far it has come."""

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._due = time.monotonic() + PROGRESS_S

    def rows(self, number: int) -> None:
        if time.monotonic() >= self._due:
            self._due = time.monotonic() + PROGRESS_S
            log.info("%d of %d rows replayed", number, self._rows)


def document(result: ReplayResult, file: str) -> dict[str, Any]:
    """The contract's JSON document, with the key `tried` where settings were tried; unknown numbers are None."""
    totals = result.totals
    tried = {"tried": what_if.document(result.tried, floor_s(result.events))} if result.tried else {}
    return {
        "trace": {
            "file": file,
            "samples": totals.samples,
            "duration_s": _known(totals.duration_s),
            "groups": result.pack.series,
        },
        "events": [_event(event) for event in result.events],
        "plain_threshold": {
            "limit_v": _known(result.plain_limit_v),
            "on_delay_s": ON_DELAY_S,
            "events": [{"time_s": _known(moment), "group": group} for moment, group in result.plain],
        },
        "groups": [_group(result, index) for index in range(result.pack.series)],
        "energy_wh": _known(totals.energy_wh),
        "charge_ah": _known(totals.charge_ah),
        "current_max_a": _known(totals.current_max_a),
        **tried,
    }


def _event(event: AlarmEvent) -> dict[str, Any]:
    return {
        "time_s": _known(event.time_s),
        "rule": event.rule,
        "group": event.group,
        "to": event.to.value,
        "priority": event.priority.value,
        "value": _known(event.value),
        "limit": _known(event.limit),
        "unit": event.unit,
        "basis": None if event.basis is None else event.basis.value,
    }


def _group(result: ReplayResult, index: int) -> dict[str, Any]:
    return {
        "group": index + 1,
        "rest_min_v": _known(result.totals.rest_min_v[index]),
        "loaded_min_v": _known(result.totals.loaded_min_v[index]),
        "resistance_mohm": _known(result.resistance_mohm[index]),
        "resistance_25c_mohm": _known(result.resistance_25c_mohm[index]),
        "state_of_charge_end": _known(result.last.soc[index]),
        "rest_end_v": _known(result.last.rest_v[index]),
    }


def _known(value: float | None) -> float | None:
    """A plain number to the micro-unit, None where unknown."""
    return None if value is None or not math.isfinite(value) else round(float(value), 6)


def report(result: ReplayResult, file: str) -> str:
    """The same for people."""
    totals = result.totals
    head = f"{result.pack.name}: {file}, {totals.samples} rows, {totals.duration_s:.1f} s"
    tried = ["", *what_if.table(result.tried)] if result.tried else []
    lines = [head, "", *_event_lines(result), "", *_group_lines(result), "", _totals_line(totals), *tried]
    return "\n".join(lines) + "\n"


def _event_lines(result: ReplayResult) -> Iterator[str]:
    raised = sum(event.to is AlarmState.UNACKNOWLEDGED for event in result.events)
    yield f"{raised} alarms" if raised != 1 else "1 alarm"
    if result.events:
        yield "   time s rule             group becomes                value  limit unit by"
    for event in result.events:
        group = "pack" if event.group is None else event.group
        head = f"{event.time_s:9.2f} {event.rule:16} {group:>5} {event.to.value:21}"
        yield (head if event.limit is None else f"{head} {_measured(event)}").rstrip()
    sounded = f"A buzzer on the lowest loaded voltage below {_figure(result.plain_limit_v, 2)} V: {len(result.plain)}"
    yield sounded + (f" alarms, the first at {result.plain[0][0]:.2f} s" if result.plain else " alarms")


def _measured(event: AlarmEvent) -> str:
    """Of a rule that has a limit; a ratio has no unit."""
    unit, basis = "" if event.unit == "1" else event.unit, "" if event.basis is None else event.basis.value
    return f"{_figure(event.value, 3):>6} {_figure(event.limit, 3):>6} {unit:4} {basis}"


def _group_lines(result: ReplayResult) -> Iterator[str]:
    yield "group  rest min V  loaded min V  rest end V  mΩ (1 s)  at 25 degC  charge end %"
    for index in range(result.pack.series):
        yield (
            f"{index + 1:5}  {_figure(result.totals.rest_min_v[index], 3):>10}"
            f"  {_figure(result.totals.loaded_min_v[index], 3):>12}  {_figure(result.last.rest_v[index], 3):>10}"
            f"  {_figure(result.resistance_mohm[index], 2):>8}  {_figure(result.resistance_25c_mohm[index], 2):>10}"
            f"  {_figure(100.0 * result.last.soc[index], 1):>12}"
        )


def _totals_line(totals: Summary) -> str:
    return (
        f"energy {_figure(totals.energy_wh, 1)} Wh, charge {_figure(totals.charge_ah, 3)} Ah,"
        f" highest current {_figure(totals.current_max_a, 1)} A"
    )


def _figure(value: float | None, digits: int) -> str:
    return "–" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"


@contextmanager
def estimates_file(path: Path, series: int) -> Iterator[Sink]:
    """A sink that writes `--estimates`; the file takes its name when the block ends well.

    Raises InputError where it cannot be written.
    """
    names = [f"group_{number:02d}_{column}" for number in range(1, series + 1) for column, _ in ESTIMATE_COLUMNS]
    line = ",".join([TIME_FORMAT, *[shape for _, shape in ESTIMATE_COLUMNS] * series])
    try:
        with replacing(path) as file:
            file.write(",".join(["time_s", *names]) + "\r\n")

            def sink(estimates: Estimates) -> None:
                table = np.stack([getattr(estimates, column) for column, _ in ESTIMATE_COLUMNS], axis=2)
                rows = table.reshape(len(estimates), -1)
                file.writelines(csv_lines(line, np.column_stack([estimates.time_s, rows])))

            yield sink
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error}); choose another --estimates") from None


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("trace", type=Path, metavar="TRACE", help="a trace CSV")
    parser.add_argument("--pack", type=Path, required=True, metavar="PACK", help="the pack file (TOML)")
    parser.add_argument(
        "--settings",
        type=Path,
        metavar="FILE",
        help="the bike's settings.jsonl, which lies beside its rides: what was changed on the page counts too; without "
        "it the pack file alone",
    )
    parser.add_argument("--estimates", type=Path, metavar="OUT.csv", help="write every row's estimates here")
    what_if.add_arguments(parser)
    parser.add_argument("--json", action="store_true", help="one JSON document instead of the summary")


def run(args: Namespace) -> int:
    """Replay and report. Alarms are no fault: 0. Raises InputError for what cannot be used."""
    filed = load_pack(args.pack)
    pack = filed if args.settings is None else changed.from_log(filed, args.settings)
    on_page = changed.rules_changed(filed, pack)
    settings = what_if.settings(args, pack)
    trace = read_trace(args.trace, pack.series)
    if args.estimates is None:
        result = replay(trace, pack, settings=settings)
    else:
        _refuse_overwriting(args)
        with estimates_file(args.estimates, pack.series) as sink:
            result = replay(trace, pack, sink, settings)
    file = str(args.trace)
    if args.json:
        sys.stdout.write(
            json.dumps(document(result, file) | _told(args, on_page), ensure_ascii=False, allow_nan=False) + "\n"
        )
    else:
        changes = [] if args.settings is None else [f"As changed on the page: {', '.join(on_page) or 'nothing'}"]
        say([*changes, *report(result, file).splitlines()])
    return 0


def _told(args: Namespace, on_page: tuple[str, ...]) -> dict[str, Any]:
    """The document's part on settings, where they were asked for."""
    return {} if args.settings is None else {"changed_on_page": list(on_page)}


def _refuse_overwriting(args: Namespace) -> None:
    for used in (args.trace, args.pack):
        if args.estimates.exists() and args.estimates.samefile(used):
            raise InputError(f"{args.estimates}: --estimates would overwrite the input; choose another file")
