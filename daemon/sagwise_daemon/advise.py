"""The advise verb: settings proposed from a pack's stored rides, with the reasons. Law: what is proposed is said with
the rides behind it, and that they are too few where they are.

The stored samples are replayed through the live estimator, so that every candidate is judged on estimates of today.
"""

from __future__ import annotations

import json
import logging
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sagwise_daemon.changed import from_log, rules_changed
from sagwise_daemon.config import load_pack
from sagwise_daemon.domain.alarm.causes import FOLLOW_S
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.pack.profile import RULES
from sagwise_daemon.domain.ports import Ride, RideFilter
from sagwise_daemon.domain.ride.advice import (
    BUZZER_LATE_S,
    EARLY_S,
    ENOUGH_LOW,
    ENOUGH_RIDES,
    LEAD_S,
    SHORTEST_S,
    Advice,
    Change,
    RideTried,
    advise,
    candidates,
    usual_v,
)
from sagwise_daemon.domain.ride.kinds import RIDE
from sagwise_daemon.domain.ride.settings_grid import RULE, Setting, floor_s
from sagwise_daemon.errors import InputError, StoreError
from sagwise_daemon.io.changes import SETTINGS_FILE
from sagwise_daemon.io.export import trace_of
from sagwise_daemon.io.store import Store
from sagwise_daemon.replay import replay
from sagwise_daemon.terminal import say

log = logging.getLogger(__name__)

NEWEST, EVERY = 20, 1_000_000
CAUTION = (
    "This is a proposal from your own rides, not a guarantee. The limits of the cell maker come first: where the maker "
    "asks for more, take the maker's. Check with a voltmeter: one minute after a stop the group should read what is "
    "called its rest voltage here. Old, cold or unknown cells deserve a higher limit."
)


@dataclass(frozen=True, slots=True)
class Looked:
    """The rides that can be used, and why each other one cannot. others: packs of the store, where it has no ride of
    this one."""

    rides: tuple[RideTried, ...]
    skipped: tuple[tuple[int, str], ...]
    others: tuple[str, ...] = ()


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("--store", type=Path, required=True, metavar="PATH", help="the ride store's file")
    parser.add_argument(
        "--pack",
        type=Path,
        required=True,
        metavar="PACK",
        help="the pack file (TOML); what was changed on the page (settings.jsonl beside the store) counts too",
    )
    parser.add_argument("--rides", type=int, default=NEWEST, metavar="N", help="how many of the newest to look at")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of the words")


def run(args: Namespace) -> int:
    """Propose and say why: 0. Raises InputError for what cannot be used."""
    filed = load_pack(args.pack)
    log = args.store.with_name(SETTINGS_FILE)
    pack = from_log(filed, log) if log.is_file() else filed
    if args.rides < 1:
        raise InputError(f"--rides: {args.rides} is not allowed; write 1 or more")
    if not args.store.is_file():
        raise InputError(f"{args.store}: no such file; give the path of the ride store")
    try:
        store = Store.open(args.store)
    except StoreError as fault:
        raise InputError(str(fault)) from fault
    with store:
        looked = look(store, pack, args.rides)
    advice = advise(pack, looked.rides)
    if args.json:
        sys.stdout.write(json.dumps(document(pack, looked, advice), ensure_ascii=False, allow_nan=False) + "\n")
    else:
        on_page = RULE in rules_changed(filed, pack)
        say(words(pack, looked, advice, on_page))
    return 0


def look(store: Store, pack: Pack, newest: int = NEWEST) -> Looked:
    """Try every candidate on the newest stored rides of this pack."""
    rides = store.rides.rides(newest, wanted=RideFilter(kind=RIDE, pack=pack.name))
    if not rides:
        others = {ride.pack for ride in store.rides.rides(EVERY, wanted=RideFilter(kind=RIDE))}
        return Looked((), (), tuple(sorted(others)))
    tried, skipped = [], []
    for ride in rides:
        why = _unusable(store, ride, pack)
        if why is None:
            log.info("ride %d, %.0f min", ride.ride_id, ride.duration_s / 60)
            tried.append(_try(store, ride, pack))
        else:
            skipped.append((ride.ride_id, why))
    return Looked(tuple(tried), tuple(skipped))


