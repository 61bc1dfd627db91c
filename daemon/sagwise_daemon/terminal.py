"""What is said to a person on standard output. Law: on a terminal no line is cut in the middle of a word; a file or a
program that reads along gets every line whole.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterable
from textwrap import wrap

DEEPER = 4


def say(lines: Iterable[str]) -> None:
    """Write lines; on a terminal those that are too long for it go on below, set in deeper."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    for line in lines:
        sys.stdout.write("\n".join(folded(line, width)) + "\n")


def folded(line: str, width: int) -> list[str]:
    """The line in pieces of at most `width`, but for a word that is longer itself; whole where width is 0."""
    if not width or len(line) <= width:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()) + DEEPER)
    return wrap(
        line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False, replace_whitespace=False
    )
