"""What was dropped into the browser leaves the server's memory once it lies on disk."""

from __future__ import annotations

from collections.abc import Iterable

import streamlit as st
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.scriptrunner import get_script_run_ctx

__all__ = ["forget"]


def forget(files: Iterable[st.runtime.uploaded_file_manager.UploadedFile]) -> None:
    """Free the bytes of dropped files; Streamlit keeps them until some time after the browser is closed."""
    context = get_script_run_ctx()
    for file in files:
        manager = None if context is None else context.uploaded_file_mgr
        if context is not None and isinstance(manager, MemoryUploadedFileManager):
            manager.remove_file(session_id=context.session_id, file_id=file.file_id)
        file.close()
