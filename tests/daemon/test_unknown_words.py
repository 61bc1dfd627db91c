"""Why a rest voltage is unknown, in words. Law: every reason has a line that the glance view can show whole."""

from __future__ import annotations

from sagwise_daemon.domain.model import Unknown
from sagwise_daemon.outlets import UNKNOWN_WORDS

LINE_MAX = 30  # characters: NHTSA's 2012 draft visual-manual guidelines


def test_every_reason_has_a_line_that_fits() -> None:
    assert UNKNOWN_WORDS.keys() == set(Unknown)
    assert [reason for reason, words in UNKNOWN_WORDS.items() if words is None] == [Unknown.KNOWN]
    lines = [words for words in UNKNOWN_WORDS.values() if words is not None]
    assert len(set(lines)) == len(lines)
    assert all(0 < len(words) <= LINE_MAX for words in lines)
