"""What a report says. Law: short and concrete, in the trade's terms; a caution says what can happen and what to do."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Basis

# As the page has them; `Group 7` goes before those that have groups.
RULES: Mapping[str, str] = {
    "rest_low": "low at rest",
    "loaded_floor": "under the floor",
    "resistance_high": "resists more than the others",
    "spread_high": "groups far apart",
    "overvoltage": "over full",
    "temperature_high": "pack too hot",
    "temperature_low": "pack very cold",
    "charge_cold": "charging while cold",
    "overcurrent": "current too high",
    "sense_open": "sense lead open",
    "sense_crossed": "sense leads crossed",
    "reading_stuck": "reading stuck",
    "current_sensor": "current sensor wrong",
    "link_lost": "no data from the board",
    "turn_back": "time to turn back",
    "storage": "recording at risk",
    "clock_unset": "clock not set",
}
TOGETHER_S = 2.0  # groups that a rule raises within this are one thing to read
UNITS = {"degC": "°C", "1": "times"}


def clock(seconds: float) -> str:
    """Minutes and seconds of the ride."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def raised(events: Sequence[tuple[float, AlarmEvent]]) -> list[tuple[float, AlarmEvent, str]]:
    """Each time an alarm was raised, with its sentence; groups that a rule raised together have one."""
    found = []
    for together in _together(events):
        place, at_s, event = together[0]
        worst = max((one for _, _, one in together), key=_beyond)
        groups = sorted(one.group for _, _, one in together if one.group is not None)
        words = f"{_what(event.rule, groups)}{_values(worst)}.{_after(event, at_s, events[place + 1 :])}"
        found.append((at_s, event, words))
    return found


def _together(events: Sequence[tuple[float, AlarmEvent]]) -> list[list[tuple[int, float, AlarmEvent]]]:
    found: list[list[tuple[int, float, AlarmEvent]]] = []
    for place, (at_s, event) in enumerate(events):
        if event.to is not AlarmState.UNACKNOWLEDGED:
            continue
        mine = next((some for some in found[-3:] if _joins(some, at_s, event)), None)
        if mine is None:
            found.append([(place, at_s, event)])
        else:
            mine.append((place, at_s, event))
    return found


def _joins(some: Sequence[tuple[int, float, AlarmEvent]], at_s: float, event: AlarmEvent) -> bool:
    _, first_s, first = some[0]
    known = {one.group for _, _, one in some}
    return first.rule == event.rule and event.group not in known and at_s - first_s <= TOGETHER_S


def _beyond(event: AlarmEvent) -> float:
    """How far beyond its limit; 0 where that has no meaning."""
    return 0.0 if event.value is None or event.limit is None else abs(event.value - event.limit)


def _what(rule: str, groups: Sequence[int]) -> str:
    words = RULES.get(rule, rule.replace("_", " "))
    if groups:
        return f"Group{'s' if len(groups) > 1 else ''} {_spans(groups)} {words}"
    return words[0].upper() + words[1:]


def _spans(groups: Sequence[int]) -> str:
    """1, 2, 3, 7 as "1 to 3, 7"."""
    spans: list[list[int]] = []
    for group in groups:
        if spans and group == spans[-1][-1] + 1:
            spans[-1].append(group)
        else:
            spans.append([group])
    return ", ".join(str(span[0]) if len(span) == 1 else f"{span[0]} to {span[-1]}" for span in spans)


def _values(event: AlarmEvent) -> str:
    if event.value is None or not math.isfinite(event.value):
        return ""
    if event.rule == "turn_back":
        return _margin(event.value, event.limit)
    how = " loaded" if event.basis is Basis.LOADED else ""
    limit = "" if event.limit is None else f", limit {_amount(event.limit, event.unit)}"
    return f": {_amount(event.value, event.unit)}{how}{limit}"


def _margin(value: float, limit: float | None) -> str:
    """Energy left against what home takes, as the page has it."""
    if value < 0.0:
        return f": {-100 * value:.0f} % too little for home"
    wanted = "" if limit is None else f", {100 * limit:.0f} % wanted"
    return f": {100 * value:.0f} % more than home takes{wanted}"


