"""The desk's server: whom it listens to, what it is told, and that it ends with the command."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from audit import desk
from audit.desk_settings import is_loopback, read_settings
from audit.errors import AuditError
from tests.browser.desk_server import free_port
from tests.desk_attacks import ask
from tests.desk_samples import judged_logbook

ROOT = Path(__file__).resolve().parent.parent
AUTH = (
    '[auth]\nredirect_uri = "https://desk.example.org/oauth2callback"\n'
    'cookie_secret = "made up for this test, and long enough"\nclient_id = "desk"\nclient_secret = "made up"\n'
    'server_metadata_url = "https://id.example.org/.well-known/openid-configuration"\n'
)
SIGNER = '[[people]]\nrole = "signer"\nsubject = "24400320"\n'


@pytest.fixture
def written(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "desk.toml"
        path.write_text(text, encoding="utf-8")
        path.chmod(0o600)
        return path

    return write


@pytest.mark.parametrize("address", ["127.0.0.1", "127.8.0.1", "::1", "[::1]", "localhost"])
def test_loopback(address: str) -> None:
    """RFC 1122 (127.0.0.0/8), RFC 4291 (::1) and RFC 6761 (localhost)."""
    assert is_loopback(address)


@pytest.mark.parametrize(
    "address", ["0.0.0.0", "::", "192.0.2.7", "2001:db8::1", "desk.example.org", "", "127.0.0.1.example.org"]
)
def test_others_are_not_loopback(address: str) -> None:
    assert not is_loopback(address)


@pytest.mark.parametrize("settings", [None, "", SIGNER, '[desk]\nfolders = ["/"]\n'])
def test_it_listens_nowhere_else_without_sign_in(
    written: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, settings: str | None
) -> None:
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a server was started"))
    file = None if settings is None else written(settings)
    with pytest.raises(AuditError, match="without signing in"):
        desk.serve("logbook", address="0.0.0.0", port=1, images=None, browser=False, settings=file)


def test_settings_of_the_working_folder_are_a_strangers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever packed the folder would say who may sign."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".streamlit").mkdir()
    for name in ("secrets.toml", "config.toml"):
        (tmp_path / ".streamlit" / name).write_text(AUTH + SIGNER)
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a server was started"))
    with pytest.raises(AuditError, match="without signing in"):
        desk.serve("logbook", address="0.0.0.0", port=1, images=None, browser=False)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[auth\n", "is no TOML file"),
        ("auth = 1\n", "[auth] needs"),
        ("[auth]\n", "[auth] needs"),
        (AUTH.replace("client_id", "id"), "[auth] needs"),
        ("[authors]\nname = 'x'\n", "'authors' is unknown"),
        (AUTH + 'cookie_name = "x"\n', "'cookie_name' in [auth] is unknown"),
        (AUTH.replace("made up for this test, and long enough", "short"), "shorter than 32"),
        (AUTH.replace("https://desk", "http://desk"), "redirect_uri must be an address with https"),
        (AUTH.replace("https://id", "http://id"), "server_metadata_url must be an address with https"),
        (AUTH.replace("https://desk", "https://user@desk"), "redirect_uri must be an address with https"),
        (AUTH.replace("oauth2callback", "elsewhere"), "must end with /oauth2callback"),
        (AUTH.replace(".well-known/openid-configuration", "metadata"), "say the issuer besides"),
        (AUTH + '[[people]]\nrole = "owner"\nsubject = "1"\n', "the role 'owner' is unknown"),
        (AUTH + '[[people]]\nrole = "signer"\n', "says not whom it means"),
        (AUTH + '[[people]]\nrole = "signer"\nsubject = 24400320\n', "write them in quotes"),
        (AUTH + '[[people]]\nrole = "signer"\nsub = "1"\n', "'sub' is unknown"),
        (AUTH + '[[people]]\nrole = "signer"\nsubject = "a\\u212ab"\n', "is no subject"),
        (AUTH + '[[people]]\nrole = "signer"\nemail = "\\u212aim@example.org"\n', "look alike"),
        (AUTH + '[[people]]\nrole = "signer"\nemail = "ada"\n', "look alike"),
        (AUTH + '[[people]]\nrole = "signer"\nsubject = "1"\nname = "Ada <x y>"\n', "holds no < or >"),
        (AUTH + SIGNER + SIGNER, "stands there twice"),
        ('[desk]\nfolders = ["photos"]\n', "whole paths"),
        ('[desk]\nfolders = "/srv"\n', "whole paths"),
        ('[desk]\nfolders = ["/no/such/folder"]\n', "isn't there"),
        ('[desk]\nfolder = ["/srv"]\n', "takes folders and nothing else"),
        ("people = 1\n", "one by one"),
        ("[strength]\nacr = ['x']\n", "takes methods, levels and within_hours"),
        ("[strength]\nmethods = 'mfa'\n", "is a list of texts"),
        ("[strength]\nwithin_hours = true\n", "is a number of hours"),
    ],
)
def test_settings_that_can_not_be_used_are_one_sentence(written: Callable[[str], Path], text: str, says: str) -> None:
    with pytest.raises(AuditError) as refused:
        read_settings(written(text))
    assert says in refused.value.message and "desk.toml" in refused.value.message


@pytest.mark.parametrize("mode", [0o644, 0o620, 0o602])
def test_settings_that_others_can_read_or_write_are_refused(written: Callable[[str], Path], mode: int) -> None:
    file = written(AUTH)
    file.chmod(mode)
    with pytest.raises(AuditError, match="chmod 600"):
        read_settings(file)


def test_with_sign_in_it_listens_where_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, written: Callable[[str], Path]
) -> None:
    judged_logbook(tmp_path, cameras=1, visits=1).close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PHOTO_AUDIT_PASSPHRASE", "the signer's, not the server's")
    started: list[tuple[list[str], dict[str, Any]]] = []

    class Started:
        stdin = None

        def __init__(self, line: list[str], **options: Any) -> None:
            started.append((line, options))

        def wait(self, timeout: float | None = None) -> int:
            return 0

    monkeypatch.setattr(subprocess, "Popen", Started)
    file = written(AUTH + SIGNER)
    assert desk.serve("logbook", address="0.0.0.0", port=8123, images=None, browser=False, settings=file) == 0
    line, options = started[0]
    assert json.loads(line[-1]) == {"address": "0.0.0.0", "port": 8123} and "-P" in line
    assert options["env"]["PHOTO_AUDIT_LOGBOOK"] == str(tmp_path / "logbook")
    assert options["env"]["PHOTO_AUDIT_SETTINGS"] == str(file) and "PHOTO_AUDIT_PASSPHRASE" not in options["env"]
    assert options["cwd"] != tmp_path and options["stdin"] == subprocess.PIPE


@pytest.mark.parametrize(
    ("address", "origins"),
    [
        ("127.0.0.1", {"http://127.0.0.1:8501", "http://localhost:8501"}),
        ("::1", {"http://[::1]:8501", "http://localhost:8501"}),
        ("localhost", {"http://127.0.0.1:8501", "http://localhost:8501", "http://[::1]:8501"}),
    ],
)
def test_its_pages_come_from_its_own_addresses(address: str, origins: set[str], written: Callable[[str], Path]) -> None:
    serving = desk.Serving(address, 8501)
    assert set(serving.origins(desk.NO_SETTINGS)) == origins
    assert serving.origins(read_settings(written(AUTH))) == ("https://desk.example.org",)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL, signal.SIGHUP, signal.SIGINT])
def test_the_server_ends_with_the_command(tmp_path: Path, how: signal.Signals) -> None:
    judged_logbook(tmp_path, cameras=1, visits=1).close()
    port = free_port()
    code = "import sys; from audit.cli import main; main()"
    line = [sys.executable, "-c", code, "open", str(tmp_path / "logbook"), "--port", str(port), "--no-browser"]
    with subprocess.Popen(line, cwd=ROOT, stderr=subprocess.DEVNULL) as command:
        until = time.monotonic() + 90
        while not answers(port):
            assert command.poll() is None and time.monotonic() < until
            time.sleep(0.2)
        os.kill(command.pid, how)
    until = time.monotonic() + 15
    while answers(port):
        assert time.monotonic() < until, "the server goes on without the command"
        time.sleep(0.2)


def answers(port: int) -> bool:
    try:
        return ask(f"http://127.0.0.1:{port}", "/_stcore/health").status == 200
    except OSError:
        return False
