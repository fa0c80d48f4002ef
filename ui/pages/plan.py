"""Plan: edit a row, see what contradicts itself, list the parts."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from audit.errors import AuditError, PlanError
from audit.plan.check import check_plan
from audit.plan.files import read_plan, write_plan
from audit.plan.mounts import parts_list
from ui.parts.session import asked_name, current_visit, logbook, may
from ui.parts.words import word


def _keep(rows: list[dict[str, object]]) -> None:
    book = logbook()
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "plan.csv"
        try:
            write_plan(book.site(), path)
            header = path.read_text(encoding="utf-8-sig").splitlines()[0].split(",")
            lines = [",".join(header)]
            for row in rows:
                lines.append(
                    ",".join(
                        '"' + str("" if row.get(c) is None else row.get(c)).replace('"', '""') + '"' for c in header
                    )
                )
            path.write_text("\n".join(lines) + "\n", encoding="utf-8")
            site = read_plan(path)
            book.replace_plan(site, path.name, path.read_bytes(), by=asked_name() or None)
            st.success(word("plan.kept"))
        except PlanError as error:
            for problem in error.problems:
                st.error(problem.sentence())
        except AuditError as error:
            st.error(error.message)


def page() -> None:
    """The plan's table, its problems, its parts."""
    book = logbook()
    current_visit()
    site = book.site()
    st.subheader(word("plan.check"))
    problems = check_plan(site)
    if not problems:
        st.success(word("plan.clean"))
    else:
        st.dataframe([{"camera": p.camera, "severity": p.severity, "what": p.message, "remedy": p.remedy} for p in problems],
                     hide_index=True, width="stretch")  # fmt: skip
    st.subheader(word("plan.parts"))
    parts = parts_list(site, 0.1)
    st.dataframe([{"part": p.part, "needed": p.needed, "spares": p.spares, "cameras": " ".join(p.cameras)} for p in parts],
                 hide_index=True, width="stretch")  # fmt: skip
    st.subheader(word("plan.edit"))
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "plan.csv"
        write_plan(site, path)
        import csv

        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    edited = st.data_editor(rows, hide_index=True, width="stretch", disabled=not may("decide"))
    if may("decide") and st.button(word("plan.keep")):
        _keep(edited)


page()
