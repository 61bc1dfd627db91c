"""The command line, and the one place where the simulator meets the daemon. Law: status 0 done, 1 it ran and found a
fault to report, 2 unusable input with one clear line and no traceback; 130 and 141, as shells have it, where it was
interrupted before it was done or nobody reads what it writes.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import io
import logging
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import NoReturn

from sagwise_daemon.errors import InputError, SagwiseError

OK, FAULT, UNUSABLE = 0, 1, 2
INTERRUPTED, NOBODY_READS = 128 + signal.SIGINT, 128 + signal.SIGPIPE
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)  # how writing to where output was sent fails

Verb = tuple[str, Callable[[], ModuleType]]


def _run() -> ModuleType:
    from sagwise_daemon import run

    return run


def _demo() -> ModuleType:
    from sagwise_daemon import demo

    return demo


def _earlier() -> ModuleType:
    from sagwise_daemon import earlier

    return earlier


def _board() -> ModuleType:
    from sagwise_sim import cli

    return cli


def _replay() -> ModuleType:
    from sagwise_daemon import replay

    return replay


def _export() -> ModuleType:
    from sagwise_daemon.io import export

    return export


def _rides() -> ModuleType:
    from sagwise_daemon import listing

    return listing


def _import() -> ModuleType:
    from sagwise_daemon import take_in

    return take_in


def _advise() -> ModuleType:
    from sagwise_daemon import advise

    return advise


def _doctor() -> ModuleType:
    from sagwise_daemon import doctor

    return doctor


# Loaded only when asked for: `board` needs no web server and `replay` no database.
VERBS: dict[str, Verb] = {
    "run": ("the daemon: serial link, alarms, ride store, page", _run),
    "demo": ("a simulated bike with its page, nothing to configure", _demo),
    "board": ("a simulated board on a pseudo-terminal", _board),
    "replay": ("live estimator and alarms over a recorded trace", _replay),
    "advise": ("alarm settings proposed from a pack's stored rides, with the reasons", _advise),
    "rides": ("what the store has: list, filter, name, delete and restore", _rides),
    "doctor": ("whether the ride store is whole, and its repair", _doctor),
    "export": ("a stored ride as files for other programs, or as one HTML page", _export),
    "import": ("rides from exports, trace CSVs and other CSVs", _import),
}
HIDDEN: dict[str, Verb] = {"earlier": ("", _earlier)}


class _Parser(argparse.ArgumentParser):
    """argparse with one line instead of the whole usage."""

    def error(self, message: str) -> NoReturn:
        self.exit(UNUSABLE, f"{self.prog}: {message}; --help tells what is allowed\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """The program. Returns its exit status."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    _able_to_speak()
    return _guarded(lambda: _verb(words) if words and words[0] in VERBS | HIDDEN else _without_verb(words))


def _verb(words: Sequence[str]) -> int:
    summary, load = (VERBS | HIDDEN)[words[0]]
    verb = load()
    parser = _Parser(prog=f"sagwise {words[0]}", description=summary)
    verb.add_arguments(parser)
    args = parser.parse_args(words[1:])
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s")
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    return int(verb.run(args))


def _able_to_speak() -> None:
    """A terminal that lacks a letter gets its number, a closed one swallows all: neither ends the program."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 - until the end
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _guarded(work: Callable[[], int]) -> int:
    try:
        try:
            return work()
        finally:
            sys.stdout.flush()  # here, so that what cannot be written is still told by name
    except InputError as error:
        print(error, file=sys.stderr)  # noqa: T201 - the one clear line
        return UNUSABLE
    except SagwiseError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return FAULT
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        _swallow_the_rest()
        return NOBODY_READS
    except OSError as error:
        if not error.filename and error.errno not in FULL:
            raise  # a fault of ours: where it came from is needed
        _swallow_the_rest()
        print(f"{error.filename or 'standard output'}: {error.strerror}; make room or name another", file=sys.stderr)  # noqa: T201
        return FAULT


def _swallow_the_rest() -> None:
    """What is still to be written goes nowhere: the interpreter would try once more at its end, and complain."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _without_verb(words: Sequence[str]) -> int:
    from importlib.metadata import version  # slow to load, and Ctrl-C meanwhile is nobody's yet

    parser = _Parser(prog="sagwise", description="Knows sag from low: alarms, rides and the page of a home-built pack.")
    parser.add_argument("--version", action="version", version=f"sagwise {version('sagwise')}")
    verbs = parser.add_subparsers(metavar="VERB", required=True)
    for name, (summary, _) in VERBS.items():
        verbs.add_parser(name, help=summary, add_help=False)
    parser.parse_args(words)
    return OK


if __name__ == "__main__":
    sys.exit(main())
