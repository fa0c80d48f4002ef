"""The desk's server: whom it listens to."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from audit import desk
from audit.errors import AuditError
from tests.desk_samples import judged_logbook

AUTH = (
    '[auth]\nredirect_uri = "https://desk.example.org/oauth2callback"\ncookie_secret = "long"\nclient_id = "desk"\n'
    'client_secret = "made up"\nserver_metadata_url = "https://id.example.org/.well-known/openid-configuration"\n'
)


@pytest.mark.parametrize("address", ["127.0.0.1", "127.8.0.1", "::1", "[::1]", "localhost"])
def test_loopback(address: str) -> None:
    """RFC 1122 (127.0.0.0/8), RFC 4291 (::1) and RFC 6761 (localhost)."""
    assert desk.is_loopback(address)


@pytest.mark.parametrize(
    "address", ["0.0.0.0", "::", "192.0.2.7", "2001:db8::1", "desk.example.org", "", "127.0.0.1.example.org"]
)
def test_others_are_not_loopback(address: str) -> None:
    assert not desk.is_loopback(address)


@pytest.mark.parametrize(
    "settings",
    [
        None,
        "",
        "# [auth]\n",
        "[authors]\nname = 'x'\n",
        "[auth\n",
        "auth = 1\n",
        "[auth]\n",
        AUTH.replace("client_id", "id"),
    ],
)
def test_it_listens_nowhere_else_without_sign_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settings: str | None
) -> None:
    monkeypatch.chdir(tmp_path)
    if settings is not None:
        (tmp_path / ".streamlit").mkdir()
        (tmp_path / ".streamlit" / "secrets.toml").write_text(settings)
    monkeypatch.setattr(subprocess, "call", lambda *_, **__: pytest.fail("a server was started"))
    with pytest.raises(AuditError, match="without signing in"):
        desk.serve("logbook", address="0.0.0.0", port=1, images=None, browser=False)


def test_with_sign_in_it_listens_where_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    judged_logbook(tmp_path, cameras=1, visits=1).close()
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".streamlit").mkdir()
    (tmp_path / ".streamlit" / "secrets.toml").write_text(AUTH)
    started = []
    monkeypatch.setattr(subprocess, "call", lambda line, env: started.append((line, env)) or 0)
    assert desk.serve("logbook", address="0.0.0.0", port=8123, images=None, browser=False) == 0
    line, env = started[0]
    assert line[line.index("--server.address") + 1] == "0.0.0.0" and line[line.index("--server.port") + 1] == "8123"
    assert env["PHOTO_AUDIT_LOGBOOK"] == str(tmp_path / "logbook")
