"""One camera at a time: what each address gives, and the reason where it gives nothing."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from PIL import Image

from audit.collect import onvif, soap
from audit.collect.addresses import parse_address
from audit.collect.credentials import Credentials
from audit.collect.fetch import fetch
from audit.collect.onvif import first_address
from audit.collect.pins import Pins
from audit.collect.refusal import NoPicture
from audit.collect.soap import CALLS
from audit.collect.web import LARGEST_BYTES, Web
from audit.devices import SimulatedSite
from tests.collect.conftest import RIGHT, device, jpeg

WRONG = Credentials("crew", "not it")


@pytest.mark.parametrize(
    ("camera", "scheme", "who"),
    [("C-1", "onvif", RIGHT), ("C-1", "http", RIGHT), ("C-1", "rtsp", RIGHT), ("C-2", "http", RIGHT), ("C-3", "onvif", None),
     ("C-3", "http", None), ("C-3", "rtsp", None), ("C-4", "onvif", RIGHT)],
)  # fmt: skip
def test_each_way_gives_the_picture(
    devices: SimulatedSite, pins: Pins, camera: str, scheme: str, who: Credentials | None
) -> None:
    found = fetch(parse_address(camera, devices.address(camera, scheme)), who, pins)
    with Image.open(io.BytesIO(found.picture)) as picture:
        assert picture.size == (320, 240) and found.ending == ".jpg"
    assert (found.facts is not None) == (scheme == "onvif")


def test_a_device_says_who_it_is(devices: SimulatedSite, pins: Pins) -> None:
    facts = fetch(parse_address("C-4", devices.address("C-4")), RIGHT, pins).facts
    assert facts is not None
    assert (facts.serial, facts.name, facts.width_px, facts.height_px) == ("SN-4", "C-4 gate", 320, 240)
    assert facts.clock_offset_s is not None and facts.clock_sd_s is not None
    assert abs(facts.clock_offset_s - 3600.0) <= 1.0 + 3 * facts.clock_sd_s
    assert facts.hardware_address is not None and len(facts.hardware_address) == 17


def test_a_slow_answer_is_asked_for_again_so_that_the_clock_is_read_well(
    devices: SimulatedSite, pins: Pins, monkeypatch: pytest.MonkeyPatch
) -> None:
    import time

    asked: list[str] = []

    def slow(web: Web, at: object, name: str, **arguments: object) -> object:
        asked.append(name)
        if asked == ["GetSystemDateAndTime"]:
            time.sleep(1.5)
        return soap.call(web, at, name, **arguments)

    monkeypatch.setattr(onvif, "call", slow)
    facts = fetch(parse_address("C-1", devices.address("C-1")), RIGHT, pins).facts
    assert facts is not None and facts.clock_sd_s is not None and asked.count("GetSystemDateAndTime") > 1
    assert facts.clock_sd_s < 0.5, "0.8 s by the slow answer alone"


@pytest.mark.parametrize("scheme", ["onvif", "http", "rtsp"])
@pytest.mark.parametrize(("camera", "who", "reason"), [("C-5", RIGHT, "wrong password"), ("C-5", None, "password needed")])
def test_a_password_is_asked_for_once(
    devices: SimulatedSite, pins: Pins, scheme: str, camera: str, who: Credentials | None, reason: str
) -> None:
    with pytest.raises(NoPicture) as refused:
        fetch(parse_address(camera, devices.address(camera, scheme)), who, pins)
    assert refused.value.reason == reason and refused.value.message.startswith("C-5 (127.0.0.1:")
    assert RIGHT.password not in refused.value.message


@pytest.mark.parametrize("scheme", ["onvif", "http", "rtsp"])
def test_silence_ends_in_time(devices: SimulatedSite, pins: Pins, scheme: str) -> None:
    with pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-6", devices.address("C-6", scheme)), RIGHT, pins, timeout_s=0.5)
    assert refused.value.reason == "timeout"


def test_nobody_there(pins: Pins) -> None:
    for address in ("http://127.0.0.1:9/still.jpg", "onvif://127.0.0.1:9", "rtsp://127.0.0.1:9/"):
        with pytest.raises(NoPicture) as refused:
            fetch(parse_address("C-9", address), None, pins, timeout_s=1.0)
        assert refused.value.reason == "no answer", address


@pytest.mark.parametrize(("camera", "space"), [("C-1", "ver10/media"), ("C-7", "ver20/media"), ("C-8", "ver20/media")])
def test_either_media_service_gives_the_largest_picture(devices: SimulatedSite, pins: Pins, camera: str, space: str) -> None:
    """Profile S alone, profile T alone, and both: then the second, which alone lists H.265."""
    devices.sent.clear()
    found = fetch(parse_address(camera, devices.address(camera)), RIGHT, pins)
    assert found.facts is not None and (found.facts.width_px, found.facts.height_px) == (320, 240)
    assert found.facts.codec == ("JPEG" if space == "ver10/media" else "H265")
    media = {call for call in devices.sent if "media/wsdl" in call}
    assert len(media) == 3 and all(space in call for call in media)
    with Image.open(io.BytesIO(found.picture)) as picture:
        assert picture.size == (320, 240)


def test_a_second_media_service_that_is_broken_gives_way_to_the_first(
    devices: SimulatedSite, pins: Pins, monkeypatch: pytest.MonkeyPatch
) -> None:
    from audit.devices import answers

    broken = "{http://www.onvif.org/ver20/media/wsdl}GetProfiles"
    monkeypatch.setitem(answers._ANSWERS, broken, lambda *_: "<tr2:GetProfilesResponse><tr2:Odd/></tr2:GetProfilesResponse>")
    found = fetch(parse_address("C-8", devices.address("C-8")), RIGHT, pins)
    assert found.facts is not None and found.facts.codec == "JPEG"
    with pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-7", devices.address("C-7")), RIGHT, pins)
    assert refused.value.reason in ("refused", "no such profile")


def test_no_call_that_changes_a_camera_is_ever_sent(devices: SimulatedSite, pins: Pins) -> None:
    devices.sent.clear()
    for camera in ("C-1", "C-7"):
        fetch(parse_address(camera, devices.address(camera)), RIGHT, pins)
    assert set(devices.sent) == {f"{{{space}}}{name}" for space, names in CALLS.items() for name in names}
    assert all(name.startswith("Get") for names in CALLS.values() for name in names)


@pytest.mark.parametrize(
    ("of", "name", "arguments"),
    [
        (soap.DEVICE, "SetHostname", {"Name": "other"}),
        (soap.MEDIA, "DeleteProfile", {"ProfileToken": "whole"}),
        (soap.MEDIA_2, "DeleteProfile", {"Token": "whole"}),
        (soap.MEDIA_2, "GetServiceCapabilities", {}),
    ],
)
def test_another_call_is_stopped_before_it_is_sent(
    devices: SimulatedSite, pins: Pins, of: soap.Service, name: str, arguments: dict[str, str]
) -> None:
    devices.calls.clear()
    web = Web(parse_address("C-3", devices.address("C-3")), None, pins)
    at = soap.service(web, of, first_address(web), None)
    with pytest.raises(NoPicture) as refused:
        at[name](**arguments)
    web.close()
    assert refused.value.reason == "not read only" and devices.calls == []


# Replies that are none.

Serve = Callable[[BaseHTTPRequestHandler], None]


def _reply(status: int, kind: str, body: bytes, **headers: str) -> Serve:
    def serve(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in {"Content-Type": kind, "Content-Length": str(len(body)), **headers}.items():
            handler.send_header(name, value)
        handler.end_headers()
        handler.wfile.write(body)

    return serve


def _endless(kind: str) -> Serve:
    def serve(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Type", kind)
        handler.end_headers()
        while True:
            handler.wfile.write(b"\xff" * 65536)

    return serve


@contextmanager
def server(serve: Serve) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def _any(self) -> None:
            try:
                length = int(self.headers.get("Content-Length", 0))
                self.rfile.read(length)
                serve(self)
            except OSError:
                return

        do_GET = do_POST = _any

        def log_message(self, format: str, *args: object) -> None:
            return

    web = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    web.daemon_threads = True
    threading.Thread(target=web.serve_forever, daemon=True).start()
    try:
        yield f"127.0.0.1:{web.server_address[1]}"
    finally:
        web.shutdown()
        web.server_close()


BOMB = b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaaaaaaaa"><!ENTITY c "&a;&a;&a;&a;&a;">]><b>&c;</b>'


@pytest.mark.parametrize(
    ("serve", "reason"),
    [
        (_reply(200, "text/html", b"<html>welcome</html>"), "not a picture"),
        (_reply(200, "image/jpeg", jpeg(size=(1, 1))), "not a picture"),
        (_reply(200, "image/jpeg", b""), "not a picture"),
        (_reply(200, "image/jpeg", jpeg()[:40]), "not a picture"),
        (_endless("multipart/x-mixed-replace; boundary=x"), "not a picture"),
        (_endless("image/jpeg"), "too large"),
        (_reply(404, "text/plain", b""), "no such profile"),
        (_reply(503, "text/plain", b"busy"), "refused"),
        (_reply(302, "text/plain", b"", Location="http://192.0.2.1/still.jpg"), "redirect"),
        (_reply(302, "text/plain", b"", Location="file:///etc/passwd"), "redirect"),
        (_reply(302, "text/plain", b"", Location="/again"), "redirect"),
        (_reply(401, "text/plain", b"", **{"WWW-Authenticate": "Negotiate"}), "refused"),
    ],
)
def test_what_is_no_picture_is_told(pins: Pins, serve: Serve, reason: str) -> None:
    with server(serve) as place, pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-1", f"http://{place}/still.jpg"), WRONG, pins, timeout_s=20.0)
    assert refused.value.reason == reason and refused.value.message.endswith(".")


@pytest.mark.parametrize(
    "serve",
    [_reply(200, "application/soap+xml", BOMB), _reply(200, "application/soap+xml", b"\x00\x01"),
     _reply(200, "text/html", b"<html>welcome</html>"), _reply(500, "text/plain", b"oops"),
     _reply(200, "application/soap+xml", b'<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope"><s:Body/></s:Envelope>')],
)  # fmt: skip
def test_what_is_no_onvif_is_told(pins: Pins, serve: Serve) -> None:
    with server(serve) as place, pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-1", f"onvif://{place}"), WRONG, pins, timeout_s=5.0)
    assert refused.value.reason == "refused" and "no ONVIF" in refused.value.message


def test_a_stream_that_never_sends_a_whole_picture_ends_in_time(pins: Pins, monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    from audit.devices import rtsp

    monkeypatch.setattr(rtsp, "_play", lambda handler, device: time.sleep(30))
    with SimulatedSite([device("C-1", "SN-1")]) as site, pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-1", site.address("C-1", "rtsp")), RIGHT, pins, timeout_s=1.0)
    assert refused.value.reason == "timeout" and "no whole picture within 1 s" in refused.value.message


def test_a_clock_in_1970_takes_the_password_all_the_same(pins: Pins) -> None:
    """The token is made by the device's own clock; what is off is told."""
    import time

    with SimulatedSite([device("C-1", "SN-1", clock_offset_s=86_400.0 - time.time())]) as site:
        facts = fetch(parse_address("C-1", site.address("C-1")), RIGHT, pins).facts
    assert facts is not None and facts.clock_offset_s is not None and facts.clock_offset_s < -1.7e9


