"""A time stamp authority of the tests' own, by OpenSSL's commands (openssl ts)."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

_CONFIGURATION = """
[ca]
basicConstraints=critical,CA:TRUE
keyUsage=critical,keyCertSign,cRLSign
subjectKeyIdentifier=hash
[tsa]
basicConstraints=critical,CA:FALSE
keyUsage=critical,digitalSignature
extendedKeyUsage=critical,timeStamping
subjectKeyIdentifier=hash
authorityKeyIdentifier=keyid
[req]
distinguished_name=dn
[dn]
[stamps]
serial=./serial
crypto_device=builtin
signer_cert=./tsa.pem
signer_key=./tsa.key
certs=./ca.pem
signer_digest=sha256
default_policy=1.2.3.4.1
digests=sha256
accuracy=secs:1
ess_cert_id_alg=sha256
"""


class Authority:
    """Answers requests for time stamps; its root certificate is ``ca.pem`` in its folder."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("openssl") is None:
            pytest.skip("openssl is not installed")
        self.folder = folder
        folder.mkdir(parents=True)
        (folder / "a.cnf").write_text(_CONFIGURATION)
        (folder / "serial").write_text("01\n")
        new_key = ("-newkey", "rsa:2048", "-nodes", "-config", "a.cnf")
        self._openssl("req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=Test root", "-days", "30", "-extensions", "ca")
        self._openssl("req", "-new", *new_key, "-keyout", "tsa.key", "-out", "tsa.csr", "-subj", "/CN=Test time stamps")
        self._openssl("x509", "-req", "-in", "tsa.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out", "tsa.pem", "-days", "30", "-extfile", "a.cnf", "-extensions", "tsa")

    @property
    def root(self) -> bytes:
        """Its root certificate, PEM."""
        return (self.folder / "ca.pem").read_bytes()

    def answer(self, request: bytes) -> bytes:
        """The answer to a request, both DER."""
        (self.folder / "q.tsq").write_bytes(request)
        self._openssl("ts", "-reply", "-queryfile", "q.tsq", "-out", "r.tsr", "-config", "a.cnf", "-section", "stamps")
        return (self.folder / "r.tsr").read_bytes()

    def confirms(self, answer: bytes, data: bytes) -> bool:
        """Whether OpenSSL's own verifier finds that an answer is about these bytes."""
        (self.folder / "r.tsr").write_bytes(answer)
        (self.folder / "data").write_bytes(data)
        done = self._openssl("ts", "-verify", "-data", "data", "-in", "r.tsr", "-CAfile", "ca.pem", check=False)
        return done.returncode == 0

    def _openssl(self, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(["openssl", *arguments], cwd=self.folder, capture_output=True, check=check)
