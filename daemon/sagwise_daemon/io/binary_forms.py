"""Exports in forms that are no text, made into the CSV again that they were made from. Law: what they hold is judged
where every other trace is, by the reader of the CSV; so they come back whole or are refused with row and column.
"""

from __future__ import annotations

import tempfile
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from sagwise_daemon.errors import TraceError
from sagwise_daemon.io.parquet import NPZ, convert
from sagwise_daemon.io.trace import (
    CURRENT_FORMAT,
    DISTANCE_FORMAT,
    TEMPERATURE_FORMAT,
    TIME_FORMAT,
    VOLTS_FORMAT,
    lines,
    replacing,
)

PARQUET = ".parquet"
BINARY = (NPZ, PARQUET)
WANTED = "give an export as it was written"
_FORMATS = {"s": TIME_FORMAT, "v": VOLTS_FORMAT, "a": CURRENT_FORMAT, "c": TEMPERATURE_FORMAT, "m": DISTANCE_FORMAT}


def as_csv(file: Path, csv: Path) -> None:
    """Write the columns of an .npz or .parquet to `csv`, as they are. Raises TraceError where they are no columns."""
    columns = _columns(file)
    if len({column.shape for column in columns.values()}) != 1:
        raise TraceError(f"{file}: its columns are not of one length; {WANTED}")
    formats = ",".join(_FORMATS.get(name.rpartition("_")[2], TIME_FORMAT) for name in columns)
    with replacing(csv) as out:
        out.write(",".join(columns) + "\r\n")
        out.writelines(lines(formats, np.column_stack(list(columns.values()))))


def _columns(file: Path) -> dict[str, np.ndarray[Any, Any]]:
    """The columns by name, in their order. Raises TraceError."""
    with tempfile.TemporaryDirectory(prefix="sagwise-import-") as folder:
        arrays = file
        if file.suffix == PARQUET:
            arrays = Path(folder) / f"arrays{NPZ}"
            reason = convert(file, arrays)
            if reason is not None:
                raise TraceError(f"{file}: cannot be read ({reason}); {WANTED}")
        try:
            with np.load(arrays) as found:
                columns = {name: np.asarray(found[name], np.float64) for name in found.files}
        except (OSError, ValueError, TypeError, AttributeError, EOFError, zipfile.BadZipFile, zlib.error) as fault:
            raise TraceError(f"{file}: holds no columns of numbers ({fault}); {WANTED}") from None
    odd = next((name for name, column in columns.items() if column.ndim != 1), None)
    if odd is not None or not columns:
        raise TraceError(f"{file}: {odd or 'it'} holds no column of numbers; {WANTED}")
    return columns
