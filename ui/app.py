"""The desk's entry: pages, navigation, and which logbook and visit they show."""

from __future__ import annotations

import sys
from pathlib import Path

import streamlit as st
from streamlit.navigation.page import StreamlitPage

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from ui.parts.plain import paragraph
from ui.parts.session import paired, signed_in, visit_bar
from ui.parts.style import apply_style
from ui.parts.words import speak_this_run, word

_PAGES = ("review", "bring_in", "aim", "place", "site", "over_time", "checks", "sign", "plan")


def _links(pages: list[StreamlitPage], shown: StreamlitPage) -> None:
    """The pages by name: in a row where there is room, else behind a button that says so and closes on a new page."""
    with st.container(key="pages-row", horizontal=True, gap=None):
        for page in pages:
            st.page_link(page)
    with st.container(key="pages-button"), st.popover(word("desk.pages"), key=f"pages-of-{shown.url_path}"):
        for page in pages:
            st.page_link(page)


def main() -> None:
    """Lay out the desk."""
    speak_this_run()
    st.set_page_config(page_title=word("desk.title"), layout="wide", initial_sidebar_state="collapsed")
    apply_style()
    folder = Path(__file__).resolve().parent / "desk_pages"
    phone = paired()
    if phone is not None:  # no other page is there at all, whatever the browser asks for
        page = st.navigation([st.Page(folder / "aim.py", title=word("page.aim"), default=True)], position="hidden")
        paragraph(word("pair.here", number=phone.host.visit, name=phone.name), "faint")
        page.run()
        return
    pages = [
        st.Page(folder / f"{name}.py", title=word(f"page.{name}"), url_path=name if i else None, default=i == 0)
        for i, name in enumerate(_PAGES)
    ]
    page = st.navigation(pages, position="hidden")
    _links(pages, page)
    if not signed_in():
        st.error(word("desk.sign_in_first"))
        return
    visit_bar()
    page.run()


main()
