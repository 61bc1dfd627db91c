"""The configuration: defaults, paths, every fault named, secrets never shown."""

# ruff: noqa: E501 - tables of whole sentences
from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from sagwise_daemon.config import Config, built_in_pack, load_config
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.errors import ConfigError, PackError

WHOLE = '[bike]\nname = "otter"\npack = "{pack}"\n[serial]\ndevice = "/dev/serial/by-id/board"\n[store]\npath = "r.sqlite"\n'
SMALL = WHOLE.format(pack=built_in_pack("otter")[0])


def test_a_small_configuration_and_its_defaults(write_file: Any, tmp_path: Path) -> None:
    config = load_config(write_file("bike.toml", SMALL))
    assert isinstance(config, Config)
    assert (config.serial.baud, config.serial.rate_hz) == (115_200, 20.0)
    assert (config.page.enabled, config.page.host, config.page.port) == (True, "127.0.0.1", 8480)
    assert config.page.pairing_code is None and config.page.loopback
    assert (config.mqtt.enabled, config.mqtt_password) == (False, None)
    assert config.pack.series == 16
    assert config.store_path == tmp_path / "r.sqlite"
    assert config.ride.model_dump() == dataclasses.asdict(RideSettings())


def test_paths_are_relative_to_the_file_and_not_to_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / "my.toml").write_text(built_in_pack("heron")[0].read_text())
    (home / "pw").write_text("secret\n")
    (home / "bike.toml").write_text(
        WHOLE.format(pack="my.toml") + '[mqtt]\nenabled = true\nusername = "u"\npassword_file = "pw"\n'
    )
    monkeypatch.chdir(tmp_path)
    config = load_config(Path("home/bike.toml"))
    assert config.pack.series == 14
    assert (config.pack_path, config.store_path) == (home / "my.toml", home / "r.sqlite")
    assert config.mqtt_password == "secret"


def test_a_configuration_cannot_be_changed(write_file: Any) -> None:
    config = load_config(write_file("bike.toml", SMALL))
    with pytest.raises(ValidationError):
        config.serial.baud = 9600  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        config.store_path = Path()  # type: ignore[misc]


@pytest.mark.parametrize(
    ("section", "text", "line"),
    [
        ("serial", "baud = 300", "serial.baud: 300 is not allowed; write a whole number from 9600 to 2000000"),
        ("serial", "baud = 115200.0", "serial.baud: 115200.0 is not allowed; write a whole number from 9600 to 2000000"),
        ("serial", "rate_hz = 1", "serial.rate_hz: 1 is not allowed; write a number from 2 to 100 samples a second"),
        ("serial", "rate_hz = 101", "serial.rate_hz: 101 is not allowed; write a number from 2 to 100 samples a second"),
        ("serial", "rate = 5", "serial.rate: unknown key; allowed here: baud, device, rate_hz"),
        ("page", "port = 0", "page.port: 0 is not allowed; write a whole number from 1 to 65535"),
        ("page", "port = 70000", "page.port: 70000 is not allowed; write a whole number from 1 to 65535"),
        ("page", "enabled = 1", "page.enabled: 1 is not allowed; write true or false"),
        ("page", 'host = "a b"', 'page.host: "a b" is not allowed; write a host name or an IP address'),
        ("mqtt", 'enabled = "yes"', 'mqtt.enabled: "yes" is not allowed; write true or false'),
        ("mqtt", 'password = "x"', "mqtt.password: unknown key; allowed here: enabled, host, password_file, port, username"),
        ("mqtt", 'password_file = "x"', "mqtt.username: missing; write the broker's user name, or leave out mqtt.password_file"),
        ("ride", "begin_current_a = 0", "ride.begin_current_a: 0 is not allowed; write a number from 0.1 to 1000 A"),
        ("ride", "begin_after_s = -1", "ride.begin_after_s: -1 is not allowed; write a number from 0 to 60 s"),
        ("ride", "end_after_s = 1", "ride.end_after_s: 1 is not allowed; write a number from 5 to 3600 s"),
        ("ride", "link_end_s = inf", "ride.link_end_s: inf is not allowed; write a number from 5 to 3600 s"),
        ("ride", "preroll_s = 121", "ride.preroll_s: 121 is not allowed; write a number from 0 to 120 s"),
        ("ride", "charge_current_a = 0", "ride.charge_current_a: 0 is not allowed; write a number from 0.1 to 100 A"),
        ("ride", "charge_after_s = 1", "ride.charge_after_s: 1 is not allowed; write a number from 5 to 3600 s"),
        ("ride", "stand_after_s = 1", "ride.stand_after_s: 1 is not allowed; write a number from 60 to 86400 s"),
        ("alarm", "", "alarm: unknown key; allowed here: bike, mqtt, page, ride, serial, store"),
    ],
)  # fmt: skip
def test_faults_are_named_with_key_value_and_what_is_allowed(
    config_faults: Any, section: str, text: str, line: str
) -> None:
    head = f"[{section}]\n"
    whole = SMALL.replace(head, f"{head}{text}\n") if head in SMALL else f"{SMALL}{head}{text}\n"
    assert config_faults(whole) == [line]


