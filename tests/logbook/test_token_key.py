"""Signing with a key in a PKCS #11 token; the token is Debian's softhsm2 (BSD-2-Clause), through PyPI's python-pkcs11 (MIT)."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from audit.errors import SignatureError
from audit.logbook import Anchors, check
from audit.logbook.signing import fingerprint, signing_key
from tests.logbook_samples import fill, start

MODULES = [Path("/usr/lib/softhsm/libsofthsm2.so"), *Path("/usr/lib").glob("*/softhsm/libsofthsm2.so")]
PIN = "13572468"


@pytest.fixture(scope="module")
def token(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Path]]:
    """A token with an Ed25519 key; URIs of keys in it."""
    pkcs11 = pytest.importorskip("pkcs11", reason="pip install 'photo-audit[token]'")
    module = next((m for m in MODULES if m.exists()), None)
    if module is None:
        pytest.skip("apt-get install softhsm2")
    from pkcs11.util.ec import encode_named_curve_parameters

    folder = tmp_path_factory.mktemp("token")
    (folder / "tokens").mkdir()
    (folder / "softhsm.conf").write_text(f"directories.tokendir = {folder / 'tokens'}\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOFTHSM2_CONF", str(folder / "softhsm.conf"))
        made = ["softhsm2-util", "--init-token", "--free", "--label", "audit", "--pin", PIN, "--so-pin", "87654321"]
        subprocess.run(made, check=True, capture_output=True)
        library = pkcs11.lib(str(module))
        library.reinitialize()
        with library.get_token(token_label="audit").open(user_pin=PIN, rw=True) as session:
            curve = {pkcs11.Attribute.EC_PARAMS: encode_named_curve_parameters("1.3.101.112")}
            wanted = session.create_domain_parameters(pkcs11.KeyType.EC_EDWARDS, curve, local=True)
            wanted.generate_keypair(mechanism=pkcs11.Mechanism.EC_EDWARDS_KEY_PAIR_GEN, store=True, label="signer key")
        yield lambda label: Path(f"pkcs11:token=audit;object={label}?module-path={module}")


def test_a_visit_is_signed_and_sealed_by_a_token_and_openssl_agrees(
    token: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 8032 by OpenSSL's own command: the signature over the record, with the public key that the package holds."""
    monkeypatch.setenv("PHOTO_AUDIT_KEY", str(token("signer%20key")))
    with start(str(tmp_path / "book")) as book:
        visit = fill(book)
        signed = book.sign(visit, "Ada Example", passphrase=PIN)
        assert b'"protection":"token"' in signed.record
        (tmp_path / "package").mkdir()
        book.seal(tmp_path / "package", 1, passphrase=PIN)
        assert book.verify() == () and tmp_path / "book" in book.own_places()
        with pytest.raises(SignatureError, match="isn't changed from here"):
            book.change_key("Ada Example", passphrase=PIN)
    assert not list((tmp_path / "book").rglob("*.pem")), "no key lies on disk"
    named = Anchors(fingerprint=fingerprint(signed.public_key))
    assert check(str(tmp_path / "book"), named).exit_code == check(str(tmp_path / "package"), named).exit_code == 0
    for name, data in (("record", signed.record), ("signature", signed.signature), ("key.pem", signed.public_key)):
        (tmp_path / name).write_bytes(data)
    openssl = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "key.pem", "-rawin", "-in", "record", "-sigfile", "signature"]
    assert subprocess.run(openssl, cwd=tmp_path, capture_output=True, check=False).returncode == 0


def test_a_token_that_can_not_be_used_is_one_sentence_without_the_pin(
    token: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PHOTO_AUDIT_PASSPHRASE", raising=False)
    place = token("signer%20key")
    for wrong, pin, says in (
        (place, None, "needs the token's PIN"),
        (place, "00000000", "check its label, the library and the PIN"),
        (token("nobody"), PIN, "holds 0 Ed25519 keys"),
        (Path(str(place).replace("audit", "other")), PIN, "can't be used"),
        (Path(str(place).replace("softhsm2", "nothing")), PIN, "can't be used"),
    ):
        with pytest.raises(SignatureError, match=says) as refused:
            signing_key(wrong, pin).sign(b"x"), signing_key(wrong, pin).public_pem  # noqa: B018
        assert PIN not in refused.value.message and PIN not in repr(refused.value) and "\n" not in refused.value.message


@pytest.mark.parametrize(
    "uri",
    ["pkcs11:", "pkcs11:token=audit", "pkcs11:token=a;object=b", "pkcs11:token=a;token=b;object=c?module-path=/x",
     "pkcs11:token=a;object=b?module-path=/x&pin-value=1234", "pkcs11:id=%01?module-path=/x"],
)  # fmt: skip
def test_what_is_no_name_of_a_key_is_one_sentence(uri: str) -> None:
    """RFC 7512 has a place for the PIN in the address; a PIN in an address would be printed."""
    with pytest.raises(SignatureError, match="pkcs11") as refused:
        signing_key(Path(uri), PIN)
    assert "1234" not in refused.value.message
