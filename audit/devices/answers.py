"""ONVIF answers of a simulated camera, as the device service and both media services (versions 10 and 20) define them."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import UTC, datetime, timedelta
from urllib.parse import quote
from xml.sax.saxutils import escape

from defusedxml import ElementTree

from audit.devices.device import Device

__all__ = ["answer", "called", "name_of"]

_SOAP = "http://www.w3.org/2003/05/soap-envelope"
_WSSE = "http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-secext-1.0.xsd"
_WSU = "http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-utility-1.0.xsd"
_SPACES = (
    f'xmlns:s="{_SOAP}" xmlns:tds="http://www.onvif.org/ver10/device/wsdl" '
    'xmlns:trt="http://www.onvif.org/ver10/media/wsdl" xmlns:tr2="http://www.onvif.org/ver20/media/wsdl" '
    'xmlns:tt="http://www.onvif.org/ver10/schema" '
    'xmlns:ter="http://www.onvif.org/ver10/error"'
)
_DEVICE = "{http://www.onvif.org/ver10/device/wsdl}"
_MEDIA = {"media": "{http://www.onvif.org/ver10/media/wsdl}", "media2": "{http://www.onvif.org/ver20/media/wsdl}"}
#: Answered without a user (ONVIF Core: access class PRE_AUTH).
_OPEN = (f"{_DEVICE}GetSystemDateAndTime", f"{_DEVICE}GetServices")
_FRESH = timedelta(minutes=5)


def called(message: bytes) -> str:
    """The call in a message, its namespace before it in braces; empty where it is none."""
    try:
        body = ElementTree.fromstring(message).find(f"{{{_SOAP}}}Body")
    except (ElementTree.ParseError, ValueError):
        return ""
    first = None if body is None else next(iter(body), None)
    return "" if first is None else first.tag


def name_of(call: str) -> str:
    """A call without its namespace."""
    return call.rpartition("}")[2]


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
    lacking = any(call.startswith(space) for name, space in _MEDIA.items() if name not in device.media)
    if call not in _ANSWERS or lacking:
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
    offered = {"device": _DEVICE} | {name: _MEDIA[name] for name in device.media}
    rows = "".join(
        f"<tds:Service><tds:Namespace>{space[1:-1]}</tds:Namespace><tds:XAddr>{at}/onvif/{name}_service</tds:XAddr>"
        "<tds:Version><tt:Major>2</tt:Major><tt:Minor>60</tt:Minor></tds:Version></tds:Service>"
        for name, space in offered.items()
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


#: What it offers, and by how much each is smaller than the whole picture.
_PARTS = (("small", 4), ("whole", 1))


def _profiles(device: Device, at: str, stream: str) -> str:
    rows = "".join(
        f'<trt:Profiles token="{token}" fixed="true"><tt:Name>{token}</tt:Name><tt:VideoEncoderConfiguration token="{token}-e">'
        f"<tt:Name>{token}</tt:Name><tt:UseCount>1</tt:UseCount><tt:Encoding>JPEG</tt:Encoding><tt:Resolution>"
        f"<tt:Width>{device.width_px // part}</tt:Width><tt:Height>{device.height_px // part}</tt:Height></tt:Resolution>"
        "<tt:Quality>5</tt:Quality><tt:Multicast><tt:Address><tt:Type>IPv4</tt:Type><tt:IPv4Address>0.0.0.0</tt:IPv4Address>"
        "</tt:Address><tt:Port>0</tt:Port><tt:TTL>0</tt:TTL><tt:AutoStart>false</tt:AutoStart></tt:Multicast>"
        "<tt:SessionTimeout>PT60S</tt:SessionTimeout></tt:VideoEncoderConfiguration></trt:Profiles>"
        for token, part in _PARTS
    )
    return f"<trt:GetProfilesResponse>{rows}</trt:GetProfilesResponse>"


def _profiles_2(device: Device, at: str, stream: str) -> str:
    rows = "".join(
        f'<tr2:Profiles token="{token}" fixed="true"><tr2:Name>{token}</tr2:Name><tr2:Configurations>'
        f'<tr2:VideoEncoder token="{token}-e"><tt:Name>{token}</tt:Name><tt:UseCount>1</tt:UseCount>'
        f"<tt:Encoding>H265</tt:Encoding><tt:Resolution><tt:Width>{device.width_px // part}</tt:Width>"
        f"<tt:Height>{device.height_px // part}</tt:Height></tt:Resolution><tt:Quality>5</tt:Quality></tr2:VideoEncoder>"
        "</tr2:Configurations></tr2:Profiles>"
        for token, part in _PARTS
    )
    return f"<tr2:GetProfilesResponse>{rows}</tr2:GetProfilesResponse>"


def _media_uri(call: str, uri: str) -> str:
    return (
        f"<trt:{call}Response><trt:MediaUri><tt:Uri>{escape(uri)}</tt:Uri>"
        "<tt:InvalidAfterConnect>false</tt:InvalidAfterConnect><tt:InvalidAfterReboot>false</tt:InvalidAfterReboot>"
        f"<tt:Timeout>PT60S</tt:Timeout></trt:MediaUri></trt:{call}Response>"
    )


def _still(device: Device, at: str, stream: str) -> str:
    return _media_uri("GetSnapshotUri", f"{at}/still.jpg")


def _still_2(device: Device, at: str, stream: str) -> str:
    return f"<tr2:GetSnapshotUriResponse><tr2:Uri>{at}/still.jpg</tr2:Uri></tr2:GetSnapshotUriResponse>"


def _stream(device: Device, at: str, stream: str) -> str:
    return _media_uri("GetStreamUri", stream)


def _stream_2(device: Device, at: str, stream: str) -> str:
    return f"<tr2:GetStreamUriResponse><tr2:Uri>{escape(stream)}</tr2:Uri></tr2:GetStreamUriResponse>"


_ANSWERS = {
    f"{_DEVICE}GetSystemDateAndTime": _time,
    f"{_DEVICE}GetDeviceInformation": _information,
    f"{_DEVICE}GetServices": _services,
    f"{_DEVICE}GetNetworkInterfaces": _interfaces,
    f"{_DEVICE}GetScopes": _scopes,
    f"{_MEDIA['media']}GetProfiles": _profiles,
    f"{_MEDIA['media']}GetSnapshotUri": _still,
    f"{_MEDIA['media']}GetStreamUri": _stream,
    f"{_MEDIA['media2']}GetProfiles": _profiles_2,
    f"{_MEDIA['media2']}GetSnapshotUri": _still_2,
    f"{_MEDIA['media2']}GetStreamUri": _stream_2,
}
