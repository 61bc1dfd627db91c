"""A trace's columns as Parquet, in a process of its own. Law: pyarrow is imported here only, and only when asked for.

`python -m sagwise_daemon.io.parquet IN.npz OUT.parquet`. Exit status 0 done, 2 it could not, with one line on standard
error.
"""

from __future__ import annotations

import sys

import numpy as np

MISSING = "Parquet needs pyarrow; install it with pip install pyarrow, or choose another format"


def main(arguments: list[str]) -> int:
    """The command line."""
    source, target = arguments
    try:
        import pyarrow  # type: ignore[import-untyped]
        from pyarrow import parquet
    except ImportError:
        sys.stderr.write(MISSING + "\n")
        return 2
    with np.load(source) as arrays:
        columns = {name: pyarrow.array(arrays[name], from_pandas=True) for name in arrays.files}  # NaN becomes null
    parquet.write_table(pyarrow.table(columns), target, compression="zstd")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