def _unusable(store: Store, ride: Ride, pack: Pack) -> str | None:
    if ride.ended_by is None:
        return "still goes on"
    if ride.series != pack.series:
        return f"was ridden with {ride.series} groups, and the pack file has {pack.series}"
    if ride.duration_s < SHORTEST_S:
        return f"lasted {ride.duration_s / 60:.1f} min, and {SHORTEST_S / 60:g} are needed"
    ridden = store.rides.pack(ride.ride_id)
    then = (ridden["parallel"], ridden["cell"]["chemistry"], ridden["cell"]["capacity_ah"])
    if then != (pack.parallel, pack.cell.chemistry, pack.cell.capacity_ah):
        return f"was ridden as {then[0]} in parallel of {then[1]} {then[2]:g} Ah"
    return None if store.rides.readings(ride.ride_id) is not None else "has no samples"


def _try(store: Store, ride: Ride, pack: Pack) -> RideTried:
    readings = store.rides.readings(ride.ride_id)
    assert readings is not None
    result = replay(trace_of(readings), pack, settings=candidates(pack))
    return RideTried(ride.ride_id, ride.duration_s, floor_s(result.events), {one.setting: one for one in result.tried})


def document(pack: Pack, looked: Looked, advice: Advice) -> dict[str, Any]:
    """The JSON document; unknown numbers are None."""
    counted, buzzer = advice.counted, advice.buzzer
    return {
        "pack": pack.name,
        "enough": counted.enough,
        "rides": {
            "used": list(counted.used),
            "skipped": [{"ride": number, "why": why} for number, why in looked.skipped],
            "low": list(counted.low),
            "floor": list(counted.floor),
            "floor_by_sag": list(counted.by_sag),
            "late": list(advice.late),
            "needed": ENOUGH_RIDES,
            "needed_low": ENOUGH_LOW,
        },
        "rest_low": {
            "change": advice.change.value,
            "now_v": advice.now.limit_v,
            "now_on_delay_s": advice.now.on_delay_s,
            "proposed_v": advice.proposed.limit_v,
            "proposed_on_delay_s": advice.proposed.on_delay_s,
            "per_ride": [_of_ride(ride, advice) for ride in looked.rides],
        },
        "plain_buzzer": None
        if buzzer is None
        else {
            "limit_v": buzzer.setting.limit_v,
            "on_delay_s": buzzer.setting.on_delay_s,
            "false": buzzer.false,
            "rides_in_time": buzzer.in_time,
        },
        "why": list(_reasons(pack, looked.rides, advice)),
        "caution": CAUTION,
    }


