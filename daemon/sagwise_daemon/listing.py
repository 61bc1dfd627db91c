"""The rides verb: what the store has, and what a person changes about it. Law: nothing is taken away for good but by
`--purge`.
"""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from textwrap import wrap
from typing import Any

from sagwise_daemon.domain.ports import Ride, RideFilter
from sagwise_daemon.domain.ride.kinds import KINDS
from sagwise_daemon.errors import InputError, StoreError
from sagwise_daemon.io.store import Store
from sagwise_daemon.io.store.changes import Changes
from sagwise_daemon.io.store.engine import reader_engine
from sagwise_daemon.io.store.history import History
from sagwise_daemon.terminal import say

NEWEST = 50
WIDTH, INDENT = 80, " " * 5  # of a usual terminal


def add_arguments(parser: ArgumentParser) -> None:
    """The verb's options."""
    parser.add_argument("rides", type=int, nargs="*", metavar="RIDE", help="only these, with their summaries")
    parser.add_argument("--store", type=Path, required=True, metavar="PATH", help="the ride store's file")
    parser.add_argument("--pack", metavar="NAME", help="only of this pack")
    parser.add_argument("--kind", choices=KINDS, help="only of this kind")
    parser.add_argument("--since", metavar="DATE", help="begun on that day or later, as 2026-05-01 (UTC)")
    parser.add_argument("--until", metavar="DATE", help="begun before that day")
    parser.add_argument("--limit", type=int, default=NEWEST, metavar="N", help=f"how many of the newest ({NEWEST})")
    parser.add_argument("--deleted", action="store_true", help="those that were deleted instead")
    parser.add_argument("--again", action="store_true", help="work the summaries of RIDE out anew")
    parser.add_argument("--name", help="give RIDE this name; an empty one takes it away")
    parser.add_argument("--note", help="give RIDE this note")
    parser.add_argument("--correct-pack", metavar="NAME", help="RIDE was ridden with this pack of the store")
    either = parser.add_mutually_exclusive_group()
    either.add_argument("--delete", action="store_true", help="delete RIDE; --restore undoes it")
    either.add_argument("--restore", action="store_true", help="undo --delete")
    parser.add_argument("--purge", action="store_true", help="take away for good what was deleted")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of the table")


def run(args: Namespace) -> int:
    """List or change: 0. Raises InputError for what cannot be used."""
    if not args.store.is_file():
        raise InputError(f"{args.store}: no such file; give the path of the ride store")
    if args.limit < 1:
        raise InputError(f"--limit: {args.limit} is not allowed; write 1 or more")
    wanted = RideFilter(args.kind, args.pack, _day("--since", args.since), _day("--until", args.until), args.deleted)
    try:
        store = Store.open(args.store)
    except StoreError as fault:
        raise InputError(str(fault)) from fault
    with store:
        _change(store, args)
        if args.rides:
            _tell(args, [(ride, _summary(store, ride.ride_id, args.again)) for ride in _named(store, args.rides)])
        else:
            _hint(store, args.pack)
            _tell(args, [(ride, None) for ride in store.rides.rides(args.limit, wanted=wanted)])
    return 0


def _change(store: Store, args: Namespace) -> None:
    """What the options ask to be changed, before anything is listed."""
    given = {"name": args.name, "note": args.note, "pack": args.correct_pack}
    wish = {key: value for key, value in given.items() if value is not None}
    if (wish or args.delete or args.restore) and not args.rides:
        raise InputError("RIDE is missing; say which rides are to be changed")
    deleted = True if args.delete else False if args.restore else None
    engine = reader_engine(store.path)
    changes = Changes(engine, store.path)
    try:
        if wish or deleted is not None or args.purge:  # a number that no ride has keeps all of it from being done
            changes.together(args.rides, wish, deleted=deleted)
        if args.purge:
            gone = changes.purge()
            sys.stderr.write(f"{len(gone)} gone for good\n")
    except (KeyError, ValueError) as refused:
        raise InputError(f"{store.path}: {refused.args[0]}") from None
    finally:
        changes.close()
        engine.dispose()


def _hint(store: Store, name: str | None) -> None:
    """Say which packs there are where the store has no record of that one: an empty list alone would puzzle."""
    if name is None or any(store.rides.rides(1, wanted=RideFilter(pack=name, deleted=gone)) for gone in (False, True)):
        return
    engine = reader_engine(store.path)
    changes = Changes(engine, store.path)
    try:
        known = ", ".join(pack.name for pack in changes.known_packs()) or "none yet"
    finally:
        changes.close()
        engine.dispose()
    sys.stderr.write(f"--pack: the store has no rides of {name!r}; its packs are: {known}\n")


