"""The configuration file becomes a `Config`. Law: after `load_config` nothing in it can be wrong any more: the
pack is read, the password file is there, and a page that others can reach has a pairing code.

Paths in the file are relative to the file itself.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from sagwise_daemon.config.document import (
    MISSING,
    Faults,
    Table,
    check,
    number,
    read_toml,
    shaped,
    switch,
    text,
    whole,
)
from sagwise_daemon.config.pack import read_pack
from sagwise_daemon.domain.model import Pack
from sagwise_daemon.domain.ride import bounds
from sagwise_daemon.errors import ConfigError, PackError

BIKE_PATTERN = r"^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$"
BIKE_WORDS = "1 to 32 lower-case letters, digits and inner hyphens (it is part of the MQTT topics)"
HOST_PATTERN = r"^[A-Za-z0-9._:%-]{1,253}$"
HOST_WORDS = "a host name or an IP address"
LARGEST_PASSWORD_BYTES = 4096
EXAMPLE_CODE = "choose-your-own"  # of the README: everybody can read it there
RIDE = bounds.RideSettings()  # the defaults are the domain's


NO_NAMES: Any = Field((), description='a list of host names, as ["bike.local"]', strict=False)
HostName = Annotated[str, Field(pattern=HOST_PATTERN, description=HOST_WORDS)]


class Bike(Table):
    """name: the bike's name, also part of its MQTT topics. pack: path of its pack file."""

    name: str = shaped(BIKE_PATTERN, BIKE_WORDS)
    pack: str = text(4096)


class Serial(Table):
    """The board's port. device: best a name under /dev/serial/by-id. rate_hz: samples a second asked for."""

    device: str = text(4096)
    baud: int = whole(9600, 2_000_000, 115_200)
    rate_hz: float = number(2, 100, "samples a second", 20.0)


class Store(Table):
    """path: the SQLite file that keeps the rides; made if there is none. budget_mb: how large it may grow (10^6 bytes);
    beyond that samples at full rate are dropped, those of the oldest ride first."""

    path: str = text(4096)
    budget_mb: int = whole(50, 10_000_000, 4000)


class Page(Table):
    """Where the page listens. pairing_code: what a phone must show once; needed unless host is loopback.

    names: host names by which phones reach the bike, besides its addresses. anyone_may_look: whether a phone that is
    not paired sees the page, without changing anything.
    """

    enabled: bool = switch(True)
    host: str = shaped(HOST_PATTERN, HOST_WORDS, "127.0.0.1")
    port: int = whole(1, 65535, 8480)
    pairing_code: str | None = text(64, None, shortest=6, secret=True)
    names: tuple[HostName, ...] = NO_NAMES
    anyone_may_look: bool = switch(False)

    @property
    def loopback(self) -> bool:
        """Whether only this computer itself can reach the page."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


class Mqtt(Table):
    """The broker; off unless enabled. password_file: one line, so that the password is in no configuration."""

    enabled: bool = switch(False)
    host: str = shaped(HOST_PATTERN, HOST_WORDS, "127.0.0.1")
    port: int = whole(1, 65535, 1883)
    username: str | None = text(256, None)
    password_file: str | None = text(4096, None)


class RideSettings(Table):
    """When a ride begins and ends; `domain.ride.bounds` says how each is used."""

    begin_current_a: float = number(0.1, 1000, "A", RIDE.begin_current_a)
    begin_after_s: float = number(0, 60, "s", RIDE.begin_after_s)
    end_after_s: float = number(5, 3600, "s", RIDE.end_after_s)
    link_end_s: float = number(5, 3600, "s", RIDE.link_end_s)
    preroll_s: float = number(0, 120, "s", RIDE.preroll_s)
    charge_current_a: float = number(0.1, 100, "A", RIDE.charge_current_a)
    charge_after_s: float = number(5, 3600, "s", RIDE.charge_after_s)
    stand_after_s: float = number(60, 86400, "s", RIDE.stand_after_s)


class _File(Table):
    bike: Bike
    serial: Serial
    store: Store
    page: Page = Field(default_factory=Page)
    mqtt: Mqtt = Field(default_factory=Mqtt)
    ride: RideSettings = Field(default_factory=RideSettings)


@dataclass(frozen=True, slots=True, eq=False)
class Config:
    """The whole configuration. `path`: the file it came from; `pack`: as read from `pack_path`.

    The paths are absolute. `serial.device` is not made so: it names a device, not a file beside the configuration.
    """

    path: Path
    bike: Bike
    serial: Serial
    store: Store
    page: Page
    mqtt: Mqtt
    ride: RideSettings
    pack: Pack
    pack_path: Path
    store_path: Path
    mqtt_password: str | None = field(repr=False)


def load_config(path: Path) -> Config:
    """Read and check the configuration and the pack file it names.

    Raises ConfigError with every fault, one line each; PackError where only the pack file is wrong.
    """
    path = Path(path)
    try:
        file = check(path, _File, read_toml(path))
    except Faults as faults:
        raise ConfigError(str(faults)) from None
    base = path.resolve().parent
    lines = [f"{path}: {line}" for line in _cross_faults(file)]
    password = _password(file.mqtt, base, path, lines)
    pack_path = base / file.bike.pack
    pack = _pack(pack_path, path, lines)
    if lines or pack is None:
        raise ConfigError("\n".join(lines))
    return Config(
        path=path,
        bike=file.bike,
        serial=file.serial,
        store=file.store,
        page=file.page,
        mqtt=file.mqtt,
        ride=file.ride,
        pack=pack,
        pack_path=pack_path,
        store_path=base / file.store.path,
        mqtt_password=password,
    )


def _pack(pack_path: Path, path: Path, lines: list[str]) -> Pack | None:
    """The pack; its faults join `lines`, or are raised by themselves where the configuration has none."""
    if not pack_path.exists():
        lines.append(f'{path}: bike.pack: "{pack_path}" does not exist; write the path of a pack file')
        return None
    try:
        return read_pack(pack_path)
    except Faults as faults:
        if not lines:
            raise PackError(str(faults)) from None
        lines.extend(faults.lines)
        return None


def _cross_faults(file: _File) -> Iterator[str]:
    page = file.page
    if page.enabled and page.pairing_code is None and not page.loopback:
        code = 'text of 6 to 64 characters, or page.host = "127.0.0.1"'
        yield f"page.pairing_code: {MISSING}{code}: others can reach the page at {page.host}"
    if page.pairing_code == EXAMPLE_CODE:
        yield "page.pairing_code: still the example's, which everybody can read; write 6 to 64 characters of your own"
    if file.mqtt.password_file is not None and file.mqtt.username is None:
        yield f"mqtt.username: {MISSING}the broker's user name, or leave out mqtt.password_file"


def _password(mqtt: Mqtt, base: Path, path: Path, lines: list[str]) -> str | None:
    if mqtt.password_file is None or not mqtt.enabled:
        return None
    file = base / mqtt.password_file
    fault = f'{path}: mqtt.password_file: "{file}"'
    try:
        with file.open("rb") as stream:
            raw = stream.read(LARGEST_PASSWORD_BYTES + 1)
        password = raw.decode("utf-8").rstrip("\r\n")
    except OSError as error:
        lines.append(f"{fault} cannot be read ({error.strerror}); check the path and the permissions")
    except UnicodeDecodeError:
        lines.append(f"{fault} is not UTF-8; write the password alone on one line")
    else:
        if password and "\n" not in password and len(raw) <= LARGEST_PASSWORD_BYTES:
            return password
        lines.append(f"{fault} does not hold one line; write the password alone on one line")
    return None
