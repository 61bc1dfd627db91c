"""Weak groups on their way to the live view. Law: the outlet tells what the estimator found, every few seconds."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from ridden_bike import WEAK, pulls

from sagwise_daemon import flow as flow_module
from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain.estimate import Kind
from sagwise_daemon.domain.ride.bounds import RideSettings
from sagwise_daemon.domain.stamps import WallTime
from sagwise_daemon.earlier import PipeRecorder
from sagwise_daemon.flow import Flow
from sagwise_daemon.outlets import LiveOutlet


@pytest.mark.slow
def test_the_group_that_resists_more_reaches_the_live_state(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []
    found = flow_module.weak_groups
    monkeypatch.setattr(flow_module, "weak_groups", lambda state: asked.append(0.0) or found(state))
    _, pack = built_in_pack("otter")
    flow = Flow(pack, PipeRecorder(io.BytesIO()), RideSettings(), lambda: WallTime(1.79e9, True, 0.0, ""))
    live = LiveOutlet("otter", pack)
    for reading in pulls(pack, 1).rows(slice(0, 500)):
        flow.take(replace(reading, boot_id=1, uptime_us=round(reading.time_s * 1e6)))
        live.show(flow.moment, heard_at=0.0, link_up=True)
    (weak,) = live.latest().weak
    assert (weak.group, weak.kind) == (WEAK, Kind.RESISTANCE)
    assert weak.resistance_percent == pytest.approx(60.0, abs=3 * weak.resistance_sigma_percent)
    assert 8 <= len(asked) <= 12, "every five of the fifty seconds"
