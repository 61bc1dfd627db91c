"""What the fuzzing tool is told beside the API's own document. Law: checks are added here, none is loosened.

Loaded by the tool through SCHEMATHESIS_HOOKS, in its own process.
"""

from __future__ import annotations

import os
from typing import Any

import schemathesis

OWN_DEVICE = int(os.environ.get("SAGWISE_FUZZ_DEVICE", "0"))  # the fuzzing phone; 0: a stranger
REFUSALS = {401, 403, 421}
PAIRING = "/api/v1/pair"  # the one door that is open to a stranger


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """The phone that asks is not sent away by itself: everything after would be refused."""
    if case.path_parameters.get("device_id") in (OWN_DEVICE, str(OWN_DEVICE)):
        case.path_parameters["device_id"] = OWN_DEVICE + 1_000_000


@schemathesis.check
def a_stranger_gets_nothing(context: Any, response: Any, case: Any) -> None:
    if OWN_DEVICE == 0 and case.operation.path != PAIRING:
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
