"""No command, and nothing that is said to the desk, makes a packet leave this machine.

A network namespace of Linux (namespaces(7)) with a way out that leads everywhere: its own counter is the witness.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SETTINGS = (
    '[auth]\nredirect_uri = "http://127.0.0.1:PORT/oauth2callback"\n'
    'cookie_secret = "made up for this test, and long enough"\nclient_id = "desk"\nclient_secret = "made up"\n'
    'server_metadata_url = "https://id.example.org/.well-known/openid-configuration"\n'
)


def test_no_packet_leaves(tmp_path: Path, plan: Path, picture_bytes: bytes) -> None:
    if shutil.which("ip") is None or subprocess.run(["unshare", "--net", "true"], capture_output=True).returncode:
        pytest.skip("needs the right to make a network namespace (root), and iproute2")
    folder = tmp_path / "alone"
    photos = folder / "photos"
    photos.mkdir(parents=True)
    (photos / "C-1_day.jpg").write_bytes(picture_bytes)
    (folder / "plan.csv").write_bytes(plan.read_bytes())
    (folder / "desk.toml").write_text(SETTINGS)
    line = ["unshare", "--net", sys.executable, "-m", "tests.faults.alone", str(folder)]
    done = subprocess.run(
        line, cwd=ROOT, capture_output=True, text=True, check=False, timeout=280,
        env={**os.environ, "PHOTO_AUDIT_PASSPHRASE": "made up for this test"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    said = json.loads(done.stdout.splitlines()[-1])
    assert said["opened"] == 1, "its own page"
    assert said["own"] > 0, "the counter counts"
    assert said["sent"] == 0, done.stderr[-2000:]
    assert "sign" in done.stderr and "handover" in done.stderr