@pytest.mark.parametrize(("side_px", "reason"), [(10_000, None), (20_000, "too large")])
def test_a_huge_picture_is_opened_small_or_refused(pins: Pins, side_px: int, reason: str | None) -> None:
    from audit.photos.intake import open_photo

    huge = bytearray(jpeg(size=(64, 64)))
    at = huge.index(b"\xff\xc0") + 5
    huge[at : at + 4] = side_px.to_bytes(2, "big") * 2
    if reason is None:
        kept = io.BytesIO()
        Image.new("L", (side_px, side_px), 90).save(kept, "JPEG")
        huge = bytearray(kept.getvalue())
    with server(_reply(200, "image/jpeg", bytes(huge))) as place:
        address = parse_address("C-1", f"http://{place}/still.jpg")
        if reason is not None:
            with pytest.raises(NoPicture) as refused:
                fetch(address, None, pins)
            assert refused.value.reason == reason and "more pixels than are taken in" in refused.value.message
            return
        opened = open_photo(fetch(address, None, pins).picture, "C-1.jpg", max_side_px=1280, guarded=True)
    assert max(opened.pixels.shape[:2]) <= 1280


def test_a_reply_is_bounded() -> None:
    assert LARGEST_BYTES == 64 << 20


def test_slow_drops_do_not_hold_it_up(pins: Pins) -> None:
    import time

    def serve(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Type", "image/jpeg")
        handler.end_headers()
        for _ in range(100):
            handler.wfile.write(b"x")
            handler.wfile.flush()
            time.sleep(0.1)

    with server(serve) as place, pytest.raises(NoPicture) as refused:
        fetch(parse_address("C-1", f"http://{place}/still.jpg"), None, pins, timeout_s=0.6)
    assert refused.value.reason in ("timeout", "not a picture")