def _named(store: Store, numbers: Sequence[int]) -> Iterator[Ride]:
    for ride_id in numbers:
        try:
            yield store.rides.ride(ride_id)
        except KeyError:
            raise InputError(f"{store.path}: there is no ride {ride_id}") from None


def _summary(store: Store, ride_id: int, again: bool) -> dict[str, Any] | None:
    engine = reader_engine(store.path)
    history = History(engine, store.path)
    try:
        return history.summary(ride_id, again)
    finally:
        history.close()
        engine.dispose()


def _tell(args: Namespace, told: Sequence[tuple[Ride, dict[str, Any] | None]]) -> None:
    if args.json:
        rides = [{**asdict(ride), **({"summary": summary} if args.rides else {})} for ride, summary in told]
        sys.stdout.write(json.dumps({"rides": rides}, ensure_ascii=False, allow_nan=False) + "\n")
        return
    say(table([ride for ride, _ in told]))
    for ride, summary in told:
        if summary is not None:
            say(["", *words(ride, summary)])


def table(rides: Sequence[Ride]) -> Iterator[str]:
    """One line a ride; below it its name, its pack where that is a long one, and what is to be known of it."""
    yield "ride kind     begun (UTC)         min    Wh    km maxA restV alarms pack"
    for ride in rides:
        km = None if ride.distance_m is None else ride.distance_m / 1000
        line = (
            f"{ride.ride_id:4} {ride.kind:8} {_date(ride):17} {_figure(ride.duration_s / 60, 0):>5} "
            f"{_figure(ride.energy_wh, 0):>5} {_figure(km, 1):>5} {_figure(ride.current_max_a, 0):>4} "
            f"{_figure(ride.rest_min_v, 3):>5} {ride.alarms:6} "
        )
        fits = len(line) + len(ride.pack) <= WIDTH
        yield line + ride.pack if fits else line.rstrip()
        below = f"{', '.join(filter(None, (ride.name, '' if fits else ride.pack)))} {_marks(ride)}".strip()
        yield from wrap(below, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)


def _marks(ride: Ride) -> str:
    marks = [mark for mark, is_so in (("deleted", ride.deleted), ("thinned", ride.thinned)) if is_so]
    return f"({', '.join(marks)})" if marks else ""


def words(ride: Ride, summary: dict[str, Any]) -> Iterator[str]:
    """A summary for people."""
    yield f"{ride.kind} {ride.ride_id}" + (f": {ride.note}" if ride.note else "")
    yield (
        f"  {_figure(summary['energy_wh'], 1)} Wh, {_figure(summary['charge_ah'], 2)} Ah, "
        f"{_figure(summary['wh_per_km'], 1)} Wh/km, {_figure(summary['wh_per_min'], 1)} Wh/min"
    )
    yield "  highest current over " + ", ".join(
        f"{span} s {_figure(summary[f'current_max_{span}s_a'], 0)} A" for span in (1, 10, 60)
    )
    if summary["weakest"] is not None:
        weakest = summary["weakest"]
        group = "" if weakest["reason"] == "none" else f"weakest: group {weakest['group']}. "
        yield f"  {group}{weakest['words']}"
    for alarm in summary["alarms"]:
        groups = ", group " + ", ".join(map(str, alarm["groups"])) if alarm["groups"] else ""
        yield f"  {alarm['rule']}: {_times(alarm['count'])}, first at {alarm['first_s']:.0f} s{groups}"
    buzzer = summary["plain_buzzer"]
    if buzzer is not None:
        yield (
            f"  a plain buzzer at {buzzer['limit_v']:.2f} V would have sounded {_times(buzzer['sounded'])}, "
            f"{buzzer['before_low']} of them before any group was low at rest"
        )
    for part in ("standing", "since_before"):
        if summary[part] is not None:
            yield f"  {summary[part]['words']}"


def _times(count: int) -> str:
    return "1 time" if count == 1 else f"{count} times"


def _date(ride: Ride) -> str:
    try:
        began = datetime.fromtimestamp(ride.started_unix_s, UTC)
    except (ValueError, OverflowError, OSError):
        return "?"
    return f"{began:%Y-%m-%d %H:%M}" + ("" if ride.started_trusted else "?")


def _day(option: str, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        day = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option}: {text!r} is no date; write it like 2026-05-01") from None
    return (day if day.tzinfo else day.replace(tzinfo=UTC)).timestamp()


def _figure(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"
