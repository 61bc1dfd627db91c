"""The order of the whole run. Law: tests that drive a browser come last.

Playwright keeps an event loop running in the thread of the tests from its first use to the end of the session, and
tests that start a loop of their own fail beside it.
"""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Stable: within both parts the order stays."""
    items.sort(key=lambda item: item.get_closest_marker("browser") is not None)
