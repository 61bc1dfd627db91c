"""A simulated bike and board. Law: shares nothing with the daemon but the wire, or the tests would prove nothing."""

from sagwise_sim.board import Board, Told
from sagwise_sim.checks import ScenarioError
from sagwise_sim.cli import add_arguments, run
from sagwise_sim.pty_port import PtyPort
from sagwise_sim.scenario import Scenario, load, shipped
from sagwise_sim.simulation import SimulatedRide, Simulation, build, simulate

__all__ = [
    "Board",
    "PtyPort",
    "Scenario",
    "ScenarioError",
    "SimulatedRide",
    "Simulation",
    "Told",
    "add_arguments",
    "build",
    "load",
    "run",
    "shipped",
    "simulate",
]
