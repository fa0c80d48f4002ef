"""Text of strangers for a terminal or a page: nothing in it steers a terminal, turns a line round or hides a letter."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["visible", "without_password"]

#: Categories of Unicode 15.1 (4.5): control, format (the bidirectional marks among them), lone surrogate, private, not
#: assigned, and separators of lines and paragraphs.
_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

#: ``scheme://user:password@``: up to the last @ of the address, since a password may hold one.
_ADDRESS = re.compile(r"([A-Za-z][\w+.-]*://[^\s/:@]*):[^\s]*@")
_QUERY = re.compile(r"([?&](?:password|passwd|passfile|sslpassword)=)[^&\s]*", re.IGNORECASE)


def visible(text: str, keep: str = "") -> str:
    """The same text, each letter that can't be seen written as its escape.

    Parameters
    ----------
    keep : str
        Letters that stay, such as the ends of lines in text of several lines.
    """
    if text.isprintable():
        return text
    return "".join(c if c in keep or unicodedata.category(c) not in _INVISIBLE else _escape(ord(c)) for c in text)


def without_password(text: str) -> str:
    """The same text, passwords of database addresses in it taken out."""
    return _QUERY.sub(r"\1***", _ADDRESS.sub(r"\1:***@", text))


def _escape(code: int) -> str:
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file's name that is no UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