@pytest.mark.parametrize("name", ["Otter", "", "otter bike", "otter/1", "otter+", "#", "-otter", "ötter", "o" * 33])
def test_a_bike_name_that_is_no_topic_part_is_refused(config_faults: Any, name: str) -> None:
    (line,) = config_faults(SMALL.replace('"otter"', f'"{name}"'))
    assert line.startswith("bike.name: ") and "lower-case letters, digits and inner hyphens" in line


@pytest.mark.parametrize("name", ["o", "otter-2", "7"])
def test_a_bike_name_that_is_one_is_taken(write_file: Any, name: str) -> None:
    assert load_config(write_file("bike.toml", SMALL.replace('"otter"', f'"{name}"'))).bike.name == name


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.4.1", "::", "bike.local", "127.evil.example"])
def test_a_page_that_others_reach_needs_a_code(config_faults: Any, write_file: Any, host: str) -> None:
    text = SMALL + f'[page]\nhost = "{host}"\n'
    (line,) = config_faults(text)
    assert line.startswith("page.pairing_code: missing; write text of 6 to 64 characters") and host in line
    config = load_config(write_file("bike.toml", text + 'pairing_code = "123456"\n'))
    assert config.page.pairing_code == "123456"
    off = load_config(write_file("bike.toml", text + "enabled = false\n"))
    assert not off.page.enabled


@pytest.mark.parametrize("host", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_loopback_needs_none(write_file: Any, host: str) -> None:
    assert load_config(write_file("bike.toml", SMALL + f'[page]\nhost = "{host}"\n')).page.loopback


def test_the_code_of_the_readme_is_no_code(config_faults: Any) -> None:
    text = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    example = re.search(r'pairing_code = "(.*)"', text)
    assert example is not None
    (line,) = config_faults(SMALL + f'[page]\nhost = "0.0.0.0"\npairing_code = "{example[1]}"\n')
    assert "page.pairing_code: still the example's, which everybody can read" in line


def test_a_pairing_code_is_never_shown(config_faults: Any, write_file: Any) -> None:
    (line,) = config_faults(SMALL + '[page]\npairing_code = "12345"\n')
    assert line == (
        "page.pairing_code: the value (not shown) is not allowed; write text of 6 to 64 characters without line "
        'breaks, in "quotes"'
    )
    config = load_config(write_file("bike.toml", SMALL + '[page]\npairing_code = "open sesame"\n'))
    assert "sesame" not in repr(config)


def test_password_files_are_checked_at_the_start(config_faults: Any, write_file: Any, tmp_path: Path) -> None:
    text = SMALL + '[mqtt]\nenabled = true\nusername = "u"\npassword_file = "pw"\n'
    name = f'mqtt.password_file: "{tmp_path}/pw"'
    assert config_faults(text) == [
        f"{name} cannot be read (No such file or directory); check the path and the permissions"
    ]
    for raw in (b"", b"\n", b"one\ntwo\n", b"x" * 5000):
        write_file("pw", raw)
        assert config_faults(text) == [f"{name} does not hold one line; write the password alone on one line"]
    write_file("pw", b"\xff\xfe")
    assert config_faults(text) == [f"{name} is not UTF-8; write the password alone on one line"]
    write_file("pw", "päss wörd\r\n")
    config = load_config(write_file("bike.toml", text))
    assert config.mqtt_password == "päss wörd"
    assert "wörd" not in repr(config)


def test_everything_that_is_missing_is_named(config_faults: Any) -> None:
    assert config_faults("") == [
        "bike: missing; write a table [bike]",
        "serial: missing; write a table [serial]",
        "store: missing; write a table [store]",
    ]


def test_a_pack_that_is_not_there_is_a_fault_of_the_configuration(config_faults: Any, tmp_path: Path) -> None:
    (line,) = config_faults(WHOLE.format(pack="none.toml"))
    assert line == f'bike.pack: "{tmp_path}/none.toml" does not exist; write the path of a pack file'


def test_a_pack_that_is_wrong_is_named_by_its_own_file(write_file: Any, tmp_path: Path) -> None:
    write_file("my.toml", "[pack]\nseries = 0\n")
    with pytest.raises(PackError) as caught:
        load_config(write_file("bike.toml", WHOLE.format(pack="my.toml")))
    lines = str(caught.value).split("\n")
    assert lines[0].startswith(f"{tmp_path}/my.toml: pack.name: missing")
    assert f"{tmp_path}/my.toml: pack.series: 0 is not allowed; write a whole number from 1 to 48" in lines


def test_faults_of_both_files_come_in_one_message(write_file: Any, tmp_path: Path) -> None:
    write_file("my.toml", built_in_pack("otter")[0].read_text().replace("4.20", "42"))
    text = WHOLE.format(pack="my.toml") + '[page]\nhost = "0.0.0.0"\n'
    with pytest.raises(ConfigError) as caught:
        load_config(write_file("bike.toml", text))
    first, second = str(caught.value).split("\n")
    assert first.startswith(f"{tmp_path}/bike.toml: page.pairing_code: missing")
    assert second == f"{tmp_path}/my.toml: cell.full_v: 42 is not allowed; write a number from 1 to 5 V"


def test_what_cannot_be_opened_is_said(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(ConfigError, match=r"give the path of a TOML file$"):
            load_config(path)


def test_a_pack_that_is_a_directory_is_said(write_file: Any, tmp_path: Path) -> None:
    with pytest.raises(PackError, match="is a directory"):
        load_config(write_file("bike.toml", WHOLE.format(pack=tmp_path)))
