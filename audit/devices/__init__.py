"""A small simulated site: cameras on loopback that answer ONVIF, HTTP and RTSP with pictures of a folder.

Our own server, to try ``collect`` without a camera; the tests use it too. What it says of itself is invented. It keeps no
state that a call could change.
"""

from audit.devices.device import Device
from audit.devices.site import SimulatedSite

__all__ = ["Device", "SimulatedSite"]
