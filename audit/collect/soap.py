"""SOAP with a camera, read only: messages are built and answers read by zeep from ONVIF's published WSDL, strictly and
without entities.

The device and first media service come from the WSDL that onvif-zeep-async carries; the second media service (profile T)
from ONVIF's own files in ``wsdl/``, unchanged, since the package that has them can't be installed beside the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from threading import Lock
from typing import Any

import zeep
import zeep.exceptions
from lxml import etree
from requests import Response
from zeep.transports import Transport
from zeep.wsdl import Document
from zeep.wsse.username import UsernameToken

from audit.collect.refusal import NoPicture, Reason
from audit.collect.web import Web
from audit.errors import AuditError
from audit.extras import how_to_get

__all__ = ["CALLS", "DEVICE", "MEDIA", "MEDIA_2", "Service", "UsernameToken", "call", "service"]


@dataclass(frozen=True, slots=True)
class Service:
    """One of ONVIF's services.

    Attributes
    ----------
    space : str
        Its namespace, by which a device lists it.
    wsdl : str
        File that describes it.
    """

    space: str
    binding: str
    wsdl: str


DEVICE = Service("http://www.onvif.org/ver10/device/wsdl", "DeviceBinding", "devicemgmt.wsdl")
MEDIA = Service("http://www.onvif.org/ver10/media/wsdl", "MediaBinding", "media.wsdl")
MEDIA_2 = Service("http://www.onvif.org/ver20/media/wsdl", "Media2Binding", "ver20/media/wsdl/media.wsdl")
_OWN_WSDL = Path(__file__).with_name("wsdl")

_PICTURES = ("GetProfiles", "GetSnapshotUri", "GetStreamUri")
#: Every call that is ever made of a device, by the namespace of its service; each only reads.
CALLS: Mapping[str, tuple[str, ...]] = {
    DEVICE.space: (
        "GetSystemDateAndTime",
        "GetDeviceInformation",
        "GetServices",
        "GetNetworkInterfaces",
        "GetScopes",
    ),
    MEDIA.space: _PICTURES,
    MEDIA_2.space: _PICTURES,
}
_loading = Lock()


class _ReadOnly(zeep.Plugin):  # type: ignore[misc]
    """Lets no call out that is not on the list."""

    def egress(self, envelope: Any, http_headers: Any, operation: Any, binding_options: Any) -> tuple[Any, Any]:
        if operation.name not in CALLS.get(operation.binding.name.namespace, ()):
            raise NoPicture("not read only", f"{operation.name} is no call that only reads; it was not sent.")
        return envelope, http_headers


class _Through(Transport):  # type: ignore[misc]
    """zeep's messages by our own bounded HTTP; WSDL from disk alone."""

    def __init__(self, web: Web) -> None:
        super().__init__()
        self._web = web

    def post(self, address: str, message: bytes, headers: Mapping[str, str]) -> Response:
        status, body = self._web.post(address, message, headers)
        reply = Response()
        reply.status_code = status
        reply._content = body
        reply.headers["Content-Type"] = "application/soap+xml"
        return reply

    def post_xml(self, address: str, envelope: Any, headers: Mapping[str, str]) -> Response:
        return self.post(address, etree.tostring(envelope), headers)

    def load(self, url: str) -> bytes:
        raise NoPicture("not read only", f"{url}: nothing is loaded from a device's description.")


class _FromDisk(Transport):  # type: ignore[misc]
    def load(self, url: str) -> bytes:
        if "://" in url and not url.startswith("file://"):
            raise OSError(f"{url}: no description is fetched from elsewhere.")
        with open(url.removeprefix("file://"), "rb") as stream:
            return stream.read()


@cache
def _description(of: Service) -> Document:
    # the package is found, not imported: its import sets the whole program's log
    package = find_spec("onvif")
    if package is None or not package.submodule_search_locations:
        raise AuditError(f"onvif-zeep-async is not installed whole; install it anew with: {how_to_get('collect')}.")
    folder = _OWN_WSDL if of is MEDIA_2 else Path(package.submodule_search_locations[0]) / "wsdl"
    return Document(str(folder / of.wsdl), _FromDisk(), settings=zeep.Settings(strict=True, xml_huge_tree=False))


def service(web: Web, of: Service, at: str, token: UsernameToken | None) -> Any:
    """A device's service at an address, with the user's token."""
    with _loading:
        document = _description(of)
    settings = zeep.Settings(strict=True, xml_huge_tree=False)
    client = zeep.Client(document, wsse=token, transport=_Through(web), settings=settings, plugins=[_ReadOnly()])
    return client.create_service(f"{{{of.space}}}{of.binding}", at)


def call(web: Web, at: Any, name: str, *, optional: bool = False, **arguments: Any) -> Any:
    """The answer to one call of a service; None where the device does not offer an optional one.

    Raises
    ------
    NoPicture
        With the reason.
    """
    try:
        return at[name](**arguments)
    except zeep.exceptions.Fault as fault:
        if optional:
            return None
        words = f"{fault.message} {' '.join(str(code) for code in fault.subcodes or ())}".lower()
        if "notauthorized" in words or "not authorized" in words or "authority" in words:
            reason: Reason = "password needed" if web.credentials is None else "wrong password"
            hint = "give it with --credentials FILE.csv" if web.credentials is None else "correct it before the next try"
            raise web.refuse(reason, f"does not take the user or password; {hint}") from None
        raise web.refuse("refused", f"refuses {name}") from None
    except (zeep.exceptions.Error, etree.LxmlError, ValueError, TypeError, AttributeError, LookupError):
        if optional:
            return None
        raise web.refuse("refused", f"answers {name} with something that is no ONVIF") from None
