"""Properties of an XMP packet (ISO 16684-1), without entities, within limits."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree.ElementTree import Element, ParseError

import defusedxml.ElementTree
from defusedxml.common import DefusedXmlException

__all__ = ["read_xmp"]

_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_PREFIXES = {
    "http://ns.adobe.com/exif/1.0/": "exif",
    "http://cipa.jp/exif/1.0/": "exifEX",
    "http://ns.adobe.com/exif/1.0/aux/": "aux",
    "http://ns.adobe.com/tiff/1.0/": "tiff",
    "http://ns.adobe.com/xap/1.0/": "xmp",
    "http://ns.adobe.com/photoshop/1.0/": "photoshop",
    "http://purl.org/dc/elements/1.1/": "dc",
    "http://ns.google.com/photos/1.0/panorama/": "GPano",
}
_MAX_BYTES = 1 << 20
_MAX_ELEMENTS = 20_000
_MAX_VALUE_LENGTH = 8192


def read_xmp(packet: bytes) -> tuple[Mapping[str, str], tuple[str, ...]]:
    """Simple properties as ``prefix:Name`` → text, and notes. Never raises.

    Of an alternative or a list the first item counts. A packet with a document type or entities is not read.
    """
    if len(packet) > _MAX_BYTES:
        return {}, ("the XMP packet is too long and was left out",)
    body = packet.strip(b"\x00 \r\n\t")
    start, end = body.find(b"<x:xmpmeta"), body.rfind(b"</x:xmpmeta>")
    if start > 0 and end > start and b"<!" not in body[:start]:
        body = body[start : end + len(b"</x:xmpmeta>")]
    if not body:
        return {}, ()
    try:
        root = defusedxml.ElementTree.fromstring(body, forbid_dtd=True)
    except DefusedXmlException:
        return {}, ("the XMP packet declares entities or a document type and was not read",)
    except (ParseError, ValueError, LookupError, RecursionError):
        return {}, ("the XMP packet is damaged and was not read",)
    found: dict[str, str] = {}
    for number, node in enumerate(root.iter(_RDF + "Description")):
        if number >= _MAX_ELEMENTS:
            break
        for key, value in node.attrib.items():
            _keep(found, key, value)
        for child in node:
            _keep(found, child.tag, _first_text(child))
    return found, ()


def _keep(found: dict[str, str], qualified: str, value: str) -> None:
    namespace, _, name = qualified.lstrip("{").partition("}")
    prefix = _PREFIXES.get(namespace)
    text = value.strip()
    if prefix and text:
        found.setdefault(f"{prefix}:{name}", text[:_MAX_VALUE_LENGTH])


def _first_text(node: Element) -> str:
    if node.text and node.text.strip():
        return node.text
    for item in node.iter(_RDF + "li"):
        if item.text and item.text.strip():
            return item.text
    return ""
