"""Trying other settings from the command line: options, document, table, refusals."""

from __future__ import annotations

import json
from argparse import ArgumentTypeError
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sagwise_daemon.__main__ import main
from sagwise_daemon.io.trace import Trace, write_trace
from sagwise_daemon.what_if import numbers

Ride = Callable[[float, float], Trace]


@pytest.fixture
def replayed(pack_file: Path, ride: Ride, tmp_path: Path, capsys: Any) -> Callable[..., tuple[int, str, str]]:
    def run(*more: str) -> tuple[int, str, str]:
        write_trace(tmp_path / "ride.csv", ride(0.16, 0.10))
        try:
            status = main(["replay", str(tmp_path / "ride.csv"), "--pack", str(pack_file), *more])
        except SystemExit as end:
            status = int(str(end.code))
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3.20:3.50:0.05", (3.2, 3.25, 3.3, 3.35, 3.4, 3.45, 3.5)),
        ("3.2:3.29:0.05", (3.2, 3.25)),
        ("3.3:3.3:1", (3.3,)),
        ("0.5,1,2,5", (0.5, 1.0, 2.0, 5.0)),
        (" .5, 1., 1", (0.5, 1.0)),
    ],
)
def test_numbers(text: str, expected: tuple[float, ...]) -> None:
    assert numbers(text) == expected


@pytest.mark.parametrize(
    "text", ["", "x", "1:2", "2:1:0.1", "1:2:0", "1:2:-1", "nan", "1e3", "1,,2", "-1", "0:5:0.0001"]
)
def test_what_is_no_list_of_numbers(text: str) -> None:
    with pytest.raises(ArgumentTypeError):
        numbers(text)


def test_the_document_has_one_more_key_and_the_rest_as_before(replayed: Any) -> None:
    status, out, _ = replayed("--json")
    before = json.loads(out)
    status, out, _ = replayed("--json", "--limits", "3.1:3.4:0.1", "--delays", "1,5")
    said = json.loads(out)
    assert status == 0
    tried = said.pop("tried")
    assert said == before
    floor = [event["time_s"] for event in said["events"] if event["rule"] == "loaded_floor"]
    assert (tried["rule"], tried["floor_s"]) == ("rest_low", floor[0])
    settings = [(one["limit_v"], one["on_delay_s"]) for one in tried["settings"]]
    assert settings == [(volts, seconds) for volts in (3.1, 3.2, 3.3, 3.4) for seconds in (1.0, 5.0)]
    assert list(tried["settings"][0]["rest"]) == list(tried["settings"][0]["plain"])
    keys = ["count", "groups", "first_s", "first_group", "to_end_s", "to_end_wh", "to_floor_s", "to_floor_wh"]
    assert list(tried["settings"][0]["rest"]) == keys
    own = tried["settings"][settings.index((3.3, 1.0))]
    raised = [e for e in said["events"] if (e["rule"], e["to"]) == ("rest_low", "unacknowledged")]
    assert own["rest"]["count"] == len(raised) > 0
    assert own["rest"]["first_s"] == raised[0]["time_s"]
    assert own["plain"]["count"] == len(said["plain_threshold"]["events"])
    assert own["plain"]["first_s"] < own["rest"]["first_s"], "a sag is no low cell"
    assert 0 < own["rest"]["to_end_wh"] < said["energy_wh"]


def test_one_option_alone_takes_the_other_from_the_pack(replayed: Any) -> None:
    _, out, _ = replayed("--json", "--delays", "0,2")
    settings = json.loads(out)["tried"]["settings"]
    assert [(one["limit_v"], one["on_delay_s"]) for one in settings] == [(3.3, 0.0), (3.3, 2.0)]
    _, out, _ = replayed("--json", "--limits", "3.2")
    settings = json.loads(out)["tried"]["settings"]
    assert [(one["limit_v"], one["on_delay_s"]) for one in settings] == [(3.2, 1.0)]


def test_the_table(replayed: Any) -> None:
    status, out, _ = replayed("--limits", "3.0,3.3", "--delays", "1")
    assert status == 0
    lines = out.splitlines()
    heading = next(number for number, line in enumerate(lines) if line.startswith("limit V"))
    assert len({line.index("|") for line in lines[heading - 1 : heading + 3]}) == 1
    assert [line.split()[:2] for line in lines[heading + 1 :]] == [["3.000", "1"], ["3.300", "1"]]
    assert "nan" not in out


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--limits", "2.5"], "--limits: 2.5 V is not allowed; write volts from 2.8 to below 4.2"),
        (["--limits", "4.2"], "--limits: 4.2 V"),
        (["--delays", "601"], "--delays: 601 s is not allowed; write seconds from 0 to 600"),
        (["--limits", "2.8:4.1:0.01", "--delays", "0:9:1"], "at most 1000"),
        (["--limits", "low"], "'low' is no list of numbers"),
    ],
)
def test_what_cannot_be_tried_is_refused_in_one_line(replayed: Any, options: list[str], word: str) -> None:
    status, out, err = replayed("--json", *options)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert word in err
