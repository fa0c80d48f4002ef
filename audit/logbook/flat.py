"""What a row of JSON without anything inside anything looks like, told before it is read.

Brackets within brackets take some thirty times their size in memory; rows that a logbook writes have none.
"""

from __future__ import annotations

import re

__all__ = ["FLAT_OBJECT", "SCALAR", "STRING"]

STRING = rb'"(?:[^"\\\x00-\x1f]++|\\.)*+"'
SCALAR = rb"(?:" + STRING + rb"|-?[0-9][0-9eE.+-]*+|true|false|null)"
_PAIR = STRING + rb": ?" + SCALAR
#: One object of scalars; the end of its line is allowed.
FLAT_OBJECT = re.compile(rb"\{" + _PAIR + rb"(?:, ?" + _PAIR + rb")*+\}\n?")
