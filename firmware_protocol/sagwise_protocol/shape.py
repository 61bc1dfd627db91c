"""The form that `layout.py` fills in. Law: plain tables, no message named here and no byte read or written."""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct


@dataclass(frozen=True, slots=True)
class Tail:
    """The array or text behind a run of fixed fields; its length is the last field of that run.

    name: attribute of the message. code: struct code of one entry, "" for UTF-8 text. item_bytes: size of one
    entry. low, high: allowed number of entries (bytes, for text).
    """

    name: str
    code: str
    item_bytes: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Part:
    """A run of fixed fields read at one go, and what follows it.

    names: the attributes in it, without the length of the tail.
    """

    fixed: Struct
    names: tuple[str, ...]
    tail: Tail | None


@dataclass(frozen=True, slots=True)
class Span:
    """An attribute and the range it keeps, both ends included."""

    name: str
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Layout:
    """How one message lies in a body.

    name: its name in messages.toml. message: its dataclass. number: its type on the wire.
    from_board: whether a board sends it. parts: in order. ranges: held when reading and writing.
    known: values and bits that have a name; held when writing only, so that a newer sender may add some.
    masks: (attribute with one bit an entry, its array).
    """

    name: str
    message: type
    number: int
    from_board: bool
    parts: tuple[Part, ...]
    ranges: tuple[Span, ...]
    known: tuple[Span, ...]
    masks: tuple[tuple[str, str], ...]
