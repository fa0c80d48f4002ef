"""Plan: edit a row, see what contradicts itself, list the parts."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import streamlit as st

from audit.errors import AuditError, PlanProblem
from audit.plan.check import check_plan
from audit.plan.files import fix_plan, read_plan_problems, write_plan
from audit.plan.model import Site
from audit.plan.mounts import parts_list
from audit.report.sheets import table_csv
from ui.parts.plain import literal, paragraph, show_notice, table
from ui.parts.session import ask_for_name, asked_name, logbook, may
from ui.parts.words import said, word

_SPARES = 0.1
_CHECKED_AT_ONCE = 500
_SHOWN = 300
_NAMED = 30


@st.cache_data(max_entries=4, show_spinner=False)
def _checked(version: str, _site: Site) -> tuple[PlanProblem, ...]:
    return check_plan(_site)


@st.cache_data(max_entries=4, show_spinner=False)
def _needed(version: str, _site: Site) -> list[tuple[str, int, int, str]]:
    return [(p.part, p.needed, p.spares, " ".join(p.cameras)) for p in parts_list(_site, _SPARES)]


@st.cache_data(max_entries=4, show_spinner=False)
def _as_tables(version: str, _site: Site) -> tuple[list[dict[str, str]], list[dict[str, str]] | None]:
    return _rows(_site)


def _rows(site: Site) -> tuple[list[dict[str, str]], list[dict[str, str]] | None]:
    """The plan as it is written to a file: cameras, and targets where they have a table of their own."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "plan.csv"
        write_plan(site, path)
        targets = path.with_suffix(".targets.csv")
        return _read(path), _read(targets) if targets.is_file() else None


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def _written(rows: list[dict[str, str]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows([{k: "" if v is None else v for k, v in row.items()} for row in rows])
    return out.getvalue()


def _keep(site: Site, cameras: list[dict[str, str]], targets: list[dict[str, str]] | None, take: bool = False) -> None:
    """Puts the edited rows in force; with ``take`` by the guesses that the check offers."""
    name = f"{Path(site.file or 'plan').stem}.csv"
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / name
        try:
            write_plan(site, path)
            path.write_text(_written(cameras), encoding="utf-8")
            if targets:
                path.with_suffix(".targets.csv").write_text(_written(targets), encoding="utf-8")
            if take:
                (Path(place) / "taken").mkdir()
                fix_plan(path, Path(place) / "taken" / name)
                path = Path(place) / "taken" / name
            edited, problems = read_plan_problems(path)
            wrong = [p for p in problems if p.severity == "error"]
            if edited is None or wrong:
                _refuse(wrong or list(problems))
                return
            logbook().replace_plan(edited, name, path.read_bytes(), by=asked_name() or None)
        except AuditError as error:
            st.error(literal(said(error.message)))
            return
        st.session_state.pop("guessed", None)
        st.session_state["kept"] = True
        st.rerun()


def _refuse(wrong: list[PlanProblem]) -> None:
    """Names what is wrong; where guesses are offered, they can be taken with one click."""
    for problem in wrong:
        st.error(literal(said(problem.sentence())))
    st.session_state["guessed"] = any(p.guess for p in wrong)


def _problems(version: str, site: Site) -> None:
    st.subheader(word("plan.check"))
    if site.waiting:
        header = tuple(word(f"plan.{c}") for c in ("camera", "what"))
        rows = [(w.camera, "; ".join(w.reasons)) for w in site.waiting[:_SHOWN]]
        paragraph(word("plan.waiting", n=len(site.waiting)), "strong")
        table(header, rows, word("plan.waiting", n=len(site.waiting)))
    if len(site.cameras) > _CHECKED_AT_ONCE and not st.toggle(word("plan.check_now", n=len(site.cameras)), key="check"):
        return
    problems = _checked(version, site)
    wrong = [p for p in problems if p.severity != "caution"]
    if wrong:
        _table(wrong)
    else:
        st.success(word("plan.clean"))
    if len(problems) > len(wrong):
        with st.expander(word("plan.cautions", n=len(problems) - len(wrong))):
            _table([p for p in problems if p.severity == "caution"])


def _table(problems: list[PlanProblem]) -> None:
    header = tuple(word(f"plan.{c}") for c in ("camera", "severity", "what", "remedy"))
    table(header, [(p.camera, p.severity, p.message, p.remedy) for p in problems[:_SHOWN]], word("plan.check"))
    if len(problems) > _SHOWN:
        paragraph(word("plan.more", n=len(problems) - _SHOWN), "strong")


def _parts(version: str, site: Site) -> None:
    st.subheader(word("plan.parts"))
    header = tuple(word(f"plan.{c}") for c in ("part", "needed", "spares", "for_cameras"))
    rows = _needed(version, site)
    table(header, [(*row[:3], _shortened(row[3])) for row in rows], word("plan.parts"))
    st.download_button(
        word("plan.download_parts"), table_csv(header, rows), file_name="parts.csv", mime="text/csv", key="parts"
    )


def _shortened(cameras: str) -> str:
    """The first cameras of a part; all are in the CSV."""
    names = cameras.split()
    return cameras if len(names) <= _NAMED else f"{' '.join(names[:_NAMED])} … ({len(names)})"


def _edit(version: str, site: Site) -> None:
    st.subheader(word("plan.edit"))
    cameras, targets = _as_tables(version, site)
    edited = st.data_editor(cameras, hide_index=True, width="stretch", disabled=not may("decide"), key="cameras")
    if may("decide") and ask_for_name():
        if st.button(word("plan.keep"), key="keep"):
            _keep(site, edited, targets)
        if st.session_state.get("guessed") and st.button(word("plan.take"), key="take"):
            _keep(site, edited, targets, take=True)


def page() -> None:
    """The plan's table, its problems, its parts."""
    book = logbook()
    site, version = book.site(), book.plans()[-1].sha256
    show_notice()
    if st.session_state.pop("kept", False):
        st.success(word("plan.kept"))
    _problems(version, site)
    _parts(version, site)
    _edit(version, site)


page()
