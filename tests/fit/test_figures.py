"""What is searched: names that settings.py has, places and values that agree, and a text changed in numbers only."""

from __future__ import annotations

import ast

import figures
import filters
import numpy as np
import pytest
import score
from score import Errors

from sagwise_daemon.domain.estimate import settings


@pytest.mark.parametrize("figure", figures.ALL, ids=lambda figure: figure.label)
def test_a_figure_is_a_number_of_settings(figure: figures.Figure) -> None:
    value = getattr(settings, figure.name)
    assert (figure.place is None) is isinstance(value, float)
    assert figure.place is None or 0 <= figure.place < len(value)
    assert figure.name in filters.NAMES
    assert figure.low < figure.high
    assert figure.even or figure.low > 0


def test_no_figure_is_searched_twice() -> None:
    labels = [figure.label for figure in figures.ALL]
    assert len(set(labels)) == len(labels)


@pytest.mark.parametrize("even", [True, False])
def test_a_place_in_the_cube_and_a_value_say_the_same(even: bool) -> None:
    figure = figures.Figure("NOISE_V", 0.002, 0.08, even=even)
    assert [figure.part(0.0001), figure.part(0.002), figure.part(0.08), figure.part(3.0)] == pytest.approx([0, 0, 1, 1])
    assert figure.at(0.5) == pytest.approx(0.041 if even else np.sqrt(0.002 * 0.08), rel=0.005)
    assert figure.at(figure.part(0.0123)) == 0.0123


def test_moving_to_where_one_stands_changes_nothing() -> None:
    """Those within their ranges and of three digits, that is."""
    now = filters.present()
    kept = [f for f in figures.ALL if f.low <= f.of(now) <= f.high and float(f"{f.of(now):.3g}") == f.of(now)]
    assert len(kept) > len(figures.ALL) / 2
    assert figures.moved(kept, now, figures.parts(kept, now)) == now


def test_only_numbers_are_rewritten() -> None:
    source = '"""§ Text."""\nA = 1.0  # why\nB, C = 2.0, (3.0, 4.0)  # A = 5\nD = (\n    6.0\n)\nE = 1 / 6\n'
    text = figures.rewritten(source, {"A": 1.5, "C": (0.25, 4.0), "D": 7e-5})
    assert text == '"""§ Text."""\nA = 1.5  # why\nB, C = 2.0, (0.25, 4.0)  # A = 5\nD = (\n    7e-05\n)\nE = 1 / 6\n'
    for name, value in (("E", 1.0), ("F", 1.0), ("C", (1.0,))):
        with pytest.raises(ValueError, match=name):
            figures.rewritten(source, {name: value})


def test_all_that_is_searched_can_be_rewritten() -> None:
    source = figures.SETTINGS.read_text(encoding="utf-8")
    now = filters.present()
    moved = {figure.name: now[figure.name] for figure in figures.ALL}
    text = figures.rewritten(source, moved)
    assert ast.dump(ast.parse(text)) == ast.dump(ast.parse(source))


def errors(
    cell: str, kind: str, rest_mv: float, ocv_mv: float = 0.0, loaded: bool = False, over_v: float = 1.0
) -> Errors:
    """The same at a hundred moments; sigma is 10 mV."""
    rest = np.full(100, rest_mv * 1e-3)
    return Errors(
        "ride", cell, loaded, kind, rest, np.full(100, ocv_mv * 1e-3), np.full(100, over_v), abs(rest) / 0.010
    )


def test_common_score_by_hand() -> None:
    """Two cells: one errs by 10 mV at all moments, one by none. Under load by 30 mV, and by 40 of OCV."""
    rested = [errors("A", "middle", 10), errors("B", "middle", 0)]
    rest, tail, worst = 100 / 2, 0.04 * 100 / 2, 0.15 * 100 / 2
    assert score.common_mv(rested) == pytest.approx(np.sqrt(rest + tail + worst))
    loaded = errors("A", "middle", 30, ocv_mv=40, loaded=True)
    assert score.common_mv([*rested, loaded]) == pytest.approx(np.sqrt(rest + tail + worst + 0.12 * (900 + 160)))
    assert score.common_mv([*rested, errors("B", "middle", np.nan)]) == score.NO_NUMBER_MV


def test_score_of_the_groups_by_hand() -> None:
    """Healthy ones err by 10 mV, hidden ones by 20; high at the limit counts once more, low there does not.

    An error that is the same at all moments is its own root mean square, 98th percentile and largest.
    """
    healthy, far = errors("A", "healthy", 10), errors("A", "hidden", 20)
    apart = (1 + 0.04 + 0.01) * (100 + 0.25 * 400)
    assert score.peers_mv([healthy, far]) == pytest.approx(np.sqrt(apart))
    for rest_mv, high in ((20, 0.5 * 0.25 * 400), (-20, 0.0)):
        near = errors("A", "hidden", rest_mv, over_v=-0.010)
        assert score.peers_mv([healthy, near]) == pytest.approx(np.sqrt(apart + high))


def test_too_sure_counts() -> None:
    """Half of the moments err by four sigmas, two more than count for nothing: 5 mV each, squared."""
    sure = errors("A", "hidden", 40)
    assert score.peers_mv([errors("A", "healthy", 0), sure]) == pytest.approx(np.sqrt(0.25 * 1.05 * 1600 + 100 / 2))
