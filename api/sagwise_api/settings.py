"""What the owner may set about the page. Law: values only; without a code nobody can pair."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class PageSettings:
    """pairing_code: what a new phone must send; blanks, dashes and case do not count. None: no phone can pair.

    paired_on_loopback: requests from this very machine need no pairing (the demo).
    allowed_hosts: names the bike is reached by, without port ("sagwise.local"); localhost and the address of the
    bike that a request came in on are always allowed.
    devices_path: where the paired phones are kept over a restart; None: they are not.
    anyone_may_look: a stranger on the bike's network sees everything but the list of phones, and changes nothing.
    max_streams: open live streams at a time; one more closes the oldest.
    """

    pairing_code: str | None = None
    paired_on_loopback: bool = False
    allowed_hosts: tuple[str, ...] = ()
    devices_path: Path | None = None
    anyone_may_look: bool = False
    max_streams: int = 16
