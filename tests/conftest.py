"""The order of the whole run. Law: what watches real time runs by itself, and what drives a browser comes last.

Files with slow tests come first, so that two workers end at nearly the same time.

Playwright keeps an event loop running in the thread of the tests from its first use to the end of the session, and
tests that start a loop of their own fail beside it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

ACCEPTANCE = Path(__file__).parent / "acceptance"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks what must run alone; the order is stable within each part."""
    for item in items:
        if ACCEPTANCE in item.path.parents or item.get_closest_marker("browser") is not None:
            item.add_marker(pytest.mark.alone)
    slow = {item.path for item in items if item.get_closest_marker("slow") is not None}
    items.sort(key=lambda item: (item.get_closest_marker("browser") is not None, item.path not in slow))