def _amount(value: float, unit: str) -> str:
    digits = 1 if unit in ("degC", "A", "s") else 2
    return f"{value:.{digits}f} {UNITS.get(unit, unit)}".replace("-", "−")


def _after(event: AlarmEvent, at_s: float, later: Sequence[tuple[float, AlarmEvent]]) -> str:
    """Who saw it, and when it was over."""
    said = ""
    for then_s, other in later:
        if (other.rule, other.group) != (event.rule, event.group):
            continue
        if other.to is AlarmState.ACKNOWLEDGED and not said:
            by = {"page": " on the page", "button": " by the button"}.get(other.by or "", "")
            said = f" Acknowledged{by} after {clock(then_s - at_s)}."
        elif other.to in (AlarmState.NORMAL, AlarmState.RETURN_UNACKNOWLEDGED):
            return f"{said} Over after {clock(then_s - at_s)}."
        elif other.to is AlarmState.UNACKNOWLEDGED:
            break
    return said


def found(summary: Mapping[str, Any]) -> Iterator[str]:
    """What the summary says in words, the most important first."""
    weakest = summary["weakest"]
    if weakest is not None and weakest["reason"] != "none":
        yield f"Weakest is group {weakest['group']}. {weakest['words']}"
    elif weakest is not None:
        yield f"{weakest['words']}"
    buzzer = summary["plain_buzzer"]
    if buzzer is not None:
        yield _buzzer(buzzer, summary["alarms"])
    for part in ("standing", "since_before"):
        if summary[part] is not None:
            yield f"{_since(summary[part])}{summary[part]['words']}"
    if summary["charge"] is not None:
        yield from _charge(summary["charge"])


def _buzzer(buzzer: Mapping[str, Any], alarms: Sequence[Mapping[str, Any]]) -> str:
    ours = next((alarm["count"] for alarm in alarms if alarm["rule"] == "rest_low"), 0)
    head = f"Warnings of a low group: {ours or 'none'}. A plain buzzer at {buzzer['limit_v']:.2f} V would "
    if not buzzer["sounded"]:
        return head + "never have sounded."
    times = "once" if buzzer["sounded"] == 1 else f"{buzzer['sounded']} times"
    early = f"{buzzer['before_low']} of them while no group was low at rest yet"
    return head + f"have sounded {times}, the first at {clock(buzzer['first_s'])}; {early}."


def _since(loss: Mapping[str, Any]) -> str:
    days = loss["hours"] / 24.0
    lost_mv = 1000 * loss["median_loss_v_per_day"]
    went = f"fell by {lost_mv:.1f}" if lost_mv >= 0.0 else f"rose by {-lost_mv:.1f}"
    return f"Over {days:.1f} days of standing the groups {went} mV a day in the median. "


def _charge(charge: Mapping[str, Any]) -> Iterator[str]:
    spread = charge["end_spread_v"]
    if spread is not None:
        yield f"At the end of the charge the groups lay {1000 * spread:.0f} mV apart."
    if charge["first_full"]:
        yield f"Full first: group {_spans(charge['first_full'])}; last: {_spans(charge['last_full'])}."


def odd(group: Mapping[str, Any], median_rest_v: float | None) -> str:
    """What is odd about one group, in a few words; empty where nothing is."""
    said = []
    ratio, before = group["resistance_ratio"], group["resistance_before_ratio"]
    if ratio is not None and ratio >= 1.15:
        said.append(f"resists {100 * (ratio - 1):.0f} % more than the median")
    if before is not None and before >= 1.15:
        said.append(f"{100 * (before - 1):.0f} % more than on earlier rides")
    if group["rest_end_v"] is not None and median_rest_v is not None and median_rest_v - group["rest_end_v"] >= 0.03:
        said.append(f"ends {1000 * (median_rest_v - group['rest_end_v']):.0f} mV low")
    return ", ".join(said)
