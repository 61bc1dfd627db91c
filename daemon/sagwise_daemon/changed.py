"""A pack as it was changed on the page. Law: its file and the log of changes make it; what no longer fits is left out
and said.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from pathlib import Path

from sagwise_daemon.config.pack import reruled
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.owner import Change
from sagwise_daemon.domain.pack.profile import RULES
from sagwise_daemon.errors import InputError, PackError
from sagwise_daemon.io.changes import ChangeLog

log = logging.getLogger(__name__)


def as_changed(pack: Pack, changes: Iterable[Change]) -> Pack:
    """The pack of a file with the changes that were made of it; where they no longer fit the file, the file alone."""
    name = pack.name
    for change in changes:
        if change.pack == name and change.rule is not None:
            try:
                check_keys(change.rule, change.values)
                pack = reruled(pack, {change.rule: {key: after for key, (_, after) in change.values.items()}})
            except (PackError, KeyError, ValueError) as fault:
                log.error("change %d of %s does not fit its file and is left out: %s", change.change_id, name, fault)
    return pack


def check_keys(rule: str, values: Mapping[str, object]) -> None:
    """Raises KeyError for a rule or key that there is not."""
    spec = RULES[rule]
    for key in values:
        if key not in spec.key_names:
            raise KeyError(f"{rule} has no {key!r}; there are {', '.join(spec.key_names)}")


def from_log(pack: Pack, path: Path) -> Pack:
    """As `as_changed`, by the bike's `settings.jsonl`. Raises InputError where there is none."""
    if not path.is_file():
        raise InputError(f"{path}: no such file; the bike keeps settings.jsonl beside its rides once one was changed")
    return as_changed(pack, ChangeLog(path).changes)


def rules_changed(filed: Pack, pack: Pack) -> tuple[str, ...]:
    """Names of the rules in which the two differ."""
    return tuple(name for name, rule in pack.rules.items() if rule != filed.rules[name])
