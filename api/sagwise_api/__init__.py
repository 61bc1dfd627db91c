"""The page and its API. Law: reads through the domain's ports, acts by its commands, knows no store and no board."""

from __future__ import annotations

from sagwise_api.app import create_app
from sagwise_api.server import PageServer, serve
from sagwise_api.settings import PageSettings

__all__ = ["PageServer", "PageSettings", "create_app", "serve"]
