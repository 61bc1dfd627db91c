"""The report's page. Law: what was ridden first, then how the pack did, then each group; every figure with its unit."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from sagwise_daemon.domain.model import AlarmEvent, Floats, Pack
from sagwise_daemon.domain.ports import Ride
from sagwise_daemon.domain.ride.comparison import Band
from sagwise_daemon.io.report import plots, sentences

STYLE = Path(__file__).with_name("report.css")
MARKS_TOLD = 40
CAUTION = (
    "Rest voltages, resistances and sag are estimates made during the ride: a rest voltage is what a voltmeter reads "
    "a minute after stopping. Check a doubtful group with a meter before the next ride."
)


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """What a page is made of. time_s, bands: the ride's channels over equal spans of time."""

    ride: Ride
    summary: Mapping[str, Any]
    pack: Pack
    events: tuple[tuple[float, AlarmEvent], ...]
    time_s: Floats
    bands: Mapping[str, Band]


def page(of: Material) -> str:
    """The whole page."""
    alarms = sentences.raised(of.events)
    body = "".join(
        (
            _head(of),
            _figures(of.summary),
            "<ul class=found>" + "".join(f"<li>{escape(words)}" for words in sentences.found(of.summary)) + "</ul>",
            _plots(of, alarms),
            _alarms(alarms),
            _groups(of.summary),
            _foot(of),
        )
    )
    title = escape(_title(of.ride))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{title}</title><style>{STYLE.read_text(encoding='utf-8')}</style></head>"
        f"<body><main>{body}</main></body></html>\n"
    )


def _title(ride: Ride) -> str:
    return f"{ride.name or ride.kind.capitalize()} {'' if ride.name else ride.ride_id}".strip() + f", {ride.pack}"


def _head(of: Material) -> str:
    ride = of.ride
    try:
        began = f"{datetime.fromtimestamp(ride.started_unix_s, UTC):%d %B %Y, %H:%M} UTC".lstrip("0")
    except (ValueError, OverflowError, OSError):
        began = "date unknown"
    doubt = "" if ride.started_trusted else " (nobody set the clock: the date is a guess)"
    note = f"<p class=note>{escape(ride.note)}</p>" if ride.note else ""
    name = ride.name or f"{ride.kind.capitalize()} {ride.ride_id}"
    return f"<header><h1>{escape(name)}</h1><p>{escape(ride.pack)} · {escape(began)}{doubt}</p>{note}</header>"


def _figures(summary: Mapping[str, Any]) -> str:
    charge = summary["charge"]
    told = _charge_figures(charge) if charge is not None else _ride_figures(summary)
    cells = "".join(f"<div><dt>{escape(name)}<dd>{escape(value)}</div>" for name, value in told)
    return f"<dl>{cells}</dl>"


