"""Reads a TOML file and words what is wrong with it. Law: one line a fault, `file: key: value; what is allowed`.

The allowed values are written once, by the field helpers below (`whole`, `number`, `text`, ...), and both pydantic
and the fault's words take them from there. A value marked secret is never printed.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

LARGEST_BYTES = 1_000_000
LONGEST_VALUE = 60
SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
MISSING = "missing; write "
SECRET = "secret"  # noqa: S105 - the name of a mark, no password


class Table(BaseModel):
    """Base of all sections: nothing unknown, nothing converted, nothing infinite, nothing changed later."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)


class Faults(Exception):  # noqa: N818 - a list of faults, turned into the caller's error
    """What is wrong with one file; `lines` is one line a fault."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = tuple(lines)


def whole(low: int, high: int, default: Any = ...) -> Any:
    """A whole number within both ends."""
    return Field(default, ge=low, le=high, description=f"a whole number from {low} to {high}")


def number(low: float, high: float, unit: str = "", default: Any = ...) -> Any:
    """A number within both ends; `unit` is for the words only."""
    words = f"a number from {low:g} to {high:g} {unit}".rstrip()
    return Field(default, ge=low, le=high, description=words)


def text(longest: int, default: Any = ..., *, shortest: int = 1, secret: bool = False) -> Any:
    """Text of `shortest` to `longest` printable characters."""
    words = f'text of {shortest} to {longest} characters without line breaks, in "quotes"'
    pattern = rf"^[^\x00-\x1f\x7f]{{{shortest},{longest}}}$"
    return Field(default, pattern=pattern, description=words, repr=not secret, json_schema_extra={SECRET: secret})


def shaped(pattern: str, words: str, default: Any = ...) -> Any:
    """Text that `pattern` describes; `words` say it to a person."""
    return Field(default, pattern=pattern, description=words)


def switch(default: Any) -> Any:
    """true or false."""
    return Field(default, description="true or false")


def choice(options: Sequence[str], default: Any = ..., *, words: str | None = None) -> Any:
    """One word of several; `words` say it to a person where the words alone do not."""
    pattern = "^(" + "|".join(map(re.escape, options)) + ")$"
    return Field(default, pattern=pattern, description=words or "one of " + ", ".join(f'"{o}"' for o in options))


def read_toml(path: Path) -> dict[str, Any]:
    """The file's tables. Raises Faults for a file that cannot be read and for a syntax error, with its place."""
    raw = _read(path)
    try:
        source = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = raw.count(b"\n", 0, error.start) + 1, error.start - raw.rfind(b"\n", 0, error.start)
        message = f"byte {raw[error.start]:#04x} is not UTF-8; save the file as UTF-8"
        raise Faults([f"{path}: line {line}, column {column}: {message}"]) from None
    try:
        return tomllib.loads(source)
    except RecursionError:
        raise Faults([f"{path}: brackets are nested too deeply; write plain tables"]) from None
    except ValueError as error:
        raise Faults([f"{path}: {_syntax(str(error), source)}"]) from None


def _read(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise Faults([f"{path}: is a directory; give the path of a TOML file"])
        if path.exists() and not path.is_file():
            raise Faults([f"{path}: is no ordinary file; give the path of a TOML file"])
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise Faults([f"{path}: no such file; give the path of a TOML file"]) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise Faults([f"{path}: cannot be read ({reason}); check the path and the permissions"]) from None
    if len(raw) > LARGEST_BYTES:
        raise Faults([f"{path}: larger than {LARGEST_BYTES} bytes; this is no file of ours"])
    return raw


def _syntax(message: str, source: str) -> str:
    """tomllib's words with the place first; the end of the document is its last line."""
    found = SYNTAX_PLACE.search(message)
    if found is None:
        return f"not TOML: {message}"
    if found[1] is None:
        place = f"line {max(1, len(source.splitlines()))}, at the end of the file"
    else:
        place = f"line {found[1]}, column {found[2]}"
    return f"{place}: not TOML: {SYNTAX_PLACE.sub('', message)}"


def check(path: Path, model: type[Model], document: Mapping[str, Any]) -> Model:
    """The document as `model`. Raises Faults with every fault."""
    try:
        return model.model_validate(dict(document))
    except ValidationError as error:
        lines = (_fault(model, detail) for detail in error.errors(include_url=False))
        raise Faults([f"{path}: {line}" for line in lines]) from None


def _fault(model: type[BaseModel], detail: ErrorDetails) -> str:
    place, kind = detail["loc"], detail["type"]
    key = key_path(place)
    fields = list(_walk(model, place))
    if kind == "missing":
        return f"{key}: {MISSING}{_allowed(fields[-1], place[-1])}"
    if kind == "extra_forbidden":
        return f"{key}: unknown key; allowed here: {', '.join(sorted(_parent(model, place).model_fields))}"
    if kind == "value_error":
        return f"{key}: {detail['ctx']['error']}"
    value = shown(detail["input"], secret=any(_is_secret(field) for field in fields))
    if kind in ("model_type", "model_attributes_type"):
        return f"{key}: {value} is not a table; write [{key}] and its keys below it"
    allowed = _allowed(fields[-1], place[-1]) if fields else "see the documents"
    return f"{key}: {value} is not allowed; write {allowed}"


def _allowed(field: FieldInfo, name: object) -> str:
    if field.description is not None:
        return field.description
    inner = _model_of(field)
    return f"a table [{name}]" if inner is not None else "see the documents"


def _walk(model: type[BaseModel], place: Sequence[str | int]) -> Iterator[FieldInfo]:
    """The fields on the way to `place`, as far as there are any."""
    current: type[BaseModel] | None = model
    for name in place:
        field = current.model_fields.get(str(name)) if current is not None else None
        if field is None:
            return
        yield field
        current = _model_of(field)


def _parent(model: type[BaseModel], place: Sequence[str | int]) -> type[BaseModel]:
    for field in _walk(model, place[:-1]):
        model = _model_of(field) or model
    return model


def _model_of(field: FieldInfo) -> type[BaseModel] | None:
    options = (field.annotation, *get_args(field.annotation))
    return next((o for o in options if isinstance(o, type) and issubclass(o, BaseModel)), None)


def _is_secret(field: FieldInfo) -> bool:
    extra = field.json_schema_extra
    return isinstance(extra, dict) and bool(extra.get(SECRET))


def key_path(place: Sequence[str | int]) -> str:
    """`cell.ocv[2][0]`; keys that are no bare TOML keys are quoted."""
    path = ""
    for part in place:
        if isinstance(part, int):
            path += f"[{part}]"
        else:
            bare = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part, ensure_ascii=False)
            path += f".{bare}" if path else bare
    return path


def shown(value: object, *, secret: bool = False) -> str:
    """A value as it stands in TOML, shortened."""
    if secret:
        return "the value (not shown)"
    if isinstance(value, str):
        words = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, bool):
        words = "true" if value else "false"
    elif isinstance(value, dict):
        words = "a table"
    else:
        words = str(value)
    return words if len(words) <= LONGEST_VALUE else words[: LONGEST_VALUE - 1] + "…"
