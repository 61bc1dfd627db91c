"""What the fuzzing tool is told beside the API's own document. Law: checks are added here, none is loosened.

Loaded by the tool through SCHEMATHESIS_HOOKS, in its own process. Half of the valid requests of the fuzzing phase are
turned towards what the bike has (its pack, its rides, rules and channels): made-up names alone would only ever be
answered with "there is none".
"""

from __future__ import annotations

import itertools
import os
from typing import Any

import schemathesis
from schemathesis.generation import GenerationMode

STRANGER = os.environ.get("SAGWISE_FUZZ_STRANGER") == "1"
OWN_DEVICES = range(1, 10)  # those that the tests have paired
REFUSALS = {401, 403, 421}
PAIRING = "/api/v1/pair"  # the one door that is open to a stranger
PACK, RIDES, CHANGES = "Otter", 4, 6
RULES = ("rest_low", "loaded_floor", "spread_high", "temperature_high", "link_lost")
VALUES = ({"volts": 3.2}, {"on_delay_s": 2.0, "priority": "low"}, {"enabled": False}, {"volts": 1e9}, {"celsius": 55})
CHANNELS = ("rest_v", "loaded_v,current_a", "group_01_v,group_16_v", "temperature_1_c", "rest_v,nothing_v")
SIDES = ("1", "2", "3", f"pack:{PACK}")

turn = itertools.count()


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    path = case.path_parameters
    if str(path.get("device_id")) in map(str, OWN_DEVICES):  # the phone that asks is not sent away by itself
        path["device_id"] = 1_000_000
    number = next(turn)
    meta = case.meta
    if number % 2 and meta and meta.phase.name.value == "fuzzing" and meta.generation.mode is GenerationMode.POSITIVE:
        aim(case, number // 2)


def aim(case: Any, number: int) -> None:
    """Put names of the bike's own where the request has made-up ones."""
    has = {"name": PACK, "ride_id": 1 + number % RIDES, "change_id": 1 + number % CHANGES}
    case.path_parameters.update({key: value for key, value in has.items() if key in case.path_parameters})
    asks = {"channels": CHANNELS[number % 5], "a": SIDES[number % 4], "b": SIDES[number // 4 % 4], "pack": PACK}
    case.query.update({key: value for key, value in asks.items() if key in case.query})
    if isinstance(case.body, dict):
        says = {"rule": RULES[number % 5], "values": VALUES[number // 5 % 5], "pack": PACK}
        case.body.update({key: value for key, value in says.items() if key in case.body})


@schemathesis.check
def a_stranger_gets_nothing(context: Any, response: Any, case: Any) -> None:
    if STRANGER and case.operation.path != PAIRING:
        assert response.status_code in REFUSALS, f"a stranger was answered {response.status_code}"


@schemathesis.check
def a_refusal_is_a_problem(context: Any, response: Any, case: Any) -> None:
    """RFC 9457: `status` of the document is the answer's, and there is a type, a title and a detail."""
    if response.status_code < 400:
        return
    assert response.headers["content-type"][0].startswith("application/problem+json"), response.headers
    problem = response.json()
    assert problem["status"] == response.status_code
    assert problem["type"] == "about:blank" or problem["type"].startswith("/problems/")
    assert problem["title"] and problem["detail"]