def _ride_figures(summary: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield "time", f"{sentences.clock(summary['duration_s'])} min"
    if summary["distance_m"] is not None:
        yield "distance", f"{summary['distance_m'] / 1000:.1f} km"
    yield "energy", _number(summary["energy_wh"], 0, "Wh")
    if summary["wh_per_km"] is not None:
        yield "per km", _number(summary["wh_per_km"], 1, "Wh")
    yield "per minute", _number(summary["wh_per_min"], 1, "Wh")
    yield "charge", _number(summary["charge_ah"], 2, "Ah")
    for span in (1, 10, 60):
        yield f"highest over {span} s", _number(summary[f"current_max_{span}s_a"], 0, "A")
    yield "lowest at rest", _number(summary["rest_min_v"], 2, "V")
    yield "lowest loaded", _number(summary["loaded_min_v"], 2, "V")


def _charge_figures(charge: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield "time", f"{sentences.clock(charge['duration_s'])} min"
    yield "energy in", _number(charge["energy_wh"], 0, "Wh")
    yield "charge in", _number(charge["charge_ah"], 2, "Ah")
    yield "highest current", _number(charge["current_max_a"], 1, "A")
    yield "end spread", _number(None if charge["end_spread_v"] is None else 1000 * charge["end_spread_v"], 0, "mV")
    yield "highest at end", _number(charge["end_high_v"], 3, "V")
    yield "lowest at end", _number(charge["end_low_v"], 3, "V")


def _plots(of: Material, alarms: Sequence[tuple[float, AlarmEvent, str]]) -> str:
    x = of.time_s / 60.0
    across = plots.axis(0.0, max(float(of.ride.duration_s) / 60.0, 1e-6), 6)
    drawn = [_volts(of, across, x, _marks(alarms, across))]
    current, warm = of.bands.get("current_a"), of.bands.get("temperature_c")
    if current is not None and not np.isnan(current.high).all():
        up = plots.axis(min(0.0, float(np.nanmin(current.low))), max(1.0, float(np.nanmax(current.high))), 4)
        drawn.append(
            plots.plot(
                "Current", "A, out of the pack", across, up, [_band(across, up, x, current, "drawn")], height=130
            )
        )
    if warm is not None and not np.isnan(warm.high).all():
        up = plots.axis(float(np.nanmin(warm.low)) - 2.0, float(np.nanmax(warm.high)) + 2.0, 3)
        drawn.append(
            plots.plot(
                "Temperature", "°C, coolest to warmest", across, up, [_band(across, up, x, warm, "drawn")], height=90
            )
        )
    return f"<section class=plots>{''.join(drawn)}{plots.minutes(across)}</section>"


def _volts(of: Material, across: plots.Axis, x: Floats, marks: Sequence[plots.Mark]) -> str:
    loaded, rest = of.bands["loaded_v"], of.bands["rest_v"]
    rules = [
        plots.Rule(limit, f"{name} {limit:.2f}")
        for key, name in (("rest_low", "rest limit"), ("loaded_floor", "floor"))
        if (rule := of.pack.rules.get(key)) is not None and (limit := rule.limit) is not None
    ]
    known = np.concatenate([loaded.low, loaded.high, rest.low])
    known = known[~np.isnan(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (3.0, 4.2)
    near = [rule.value for rule in rules if rule.value > low - 0.3]
    up = plots.axis(min([low, *near]) - 0.03, high + 0.03)
    drawn = [_band(across, up, x, loaded), plots.line(across, up, x, rest.low, "rest")]
    return plots.plot(
        "Groups", "V: loaded as a band, the lowest at rest as a line", across, up, drawn, rules, marks, 260
    )


def _band(across: plots.Axis, up: plots.Axis, x: Floats, band: Band, style: str = "band") -> str:
    return plots.band(across, up, x, band.low, band.high, style)


def _marks(alarms: Sequence[tuple[float, AlarmEvent, str]], across: plots.Axis) -> list[plots.Mark]:
    """Numbered as the sentences are; those without room have none, their sentences have the time."""
    moments = [at_s / 60.0 for at_s, _, _ in alarms[:MARKS_TOLD]]
    found = zip(alarms, moments, plots.lanes(moments, across.high), strict=False)
    return [
        plots.Mark(number, min(max(at, 0.0), across.high), event.priority.value, lane)
        for number, ((_, event, _), at, lane) in enumerate(found, 1)
        if lane is not None
    ]


def _alarms(alarms: Sequence[tuple[float, AlarmEvent, str]]) -> str:
    if not alarms:
        return "<section><h2>Alarms</h2><p>None.</p></section>"
    told = "".join(
        f'<li><b class="number {event.priority.value}">{number}</b> <span class=at>{sentences.clock(at_s)}</span> '
        f"<span>{escape(words)} <small>{event.priority.value} priority</small></span>"
        for number, (at_s, event, words) in enumerate(alarms[:MARKS_TOLD], 1)
    )
    more = len(alarms) - MARKS_TOLD
    rest = f"<p>And {more} more.</p>" if more > 0 else ""
    return f"<section><h2>Alarms</h2><ol>{told}</ol>{rest}</section>"


def _groups(summary: Mapping[str, Any]) -> str:
    groups = summary["groups"]
    resistances = [one["resistance_mohm"] for one in groups if one["resistance_mohm"] is not None]
    rests = [one["rest_end_v"] for one in groups if one["rest_end_v"] is not None]
    median = statistics.median(resistances) if resistances else None
    median_rest = statistics.median(rests) if rests else None
    most = max([*resistances, 1.25 * (median or 0.0)], default=0.0)
    rows = "".join(_row(one, median, median_rest, most) for one in groups)
    sag = f"sag at {summary['sag_current_a']:.0f}\u00a0A"
    if median is None:
        hint = "The resistances are not known: the ride had no pulls, or no current was measured."
    else:
        hint = f"The upright in each bar is the pack's median, {median:.2f} mΩ."
    return (
        f"<section><h2>Groups</h2><p>{hint}</p><div class=wide><table><thead><tr><th>group<th class=bars>resistance"
        f"<th>mΩ<th>rest at end<th class=less>lowest rest<th class=less>lowest loaded<th>{sag}<th class=words></thead>"
        f"<tbody>{rows}</tbody></table></div></section>"
    )


def _row(group: Mapping[str, Any], median: float | None, median_rest: float | None, most: float) -> str:
    own = group["resistance_mohm"]
    bar = plots.bar(own / most, (median or 0.0) / most) if own is not None and most else "–"
    words = sentences.odd(group, median_rest)
    return (
        f"<tr{' class=odd' if words else ''}><th>{group['group']}<td class=bars>{bar}<td>{_number(own, 2)}"
        f"<td>{_number(group['rest_end_v'], 3)}<td class=less>{_number(group['rest_min_v'], 3)}"
        f"<td class=less>{_number(group['loaded_min_v'], 3)}<td>{_number(group['sag_v'], 3)}"
        f"<td class=words>{escape(words)}" + (f"<tr class=under><td colspan=8>{escape(words)}" if words else "")
    )


def _foot(of: Material) -> str:
    pack, ride = of.pack, of.ride
    earlier = of.summary["earlier_rides"]
    held = f" Held against {earlier} earlier rides of this pack." if earlier else ""
    what = f"{pack.series} groups of {pack.parallel} × {pack.cell.capacity_ah:g} Ah, {escape(pack.cell.chemistry)}"
    return f"<footer><p>{what}. {ride.samples} readings.{held}</p><p>{CAUTION}</p></footer>"


def _number(value: float | None, digits: int, unit: str = "") -> str:
    return "–" if value is None else f"{value:.{digits}f} {unit}".strip().replace("-", "−")
