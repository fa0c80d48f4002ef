"""A mapping file (TOML): what a drawing or a model calls otherwise than a plan does."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from audit.errors import PlanError, PlanProblem
from audit.plan.columns import by_key
from audit.plan.table import shown_name

__all__ = ["WHERE_TOLD", "read_mapping", "refused"]

Made = TypeVar("Made")

#: Where a person finds how such a file looks.
WHERE_TOLD = "see docs/plan.md for the mapping file"


def refused(name: str, message: str) -> PlanError:
    """One sentence on a file that is to become a plan."""
    return PlanError((PlanProblem(name, message),))


def read_mapping(
    path: Path | None, table: str, keys: frozenset[str], make: Callable[[Mapping[str, Any], dict[str, str]], Made]
) -> Made:
    """What a mapping file says.

    Parameters
    ----------
    path : Path or None
        None: nothing is called otherwise.
    table, keys : str, frozenset of str
        The file's table besides ``columns``, and what may stand in it.
    make : callable
        From that table and from the plan's columns by what the file calls them, in small letters; raises ValueError with
        what can't be used.

    Raises
    ------
    PlanError
        If the file can't be read or used.
    """
    if path is None:
        return make({}, {})
    name = shown_name(path)
    try:
        text = tomllib.loads(path.read_text(encoding="utf-8"))
        own, columns = dict(text.get(table, {})), dict(text.get("columns", {}))
        unknown = set(own) - keys | set(text) - {table, "columns"}
        if unknown:
            raise ValueError(f"'{sorted(unknown)[0]}' is no key of a mapping")
        wrong = [column for column in columns.values() if column not in by_key("cameras")]
        if wrong:
            raise ValueError(f"'{wrong[0]}' is no column of a plan")
        return make(own, {str(key).casefold(): str(column) for key, column in columns.items()})
    except OSError as error:
        raise refused(name, f"the mapping can't be read ({error.strerror}); check its path.") from error
    except (ValueError, TypeError) as error:
        raise refused(name, f"the mapping can't be used ({error}); {WHERE_TOLD}.") from error
