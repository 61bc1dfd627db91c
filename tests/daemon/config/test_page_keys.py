"""What the configuration says of the page, and what `run` makes of it. Law: nobody is let in by a default."""

from __future__ import annotations

from typing import Any

import pytest

from sagwise_daemon.config import built_in_pack, load_config
from sagwise_daemon.run import page_settings

BIKE = (
    f'[bike]\nname = "otter"\npack = "{built_in_pack("otter")[0]}"\n'
    '[serial]\ndevice = "/dev/board"\n[store]\npath = "r.sqlite"\n'
)


def test_by_default_no_name_is_known_and_nobody_may_look(write_file: Any, capsys: pytest.CaptureFixture[str]) -> None:
    config = load_config(write_file("bike.toml", BIKE))
    settings = page_settings(config)
    assert settings.allowed_hosts == () and not settings.anyone_may_look and not settings.paired_on_loopback
    assert settings.devices_path == config.store_path.with_name("devices.json")
    shown = capsys.readouterr()
    assert settings.pairing_code is not None and len(settings.pairing_code) == 8 and settings.pairing_code.isdigit()
    assert f"{settings.pairing_code[:4]} {settings.pairing_code[4:]}" in shown.err, "the terminal shows the drawn code"
    assert shown.out == ""
    assert page_settings(config).pairing_code != settings.pairing_code, "drawn anew at each start"


def test_what_the_owner_sets_is_taken_and_a_set_code_is_not_shown(
    write_file: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    page = '[page]\npairing_code = "quarry-17"\nnames = ["bike.local", "otter"]\nanyone_may_look = true\n'
    settings = page_settings(load_config(write_file("bike.toml", BIKE + page)))
    assert settings.pairing_code == "quarry-17" and settings.allowed_hosts == ("bike.local", "otter")
    assert settings.anyone_may_look
    shown = capsys.readouterr()
    assert "quarry" not in shown.err + shown.out


@pytest.mark.parametrize("names", ['"bike.local"', '["bike local"]', "[3]", '[""]'])
def test_a_name_that_is_none_is_refused(config_faults: Any, names: str) -> None:
    (line,) = config_faults(BIKE + f"[page]\nnames = {names}\n")
    assert line.startswith("page.names"), line
