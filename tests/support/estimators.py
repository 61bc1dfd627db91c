"""sagwise and two simpler ways of telling a low cell, each over one ride. Law: sagwise by its own replay, nothing less.

`ours` is the code of the bike: `replay` with the core, the estimates it writes and the `rest_low` events it raises.
`plain` is a buzzer on the loaded voltage, each group's for itself. `fixed_r0` adds the current times a resistance that
is known exactly at the ride's start and never learnt. Both sound after 1 s and re-arm at the limit.
"""

from __future__ import annotations

import numpy as np
from estimate_score import Found, Spans
from truth_rides import STEP_S, Truth

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Estimates, Floats, Pack
from sagwise_daemon.io.trace import Trace
from sagwise_daemon.replay import replay

ON_DELAY_S = 1.0


def ours(trace: Trace, pack: Pack) -> Found:
    """The daemon's estimates and alarms."""
    made: list[Estimates] = []
    result = replay(trace, pack, made.append)
    end_s = float(trace.time_s[-1]) + STEP_S
    return Found(
        rest=np.concatenate([e.rest_v for e in made]),
        sigma=np.concatenate([e.rest_sigma_v for e in made]),
        ocv=np.concatenate([e.ocv_v for e in made]),
        resistance=np.concatenate([e.resistance_mohm for e in made]),
        alarms=[sounding(result.events, "rest_low", number, end_s) for number in range(1, pack.series + 1)],
    )


def sounding(events: tuple[AlarmEvent, ...], rule: str, group: int, end_s: float) -> Spans:
    """The spans in which a group's alarm sounds."""
    spans: Spans = []
    since: float | None = None
    for event in events:
        if event.rule != rule or event.group != group:
            continue
        if event.to is AlarmState.UNACKNOWLEDGED:
            since = event.time_s if since is None else since
        elif since is not None:
            spans.append((since, event.time_s))
            since = None
    return spans if since is None else [*spans, (since, end_s)]


def plain(trace: Trace, limit_v: float) -> Found:
    """The loaded voltage for what it is not."""
    return _simple(trace, trace.group_v, np.full(trace.group_v.shape, np.nan), limit_v)


def fixed_r0(trace: Trace, truth: Truth, limit_v: float) -> Found:
    """Loaded voltage and current times each group's true first 1 s resistance."""
    resistance = np.broadcast_to(truth.r_1s_mohm[:, 0], trace.group_v.shape)
    current = np.zeros(len(trace.time_s)) if trace.current_a is None else np.nan_to_num(trace.current_a)
    return _simple(trace, trace.group_v + resistance * 1e-3 * current[:, None], resistance, limit_v)


def _simple(trace: Trace, rest: Floats, resistance: Floats, limit_v: float) -> Found:
    alarms = [buzzer(trace.time_s, column, limit_v) for column in rest.T]
    return Found(rest, np.full(rest.shape, np.nan), rest, resistance, alarms)


def buzzer(time_s: Floats, volts: Floats, limit_v: float) -> Spans:
    """Sounds after a second below the limit, until the limit is reached again."""
    below = volts < limit_v
    edges = np.flatnonzero(np.diff(below, prepend=False, append=False)).reshape(-1, 2)
    ends = np.append(time_s, time_s[-1] + STEP_S)
    spans = [(float(time_s[first]) + ON_DELAY_S, float(ends[after])) for first, after in edges.tolist()]
    return [(start, end) for start, end in spans if end > start]