def _of_ride(ride: RideTried, advice: Advice) -> dict[str, Any]:
    tried = ride.tried[advice.proposed]
    return {
        "ride": ride.ride_id,
        "duration_s": round(ride.duration_s, 3),
        "warnings": tried.rest.count,
        "to_end_s": _rounded(tried.rest.to_end_s),
        "to_end_wh": _rounded(tried.rest.to_end_wh),
        "to_floor_s": _rounded(tried.rest.to_floor_s),
        "plain_warnings": tried.plain.count,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def words(pack: Pack, looked: Looked, advice: Advice, on_page: bool = False) -> Iterator[str]:
    """The same for people. on_page: `rest_low` is not as the pack file has it, but as it was set on the page."""
    yield f"{pack.name}: {_count(len(looked.rides), 'stored ride')} looked at"
    yield from (f"  ride {number} left out: it {why}" for number, why in looked.skipped)
    if looked.others:
        yield f"  no ride of a pack of that name is stored; there are rides of {', '.join(looked.others)}"
    yield ""
    yield from _reasons(pack, looked.rides, advice)
    yield ""
    if advice.proposed != advice.now or not pack.rules[RULE].enabled:
        yield from _to_write(pack, advice, on_page)
        yield ""
    yield CAUTION


def _to_write(pack: Pack, advice: Advice, on_page: bool) -> Iterator[str]:
    """The lines that make the pack file say what is proposed."""
    if on_page:
        yield f"{RULE} was set on the page, which outdoes the pack file: change it there, on the view of the pack."
    yield "In the pack file:"
    yield f"  [alarm.{RULE}]"
    yield f"  {RULES[RULE].limit_key} = {_volts(advice.proposed.limit_v)[:-2]}"
    yield f"  on_delay_s = {advice.proposed.on_delay_s:g}"
    if not pack.rules[RULE].enabled:
        yield "  enabled = true"


def _reasons(pack: Pack, rides: Sequence[RideTried], advice: Advice) -> Iterator[str]:
    """One sentence or two a line, the proposal first."""
    yield _proposal(pack, advice)
    if not pack.rules[RULE].enabled:
        yield (
            f"{RULE} is switched off, so nothing warns of an empty group before the floor: switch it on. What follows "
            "is what it would have done."
        )
    if not advice.counted.enough:
        yield (
            f"Not enough rides yet: {len(advice.counted.used)}, {len(advice.counted.low)} of them low; "
            f"{ENOUGH_RIDES} are needed, {ENOUGH_LOW} of them low. Until then nothing is made to warn later."
        )
    if rides:
        yield _told(rides, advice.proposed)
        yield from _floors(pack, rides, advice)
        yield from _buzzer(rides, advice)


def _proposal(pack: Pack, advice: Advice) -> str:
    now, proposed, usual = advice.now, advice.proposed, usual_v(pack)
    verb = {Change.KEEP: "Keep", Change.RAISE: "Raise", Change.LOWER: "Lower"}[advice.change]
    what = f"{verb} {RULE}" + (" at" if advice.change is Change.KEEP else f" from {_volts(now.limit_v)} to")
    what += f" {_volts(proposed.limit_v)}, on-delay {proposed.on_delay_s:g} s"
    if proposed.on_delay_s != now.on_delay_s:
        what += f" instead of {now.on_delay_s:g} s, since warnings came back again and again"
    if advice.late and advice.change is Change.RAISE:
        return f"{what}: it warned under {LEAD_S / 60:g} min before the floor in {_numbers(advice.late)}."
    if advice.late:
        return f"{what}: it warned late in {_numbers(advice.late)}, and no higher limit tried does better."
    if advice.change is Change.RAISE:
        return f"{what}: {_volts(usual)} is usual for {pack.cell.chemistry}, and too few rides speak for less."
    if advice.change is Change.LOWER:
        return f"{what}: every ride that went low went on for over {EARLY_S / 60:g} min and never met the floor."
    return f"{what}."


def _told(rides: Sequence[RideTried], setting: Setting) -> str:
    """How often and how early that setting would have warned, and a plain buzzer with it."""
    heard = [ride.tried[setting] for ride in rides]
    warned = [one.rest for one in heard if one.rest.raises]
    said = f"It would have warned {_times(sum(one.rest.heard(FOLLOW_S) for one in heard))}"
    if warned:
        said += f", in {len(warned)} of {_count(len(heard), 'ride')}"
        said += f", first {_span([(one.to_end_s or 0.0) / 60 for one in warned], 1)} min before the end of the ride"
        energy = [one.to_end_wh for one in warned if one.to_end_wh is not None]
        said += f" ({_span(energy, 0)} Wh)" if energy else ""
    sounded = sum(one.plain.count for one in heard)
    return f"{said}. A plain buzzer with this limit and delay would have sounded {_times(sounded)}."


def _span(values: Sequence[float], digits: int) -> str:
    """As 2.8 to 6.8; one number where both ends read alike."""
    low, high = f"{min(values):.{digits}f}", f"{max(values):.{digits}f}"
    return low if low == high else f"{low} to {high}"


def _floors(pack: Pack, rides: Sequence[RideTried], advice: Advice) -> Iterator[str]:
    counted = advice.counted
    met = [ride for ride in rides if ride.ride_id in set(counted.floor) - set(counted.by_sag)]
    if not counted.floor:
        yield f"No ride reached the floor of {_volts(pack.cell.empty_v)}."
    for ride in met:
        lead_s = ride.tried[advice.proposed].rest.to_floor_s
        when = "without a warning" if lead_s is None else f"{lead_s / 60:.1f} min after the warning"
        yield f"Ride {ride.ride_id} reached the floor {when}."
    if counted.by_sag:
        yield (
            f"In {_numbers(counted.by_sag)} the floor was met by sag alone, before any limit tried would have warned: "
            "pull less hard there, and look for cold or aged cells and loose joints."
        )


def _buzzer(rides: Sequence[RideTried], advice: Advice) -> Iterator[str]:
    if advice.buzzer is None:
        yield "No ride went low, so nothing can be said about a plain buzzer yet."
        return
    buzzer, low = advice.buzzer, sum(bool(ride.tried[advice.proposed].rest.raises) for ride in rides)
    yield (
        f"For a plain buzzer: {_volts(buzzer.setting.limit_v)} after {buzzer.setting.on_delay_s:g} s. "
        f"It would have sounded within {BUZZER_LATE_S / 60:g} min of a low group in {buzzer.in_time} of {low} rides, "
        f"and {_times(buzzer.false)} while none was low."
        + ("" if advice.counted.enough else " On so few rides, a guess.")
    )


def _volts(volts: float) -> str:
    return f"{volts:.2f} V" if round(volts, 2) == volts else f"{volts:g} V"


def _numbers(rides: Sequence[int]) -> str:
    return ("ride " if len(rides) == 1 else "rides ") + ", ".join(map(str, rides))


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


def _times(number: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(number, f"{number} times")
