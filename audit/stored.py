"""One checked way from kept JSON back to a value: what is unknown is left out, what may be absent reads as absent."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from audit.errors import LogbookError

if TYPE_CHECKING:
    from pydantic import TypeAdapter

__all__ = ["adapter", "checked"]

T = TypeVar("T")
_adapters: dict[type[Any], TypeAdapter[Any]] = {}
_SHOWN_PROBLEMS = 2


def checked(kind: type[T], value: Any, what: str, version: int | None = None) -> T:
    """A dataclass from its JSON values.

    Keys that the dataclass doesn't have are left out. A missing key takes the field's default, or None where the field
    may be None; any other is an error.

    Parameters
    ----------
    value
        JSON text, or values as :func:`json.loads` gives them.
    what : str
        What it is for a person, e.g. ``measurement``.
    version : int or None
        The latest version of such records that this program reads; a record names its own by ``version`` (1 without).

    Raises
    ------
    LogbookError
        Where it doesn't hold what the program wrote, or a newer program wrote it.
    """
    from pydantic import ValidationError

    if version is not None and isinstance(value, Mapping):
        written = value.get("version", 1)
        if not isinstance(written, int) or written > version:
            raise LogbookError(
                f"a stored {what} was written by a newer photo-audit (its version is {written}, this program reads "
                f"{version}); update photo-audit and open it again."
            )
    try:
        if isinstance(value, str | bytes):
            return adapter(kind).validate_json(value)
        return adapter(kind).validate_python(_with_absent(kind, value))
    except ValidationError as error:
        problems = [": ".join(filter(None, _where_and_what(p))) for p in error.errors()[:_SHOWN_PROBLEMS]]
        raise LogbookError(
            f"a stored {what} can't be read ({error.error_count()} problems; {'; '.join(problems)}); the logbook was "
            "changed by another program: restore it from a backup."
        ) from error


def _where_and_what(problem: Any) -> tuple[str, str]:
    return ".".join(map(str, problem["loc"])), problem["msg"].lower()


def adapter(kind: type[T]) -> TypeAdapter[T]:
    """The checker of a dataclass, made once."""
    from pydantic import TypeAdapter

    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def _with_absent(kind: Any, value: Any) -> Any:
    """The same values with None for what is missing and may be absent, in dataclasses within as well."""
    if not is_dataclass(kind) or not isinstance(value, Mapping):
        return value
    found = dict(value)
    for name, (inner, may_be_absent) in _absent(cast(Hashable, kind)).items():
        if name in found:
            found[name] = _with_absent(inner, found[name])
        elif may_be_absent:
            found[name] = None
    return found


@cache
def _absent(kind: Hashable) -> dict[str, tuple[Any, bool]]:
    """By field: the dataclass that it holds or its type, and whether it reads None where it is missing."""
    dataclass = cast("type[Any]", kind)
    hints = get_type_hints(dataclass)
    found = {}
    for field in fields(dataclass):
        hint = hints[field.name]
        union = get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)
        no_default = field.default is MISSING and field.default_factory is MISSING
        inner = next((part for part in union if is_dataclass(part)), hint)
        found[field.name] = (inner, no_default and NoneType in union)
    return found
