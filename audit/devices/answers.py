"""ONVIF answers of a simulated camera, as the device and media services of version 10 define them."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import UTC, datetime, timedelta
from urllib.parse import quote
from xml.sax.saxutils import escape

from defusedxml import ElementTree

from audit.devices.device import Device

__all__ = ["answer", "called"]

_SOAP = "http://www.w3.org/2003/05/soap-envelope"
_WSSE = "http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-secext-1.0.xsd"
_WSU = "http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-utility-1.0.xsd"
_SPACES = (
    f'xmlns:s="{_SOAP}" xmlns:tds="http://www.onvif.org/ver10/device/wsdl" '
    'xmlns:trt="http://www.onvif.org/ver10/media/wsdl" xmlns:tt="http://www.onvif.org/ver10/schema" '
    'xmlns:ter="http://www.onvif.org/ver10/error"'
)
#: Answered without a user (ONVIF Core: access class PRE_AUTH).
_OPEN = ("GetSystemDateAndTime", "GetServices")
_FRESH = timedelta(minutes=5)


def called(message: bytes) -> str:
    """The name of the call in a message; empty where it is none."""
    try:
        body = ElementTree.fromstring(message).find(f"{{{_SOAP}}}Body")
    except (ElementTree.ParseError, ValueError):
        return ""
    first = None if body is None else next(iter(body), None)
    return "" if first is None else first.tag.rpartition("}")[2]


def answer(device: Device, message: bytes, at: str, stream: str) -> tuple[int, str]:
    """HTTP status and envelope for a message.

    Parameters
    ----------
    at : str
        ``http://host:port`` of this device.
    stream : str
        Its RTSP address.
    """
    call = called(message)
    if call not in _ANSWERS:
        return 400, _envelope(_fault("ter:ActionNotSupported", "Optional Action Not Implemented"))
    if call not in _OPEN and not _may(device, message):
        return 400, _envelope(_fault("ter:NotAuthorized", "Sender not Authorized"))
    return 200, _envelope(_ANSWERS[call](device, at, stream))


def _envelope(body: str) -> str:
    return f'<?xml version="1.0" encoding="UTF-8"?><s:Envelope {_SPACES}><s:Body>{body}</s:Body></s:Envelope>'


def _fault(code: str, text: str) -> str:
    return (
        f"<s:Fault><s:Code><s:Value>s:Sender</s:Value><s:Subcode><s:Value>{code}</s:Value></s:Subcode></s:Code>"
        f'<s:Reason><s:Text xml:lang="en">{text}</s:Text></s:Reason></s:Fault>'
    )


def _may(device: Device, message: bytes) -> bool:
    """Whether the user's token fits: Base64(SHA-1(nonce + created + password)), created by this device's own clock."""
    if device.user is None or device.password is None:
        return True
    token = ElementTree.fromstring(message).find(f".//{{{_WSSE}}}UsernameToken")
    if token is None:
        return False
    user, given = token.findtext(f"{{{_WSSE}}}Username"), token.findtext(f"{{{_WSSE}}}Password") or ""
    nonce, created = token.findtext(f"{{{_WSSE}}}Nonce") or "", token.findtext(f"{{{_WSU}}}Created") or ""
    try:
        when = datetime.fromisoformat(created)
        raw = base64.b64decode(nonce)
    except ValueError:
        return False
    digest = hashlib.sha1(raw + created.encode() + device.password.encode(), usedforsecurity=False).digest()
    fresh = abs(when.astimezone(UTC) - _now(device)) <= _FRESH
    return fresh and user == device.user and hmac.compare_digest(base64.b64encode(digest).decode(), given)


def _now(device: Device) -> datetime:
    return datetime.now(UTC) + timedelta(seconds=device.clock_offset_s)


def _time(device: Device, at: str, stream: str) -> str:
    now = _now(device)
    return (
        "<tds:GetSystemDateAndTimeResponse><tds:SystemDateAndTime><tt:DateTimeType>Manual</tt:DateTimeType>"
        f"<tt:DaylightSavings>false</tt:DaylightSavings><tt:TimeZone><tt:TZ>{device.time_zone}</tt:TZ></tt:TimeZone>"
        f"<tt:UTCDateTime><tt:Time><tt:Hour>{now.hour}</tt:Hour><tt:Minute>{now.minute}</tt:Minute>"
        f"<tt:Second>{now.second}</tt:Second></tt:Time><tt:Date><tt:Year>{now.year}</tt:Year><tt:Month>{now.month}</tt:Month>"
        f"<tt:Day>{now.day}</tt:Day></tt:Date></tt:UTCDateTime></tds:SystemDateAndTime></tds:GetSystemDateAndTimeResponse>"
    )


def _information(device: Device, at: str, stream: str) -> str:
    return (
        "<tds:GetDeviceInformationResponse><tds:Manufacturer>simulated</tds:Manufacturer><tds:Model>loopback</tds:Model>"
        f"<tds:FirmwareVersion>{escape(device.firmware)}</tds:FirmwareVersion>"
        f"<tds:SerialNumber>{escape(device.serial)}</tds:SerialNumber><tds:HardwareId>none</tds:HardwareId>"
        "</tds:GetDeviceInformationResponse>"
    )


def _services(device: Device, at: str, stream: str) -> str:
    rows = "".join(
        f"<tds:Service><tds:Namespace>http://www.onvif.org/ver10/{name}/wsdl</tds:Namespace>"
        f"<tds:XAddr>{at}/onvif/{name}_service</tds:XAddr><tds:Version><tt:Major>2</tt:Major><tt:Minor>60</tt:Minor>"
        "</tds:Version></tds:Service>"
        for name in ("device", "media")
    )
    return f"<tds:GetServicesResponse>{rows}</tds:GetServicesResponse>"


def _interfaces(device: Device, at: str, stream: str) -> str:
    octets = hashlib.sha256(device.serial.encode()).digest()[:5]
    address = ":".join(["02", *(f"{octet:02x}" for octet in octets)])
    return (
        '<tds:GetNetworkInterfacesResponse><tds:NetworkInterfaces token="eth0"><tt:Enabled>true</tt:Enabled><tt:Info>'
        f"<tt:Name>eth0</tt:Name><tt:HwAddress>{address}</tt:HwAddress><tt:MTU>1500</tt:MTU></tt:Info>"
        "</tds:NetworkInterfaces></tds:GetNetworkInterfacesResponse>"
    )


def _scopes(device: Device, at: str, stream: str) -> str:
    return (
        "<tds:GetScopesResponse><tds:Scopes><tt:ScopeDef>Configurable</tt:ScopeDef>"
        f"<tt:ScopeItem>onvif://www.onvif.org/name/{quote(device.name)}</tt:ScopeItem></tds:Scopes></tds:GetScopesResponse>"
    )


def _profiles(device: Device, at: str, stream: str) -> str:
    rows = "".join(
        f'<trt:Profiles token="{token}" fixed="true"><tt:Name>{token}</tt:Name><tt:VideoEncoderConfiguration token="{token}-e">'
        f"<tt:Name>{token}</tt:Name><tt:UseCount>1</tt:UseCount><tt:Encoding>JPEG</tt:Encoding><tt:Resolution>"
        f"<tt:Width>{device.width_px // part}</tt:Width><tt:Height>{device.height_px // part}</tt:Height></tt:Resolution>"
        "<tt:Quality>5</tt:Quality><tt:Multicast><tt:Address><tt:Type>IPv4</tt:Type><tt:IPv4Address>0.0.0.0</tt:IPv4Address>"
        "</tt:Address><tt:Port>0</tt:Port><tt:TTL>0</tt:TTL><tt:AutoStart>false</tt:AutoStart></tt:Multicast>"
        "<tt:SessionTimeout>PT60S</tt:SessionTimeout></tt:VideoEncoderConfiguration></trt:Profiles>"
        for token, part in (("small", 4), ("whole", 1))
    )
    return f"<trt:GetProfilesResponse>{rows}</trt:GetProfilesResponse>"


def _media_uri(call: str, uri: str) -> str:
    return (
        f"<trt:{call}Response><trt:MediaUri><tt:Uri>{escape(uri)}</tt:Uri>"
        "<tt:InvalidAfterConnect>false</tt:InvalidAfterConnect><tt:InvalidAfterReboot>false</tt:InvalidAfterReboot>"
        f"<tt:Timeout>PT60S</tt:Timeout></trt:MediaUri></trt:{call}Response>"
    )


def _still(device: Device, at: str, stream: str) -> str:
    return _media_uri("GetSnapshotUri", f"{at}/still.jpg")


def _stream(device: Device, at: str, stream: str) -> str:
    return _media_uri("GetStreamUri", stream)


_ANSWERS = {
    "GetSystemDateAndTime": _time,
    "GetDeviceInformation": _information,
    "GetServices": _services,
    "GetNetworkInterfaces": _interfaces,
    "GetScopes": _scopes,
    "GetProfiles": _profiles,
    "GetSnapshotUri": _still,
    "GetStreamUri": _stream,
}
