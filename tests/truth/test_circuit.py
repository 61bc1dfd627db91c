"""The estimator against an equivalent-circuit solver, where every parameter is known exactly.

Source: thevenin (BSD-3-Clause), an independent solver; `circuit.py` drives it. The bounds are those that the project
asks of itself on any cell. The readings have the errors of a rough home-made board (`Sensors`).
"""

from __future__ import annotations

from collections.abc import Callable

import estimators
import numpy as np
import pytest
from estimate_score import Tally, judge
from truth_rides import Sensors, Told, Truth, load, measured, pack_of

from sagwise_daemon.domain import estimate

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]
EXACT = Sensors(noise_v=0.0, step_v=1e-6, noise_a=0.0, gain=1.0, offset_a=0.0, delay_s=0.0, noise_c=0.0)


@pytest.fixture(scope="module")
def circuit(truth_python: Callable[..., None], tmp_path_factory: pytest.TempPathFactory) -> Truth:
    path = tmp_path_factory.mktemp("circuit") / "circuit.npz"
    truth_python("circuit.py", "--seed", "1", "--out", path)
    return load(path)


def test_the_solver_and_the_formula_agree(circuit: Truth) -> None:
    """Rest was solved by the package; an ohmic step must show R0 and no more: two ways to one figure."""
    jump = np.diff(circuit.current_a)
    row = int(np.argmax(np.abs(jump)))
    drop = -(circuit.volts[:, row + 1] - circuit.volts[:, row]) / jump[row] * 1e3
    assert (drop > 0.5 * circuit.r_1s_mohm[:, 0]).all()
    assert (drop < circuit.r_1s_mohm[:, 0]).all()
    assert (circuit.rest <= circuit.ocv + 0.01).all()


@pytest.mark.parametrize("sensors", [Sensors(), EXACT], ids=["rough sensors", "exact sensors"])
def test_rest_ocv_and_resistance(circuit: Truth, sensors: Sensors) -> None:
    tally = Tally()
    found = estimators.ours(measured(circuit, sensors), pack_of(circuit, Told()))
    tally.add(judge(circuit, found, circuit.limit_v))
    figures = tally.figures()
    assert figures["rest_rmse"] <= 10
    assert figures["rest_weak"] <= 25
    assert figures["rest_other"] <= 10
    assert figures["ocv_rmse"] <= 20
    assert figures["resistance"] <= 0.15
    assert figures["known"] >= 0.95
    assert figures["inside"] >= 0.85
    assert figures["missed"] == 0
    assert figures["false"] <= 1


def test_resistance_of_ten_seconds(circuit: Truth) -> None:
    """At the end of the ride, against R0 + sum of Rk (1 − exp(−10/τk)); the circuit is none of the filter's own."""
    state = estimate.new(pack_of(circuit, Told()))
    estimate.take(state, measured(circuit, Sensors()).readings())
    exact = np.array([group["r_10s_ohm"] for group in circuit.about["groups"]]) * 1e3 / circuit.parallel
    found = estimate.resistance_10s_25c_mohm(state)
    np.testing.assert_allclose(found, exact, rtol=0.15)
    assert (found > circuit.r_1s_mohm[:, -1]).all()
