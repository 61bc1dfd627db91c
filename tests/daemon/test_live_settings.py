"""What the live view tells of the pack's own settings."""

from __future__ import annotations

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.pack.profile import overridden
from sagwise_daemon.outlets import LiveOutlet


def test_the_margin_for_home_is_that_of_the_rule_and_follows_its_changes() -> None:
    _, pack = built_in_pack("wren")
    live = LiveOutlet("wren", pack)
    assert live.latest().home_margin == 0.15
    live.fit(overridden(pack, {"turn_back": {"margin": 0.5}}))
    assert live.latest().home_margin == 0.5
