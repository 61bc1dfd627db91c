"""A mapping file: how the columns of somebody else's CSV become ours. Law: every unit and sign is said, or is the
trace's own; what is unknown or contradicts itself is refused whole. `EXAMPLE` has all there is.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pydantic import Field

from sagwise_daemon.config.document import Faults, Table, check, choice, read_toml, text, whole
from sagwise_daemon.errors import ConfigError

SEPARATORS: Mapping[str, str] = {",": ",", ";": ";", "tab": "\t", "|": "|"}
TIMES: Mapping[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0}
ISO = "iso"
VOLTS: Mapping[str, float] = {"V": 1.0, "mV": 1e-3}
AMPERES: Mapping[str, float] = {"A": 1.0, "mA": 1e-3}
METRES: Mapping[str, float] = {"m": 1.0, "km": 1000.0, "mi": 1609.344}
# degC = scale · value + offset
CELSIUS: Mapping[str, tuple[float, float]] = {"degC": (1.0, 0.0), "degF": (5 / 9, -160 / 9), "K": (1.0, -273.15)}
LONGEST = 120

EXAMPLE = """\
[file]                       # all optional
separator = ";"              # ",", ";", "tab" or "|"
decimal = ","                # "." or ","
skip_lines = 0               # before the header row
[time]
column = "Time"
unit = "ms"                  # s, ms, us, min, h; "iso": 2026-05-01T10:00:00Z
[groups]
columns = ["C1", "C2", "C3"]
first = "negative"           # where the first lies in the pack, or "positive"
unit = "mV"                  # V or mV
[current]                    # optional, as all that follow
column = "I"
unit = "A"                   # A or mA
positive = "discharge"       # or "charge"
[temperatures]
columns = ["T1"]
unit = "degC"                # degC, degF or K
[distance]
column = "Odo"
unit = "km"                  # m, km or mi
"""


class FileSection(Table):
    """separator, decimal: how the file is written. skip_lines: before its header row."""

    separator: str = choice(tuple(SEPARATORS), ",")
    decimal: str = choice((".", ","), ".")
    skip_lines: int = whole(0, 1000, 0)


class TimeSection(Table):
    """unit "iso": date and time of day, each row."""

    column: str = text(LONGEST)
    unit: str = choice((*TIMES, ISO), "s")


class GroupsSection(Table):
    """columns: in the order of the pack. first: at which of its ends the first of them lies."""

    columns: list[str] = Field(min_length=1, max_length=48, description="1 to 48 column names")
    first: str = choice(("negative", "positive"), "negative")
    unit: str = choice(tuple(VOLTS), "V")


class CurrentSection(Table):
    """positive: what a positive number means."""

    column: str = text(LONGEST)
    unit: str = choice(tuple(AMPERES), "A")
    positive: str = choice(("discharge", "charge"), "discharge")


class TemperaturesSection(Table):
    """One column a sensor."""

    columns: list[str] = Field(min_length=1, max_length=16, description="1 to 16 column names")
    unit: str = choice(tuple(CELSIUS), "degC")


class DistanceSection(Table):
    """Cumulative."""

    column: str = text(LONGEST)
    unit: str = choice(tuple(METRES), "m")


class Mapped(Table):
    """A mapping file."""

    file: FileSection = Field(default_factory=FileSection)
    time: TimeSection
    groups: GroupsSection
    current: CurrentSection | None = None
    temperatures: TemperaturesSection | None = None
    distance: DistanceSection | None = None

    @property
    def names(self) -> list[str]:
        """Every column that is read, in the trace's order."""
        single = [self.current.column] if self.current else []
        sensors = self.temperatures.columns if self.temperatures else []
        last = [self.distance.column] if self.distance else []
        return [self.time.column, *self.groups.columns, *single, *sensors, *last]


def load_mapping(path: Path) -> Mapped:
    """The mapping at `path`. Raises ConfigError with every fault, one line each."""
    try:
        mapped = check(path, Mapped, read_toml(path))
    except Faults as faults:
        raise ConfigError(str(faults)) from None
    twice = sorted({name for name in mapped.names if mapped.names.count(name) > 1})
    if twice:
        raise ConfigError(f"{path}: column {twice[0]!r} is used twice; every column has one meaning")
    if mapped.file.separator == mapped.file.decimal == ",":
        raise ConfigError(f"{path}: file.separator: a comma cannot part columns and decimals both; write one of them")
    return mapped
