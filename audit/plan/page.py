"""The tables of the page on plan files, made from the columns; ``python -m audit.plan.page`` writes them anew."""

from __future__ import annotations

import sys
from pathlib import Path

from audit.plan.columns import TableWord, columns_of
from audit.plan.titles import LANGUAGES

__all__ = ["column_table", "titles_table", "with_tables"]

_NAMES = {"en": "English", "de": "German", "fr": "French", "es": "Spanish", "it": "Italian"}


def column_table(word: TableWord) -> str:
    """The columns of one table: name, what is accepted, what it means."""
    lines = ["| column | accepts | meaning |", "|---|---|---|"]
    lines += [f"| `{c.key}` | {c.kind.accepted} | {c.meaning} |" for c in columns_of(word)]
    return "\n".join(lines)


def titles_table() -> str:
    """Other titles of the cameras' columns, by language."""
    lines = ["| column | " + " | ".join(_NAMES[x] for x in LANGUAGES) + " |", "|---" * (len(LANGUAGES) + 1) + "|"]
    for column in columns_of("cameras"):
        if any(column.titles):
            cells = (", ".join(titles.split("|")[:4]) for titles in column.titles)
            lines.append(f"| `{column.key}` | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def with_tables(text: str) -> str:
    """The page with its tables made anew, each between its two marks."""
    parts = {
        "cameras": column_table("cameras"),
        "targets": column_table("targets"),
        "landmarks": column_table("landmarks"),
        "titles": titles_table(),
    }
    for name, table in parts.items():
        start, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        before, rest = text.split(start)
        text = f"{before}{start}\n{table}\n{end}{rest.split(end)[1]}"
    return text


if __name__ == "__main__":
    page = Path(sys.argv[1] if len(sys.argv) > 1 else "docs/plan.md")
    page.write_text(with_tables(page.read_text(encoding="utf-8")), encoding="utf-8")
