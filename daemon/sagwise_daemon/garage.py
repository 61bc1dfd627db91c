"""The packs that are known, which one is fitted, and their changed settings. Law: a pack's file and the log of changes
make the pack; nothing else does, so that a change can be taken back and nobody needs to ask what holds.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from sagwise_daemon.changed import as_changed, check_keys
from sagwise_daemon.config.pack import load_pack, reruled
from sagwise_daemon.domain.model import Pack, RuleSettings
from sagwise_daemon.domain.owner import Change, Value
from sagwise_daemon.domain.pack.profile import BOOL_KEYS, PRIORITY_KEY, RULES
from sagwise_daemon.errors import PackError
from sagwise_daemon.io.changes import ChangeLog

log = logging.getLogger(__name__)

FITTED = "fitted"


class Garage:
    """Implements `domain.ports.Packs` and `domain.owner.Garage`.

    pack_path: the configured pack's file; the other pack files beside it are known too. on_pack: told, from the
    caller's thread, of the fitted pack whenever it or its settings have changed. riding: whether a ride goes on, in
    which no other pack can be fitted.
    """

    def __init__(
        self,
        pack_path: Path,
        log_path: Path,
        wall_s: Callable[[], float],
        on_pack: Callable[[Pack], None] = lambda pack: None,
        riding: Callable[[], bool] = lambda: False,
    ) -> None:
        self._wall_s, self.on_pack, self.riding = wall_s, on_pack, riding
        self._guard = threading.Lock()
        self._filed = _known_packs(pack_path)
        self._configured = load_pack(pack_path).name
        self._log = ChangeLog(log_path)
        self._packs = {name: as_changed(pack, self._log.changes) for name, pack in self._filed.items()}

    def packs(self) -> Sequence[Pack]:
        return tuple(self._packs.values())

    def fitted(self) -> Pack:
        return self._packs[self._fitted_name()]

    def as_filed(self, pack: str) -> Pack:
        """The pack by its file. Raises KeyError."""
        return self._filed[self._known(pack)]

    def changes(self, limit: int) -> Sequence[Change]:
        undone = {change.undoes for change in self._log.changes}
        newest = self._log.changes[::-1][: max(0, limit)]
        return tuple(replace(change, undone=change.change_id in undone) for change in newest)

    def change(self, pack: str, rule: str, values: Mapping[str, Value], device: str) -> Change:
        """Raises KeyError and ValueError as `domain.owner.Garage`, StoreError where it cannot be kept."""
        with self._guard:
            return self._change(self._known(pack), rule, values, device, None)

    def fit(self, pack: str, device: str) -> Change:
        """As `change`; ValueError also while a ride goes on."""
        with self._guard:
            return self._fit(self._known(pack), device, None)

    def undo(self, change_id: int, device: str) -> Change:
        """Takes back what still stands of a change. Raises ValueError where nothing does."""
        with self._guard:
            change = next((one for one in self._log.changes if one.change_id == change_id), None)
            if change is None:
                raise KeyError(f"there is no change {change_id}")
            if any(one.undoes == change_id for one in self._log.changes):
                raise ValueError(f"change {change_id} was taken back already")
            if change.rule is None:
                return self._fit(self._known(str(change.values[FITTED][0])), device, change_id)
            now = self._packs[self._known(change.pack)].rules[change.rule]
            standing = {
                k: before for k, (before, after) in change.values.items() if _value(now, change.rule, k) == after
            }
            if not standing:
                raise ValueError(f"change {change_id} does not stand any more: the setting was changed again")
            return self._change(change.pack, change.rule, standing, device, change_id)

    # Inside; the guard is held.

    def _known(self, pack: str) -> str:
        if pack not in self._filed:
            raise KeyError(f"there is no pack {pack!r}; known are {', '.join(self._filed)}")
        return pack

    def _change(self, name: str, rule: str, values: Mapping[str, Value], device: str, undoes: int | None) -> Change:
        before = self._packs[name]
        if rule not in before.rules:
            raise KeyError(f"there is no alarm rule {rule!r}")
        check_keys(rule, values)
        new = {key: value for key, value in values.items() if value != _value(before.rules[rule], rule, key)}
        if not new:
            raise ValueError("nothing is changed by that: the settings are so already")
        after = _reruled(before, {rule: new})
        kept = {key: (_value(before.rules[rule], rule, key), value) for key, value in new.items()}
        change = self._keep(device, name, rule, kept, undoes)
        self._packs[name] = after
        if name == self._fitted_name():
            self.on_pack(after)
        return change

    def _fit(self, name: str, device: str, undoes: int | None) -> Change:
        before = self._fitted_name()
        if name == before:
            raise ValueError(f"{name} is fitted already")
        if self.riding():
            raise ValueError("a ride goes on: stop, and fit another pack when the ride is over")
        change = self._keep(device, name, None, {FITTED: (before, name)}, undoes)
        self.on_pack(self._packs[name])
        return change

    def _keep(
        self, device: str, pack: str, rule: str | None, values: Mapping[str, tuple[Value, Value]], undoes: int | None
    ) -> Change:
        change = Change(self._log.next_id, self._wall_s(), device, pack, rule, dict(values), undoes)
        self._log.add(change)
        log.info("settings changed by %s: %s %s %s", device, pack, rule or FITTED, dict(values))
        return change

    def _fitted_name(self) -> str:
        fitted = [str(change.values[FITTED][1]) for change in self._log.changes if change.rule is None]
        known = [name for name in fitted if name in self._filed]
        return known[-1] if known else self._configured


def _known_packs(pack_path: Path) -> dict[str, Pack]:
    """The configured pack, then those of the files beside it that can be read."""
    configured = load_pack(pack_path)
    packs = {configured.name: configured}
    for path in sorted(pack_path.parent.glob("*.toml")):
        if path.name == pack_path.name:
            continue
        try:
            pack = load_pack(path)
        except PackError as fault:
            if _means_a_pack(path):
                log.warning("this pack cannot be chosen on the page: %s", fault)
            continue
        if packs.setdefault(pack.name, pack) is not pack:
            log.warning("%s: another file has a pack named %r, so this one cannot be chosen", path, pack.name)
    return packs


def _means_a_pack(path: Path) -> bool:
    """Whether a file that is no pack looks like one that has faults; the bike's own configuration lies there too."""
    try:
        return "[pack]" in path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False


def _reruled(pack: Pack, overrides: Mapping[str, Mapping[str, Value]]) -> Pack:
    try:
        return reruled(pack, overrides)
    except PackError as fault:
        raise ValueError(str(fault)) from None


def _value(settings: RuleSettings, rule: str, key: str) -> Value:
    value = getattr(settings, "limit" if key == RULES[rule].limit_key else key)
    if key == PRIORITY_KEY:
        return str(value.value)
    return bool(value) if key in BOOL_KEYS else float(value)
