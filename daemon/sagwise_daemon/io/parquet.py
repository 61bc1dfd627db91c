"""A trace's columns as Parquet and back, in a process of its own. Law: pyarrow is imported here only, and only when
asked for.

`python -m sagwise_daemon.io.parquet IN OUT`, one of them `.npz` and the other `.parquet`. Exit status 0 done, 2 it
could not, with one line on standard error.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

NPZ = ".npz"
MISSING = "Parquet needs pyarrow; install it with pip install pyarrow, or choose another format"


def convert(source: Path, target: Path) -> str | None:
    """By that other process; why it could not, None when it is done."""
    command = [sys.executable, "-m", "sagwise_daemon.io.parquet", str(source), str(target)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own program
    return (done.stderr.strip().splitlines() or ["no reason given"])[-1] if done.returncode else None


def main(arguments: list[str]) -> int:
    """The command line."""
    source, target = arguments
    try:
        import pyarrow  # type: ignore[import-untyped]
        from pyarrow import parquet
    except ImportError:
        sys.stderr.write(MISSING + "\n")
        return 2
    try:
        if source.endswith(NPZ):
            with np.load(source) as arrays:  # NaN becomes null
                columns = {name: pyarrow.array(arrays[name], from_pandas=True) for name in arrays.files}
            parquet.write_table(pyarrow.table(columns), target, compression="zstd")
        else:
            table = parquet.read_table(source)
            np.savez(target, **{name: table[name].to_numpy() for name in table.column_names})
    except (pyarrow.ArrowException, OSError, ValueError) as fault:
        sys.stderr.write(" ".join(str(fault).split()) + "\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
