"""The order of the whole run. Law: what drives a browser comes last, and before it the files with slow tests first.

Playwright keeps an event loop running in the thread of the tests from its first use to the end of the session, and
tests that start a loop of their own fail beside it. Slow files first make two workers end at nearly the same time, and
so do those of the browser with the most tests.
"""

from __future__ import annotations

from collections import Counter

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The order is stable within each part."""
    slow = {item.path for item in items if item.get_closest_marker("slow") is not None}
    tests = Counter(item.path for item in items if item.get_closest_marker("browser") is not None)
    items.sort(key=lambda item: (item.path in tests, item.path not in slow, -tests[item.path]))
