"""Draws docs/rest-voltage.svg from the demo's ride. Law: measured by the live estimator, nothing drawn by hand.

Run with the project's environment: `.venv/bin/python docs/rest_voltage_chart.py`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sagwise_daemon.config import built_in_pack
from sagwise_daemon.domain import estimate
from sagwise_daemon.domain.model import Reading
from sagwise_sim import load, simulate

GROUP = 7
LIMIT_V = 3.30
WIDE, HIGH, LEFT, TOP = 900, 420, 60, 20
EVERY = 4  # of 20 rows a second
LOW_V, TOP_V, END_S = 2.8, 3.55, 150.0


def place(time_s: float, volts: float) -> str:
    """A point of the plot in the drawing's coordinates."""
    x = LEFT + (WIDE - LEFT - 20) * time_s / END_S
    y = TOP + (HIGH - TOP - 50) * (TOP_V - volts) / (TOP_V - LOW_V)
    return f"{x:.1f},{y:.1f}"


def line(time_s: np.ndarray, volts: np.ndarray, style: str) -> str:
    """A polyline through every known point."""
    rows = list(zip(time_s, volts, strict=True))
    points = " ".join(place(t, v) for t, v in rows[::EVERY] + rows[-1:] if t <= END_S and np.isfinite(v))
    return f'<polyline fill="none" {style} points="{points}"/>'


def text(time_s: float, volts: float, words: str, more: str = "") -> str:
    x, y = place(time_s, volts).split(",")
    return f'<text x="{x}" y="{y}" {more}>{words}</text>'


def main() -> None:
    """Simulate, estimate, draw."""
    ride = simulate(load("demo"))
    state = estimate.new(built_in_pack("otter")[1])
    assert ride.current_a is not None
    rows = zip(ride.time_s, ride.group_v, ride.current_a, ride.temperature_c, strict=True)
    rest = np.array([estimate.update(state, Reading(*row)).rest_v[GROUP - 1] for row in rows])
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" font-family="sans-serif" font-size="15">',
        f'<rect width="{WIDE}" height="{HIGH}" fill="#f5f2e9"/>',
        *(text(0, volts, f"{volts:.1f} V", 'text-anchor="end" dx="-6" dy="5"') for volts in (2.8, 3.0, 3.2, 3.4)),
        *(
            text(time_s, LOW_V, f"{time_s:.0f} s", 'text-anchor="middle" dy="22"')
            for time_s in (0, 30, 60, 90, 120, 150)
        ),
        line(np.array([0, END_S]), np.array([LIMIT_V, LIMIT_V]), 'stroke="#15150f" stroke-dasharray="9 5"'),
        text(1, LIMIT_V - 0.03, "rest limit 3.30 V"),
        line(ride.time_s, ride.group_v[:, GROUP - 1], 'stroke="#a8a38f" stroke-width="1.5"'),
        line(ride.time_s, ride.rest_v[:, GROUP - 1], 'stroke="#a8101c" stroke-width="2" stroke-dasharray="2 4"'),
        line(ride.time_s, rest, 'stroke="#15150f" stroke-width="2.5"'),
        text(31, 3.51, "rest voltage as sagwise finds it (black) and as it truly is (red dots)"),
        text(62, 2.84, "loaded voltage, as a plain buzzer sees it", 'fill="#6d6957"'),
        "</svg>",
    ]
    Path(__file__).with_name("rest-voltage.svg").write_text("\n".join(parts) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
