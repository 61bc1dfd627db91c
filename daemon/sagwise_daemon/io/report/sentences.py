"""What a report says. Law: short and concrete, in the trade's terms; a caution says what can happen and what to do."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sagwise_daemon.domain.model import AlarmEvent, AlarmState, Basis

RULES: Mapping[str, str] = {
    "rest_low": "was low at rest",
    "loaded_floor": "was under the floor",
    "resistance_high": "resisted more than the others",
    "spread_high": "groups were far apart",
    "overvoltage": "was over full",
    "temperature_high": "the pack was too hot",
    "temperature_low": "the pack was very cold",
    "charge_cold": "it was charged while cold",
    "overcurrent": "the current was too high",
    "sense_open": "had an open sense lead",
    "sense_crossed": "had crossed sense leads",
    "reading_stuck": "had a stuck reading",
    "current_sensor": "the current sensor was wrong",
    "link_lost": "no data came from the board",
    "turn_back": "it was time to turn back",
}
UNITS = {"degC": "°C", "1": "times"}


def clock(seconds: float) -> str:
    """Minutes and seconds of the ride."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def raised(events: Sequence[tuple[float, AlarmEvent]]) -> list[tuple[float, AlarmEvent, str]]:
    """Each time an alarm was raised, with its sentence."""
    found = []
    for place, (at_s, event) in enumerate(events):
        if event.to is AlarmState.UNACKNOWLEDGED:
            found.append((at_s, event, f"{_what(event)}{_values(event)}.{_after(event, at_s, events[place + 1 :])}"))
    return found


def _what(event: AlarmEvent) -> str:
    words = RULES.get(event.rule, event.rule.replace("_", " "))
    if event.group is not None:
        return f"Group {event.group} {words}"
    return words[0].upper() + words[1:]


def _values(event: AlarmEvent) -> str:
    if event.value is None or not math.isfinite(event.value):
        return ""
    how = {Basis.REST: " at rest", Basis.LOADED: " loaded"}.get(event.basis) if event.basis else ""
    limit = "" if event.limit is None else f", limit {_amount(event.limit, event.unit)}"
    return f": {_amount(event.value, event.unit)}{how}{limit}"


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


def found(summary: Mapping[str, Any], earlier_words: bool = True) -> Iterator[str]:
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
    head = f"Warnings of a low group: {ours or 'none'}. A plain buzzer at {buzzer['limit_v']:.2f} V would have sounded "
    if not buzzer["sounded"]:
        return head + "never."
    early = buzzer["before_low"]
    times = "once" if buzzer["sounded"] == 1 else f"{buzzer['sounded']} times"
    return (
        head + f"{times}, the first at {clock(buzzer['first_s'])}; {early} of them while no group was low at rest yet."
    )


def _since(loss: Mapping[str, Any]) -> str:
    days = loss["hours"] / 24.0
    return f"Over {days:.1f} days of standing the pack lost {1000 * loss['median_loss_v_per_day']:.1f} mV a day. "


def _charge(charge: Mapping[str, Any]) -> Iterator[str]:
    spread = charge["end_spread_v"]
    if spread is not None:
        yield f"At the end of the charge the groups lay {1000 * spread:.0f} mV apart."
    if charge["first_full"]:
        yield f"Full first: group {_list(charge['first_full'])}; last: {_list(charge['last_full'])}."


def _list(groups: Sequence[int]) -> str:
    return ", ".join(map(str, groups))


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
