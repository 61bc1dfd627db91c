"""Stops the build with one clear line where Python is too old or lacks venv. Law: runs on any Python 3."""

import sys

if sys.version_info < (3, 11):
    sys.exit(
        "sagwise needs Python 3.11 or newer; this is %d.%d. Install a newer one and run: make PYTHON=python3.12 ..."
        % sys.version_info[:2]
    )
try:
    import ensurepip  # noqa: F401
except ImportError:
    sys.exit("Python's venv is missing. On Debian: apt-get install python3-venv")
