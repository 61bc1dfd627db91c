"""Lets the tests of this folder import what lies beside them. Law: nothing here is imported by the project."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
