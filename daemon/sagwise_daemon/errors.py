"""Every fault the program reports by name. Law: a message says what was wrong, where, what is allowed, what to do.

SagwiseError
├── InputError          unusable input; exit status 2, one clear line, nothing stored
│   ├── ConfigError     the configuration file
│   ├── PackError       a pack file
│   └── TraceError      a trace CSV: file, line and column
├── LinkError           the serial device cannot be opened or was lost
├── PageError           the page's address cannot be had
└── StoreError          the ride store cannot be opened, read or written
"""

from __future__ import annotations


class SagwiseError(Exception):
    """Base of all faults that the program names."""


class InputError(SagwiseError):
    """The input cannot be used. `str(error)` is the one line to print."""


class ConfigError(InputError):
    """The configuration is wrong; the message lists every fault with its key and range."""


class PackError(InputError):
    """A pack file is wrong; the message lists every fault with its key and range."""


class TraceError(InputError):
    """A trace CSV is malformed, or its groups are not the pack's; the message has file, line and column."""


class LinkError(SagwiseError):
    """The serial device cannot be opened or was lost."""


class PageError(SagwiseError):
    """The page's address cannot be had."""


class StoreError(SagwiseError):
    """The ride store cannot be opened, read or written."""
