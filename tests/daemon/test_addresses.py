"""What a person types to reach the page. Law: a phone is never sent to an address that only the bike itself has."""

from __future__ import annotations

import ipaddress

import pytest

from sagwise_daemon import run
from sagwise_daemon.io.addresses import own_addresses


def test_own_addresses_are_others_than_loopback() -> None:
    found = [ipaddress.ip_address(one) for one in own_addresses()]
    assert not any(one.is_loopback or one.is_unspecified for one in found)


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_where_all_may_come_the_address_on_the_wifi_is_named_first(host: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "own_addresses", lambda: ["192.168.4.1"])
    assert run.address(host, 8480) == "http://192.168.4.1:8480/, http://127.0.0.1:8480/"
    monkeypatch.setattr(run, "own_addresses", list)
    assert run.address(host, 8480) == "http://127.0.0.1:8480/"


def test_a_named_host_is_shown_as_it_is() -> None:
    assert run.address("127.0.0.1", 8480) == "http://127.0.0.1:8480/"
    assert run.address("fd00::1", 80) == "http://[fd00::1]:80/"
