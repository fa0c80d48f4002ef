"""A camera of the plan by its id, or the sentence that names the nearest one."""

from __future__ import annotations

import difflib

from audit.errors import AuditError
from audit.plan.model import Camera, Site

__all__ = ["planned_camera"]


def planned_camera(site: Site, camera_id: str) -> Camera:
    """The camera of that id.

    Raises
    ------
    AuditError
        If the plan has none; it names the one that may be meant.
    """
    if camera_id not in site:
        near = difflib.get_close_matches(camera_id, [c.camera for c in site.cameras], n=1)
        guess = f" Did you mean '{near[0]}'?" if near else ""
        raise AuditError(f"the plan has no camera '{camera_id}'.{guess}")
    return site.camera(camera_id)
