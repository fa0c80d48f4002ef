"""Who signed is told by what lies outside the record: a key, a fingerprint, a witness, an earlier meeting."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography import x509
from rfc3161_client import decode_timestamp_response

from audit.errors import LogbookError, SignatureError
from audit.logbook import Anchors, Logbook, check, fingerprint, fingerprint_words, tables, verify_package, witness_text
from audit.logbook.record import canonical, parse_record
from audit.logbook.signing import signing_key
from audit.logbook.stamps import read_stamp, stamp_problem
from audit.logbook.trust import KnownSigners
from tests.conftest import Ran
from tests.logbook.authority import Authority
from tests.logbook_samples import DAY, fill, make_verdict, start

Audit = Callable[..., Ran]
PASSPHRASE = "a passphrase for tests"


@pytest.fixture(autouse=True)
def nobody_known(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The list of somebody who has met nobody yet."""
    listed = tmp_path / "known_signers.json"
    monkeypatch.setenv("PHOTO_AUDIT_KNOWN_SIGNERS", str(listed))
    return listed


@pytest.fixture
def book(tmp_path: Path, nobody_known: Path) -> Logbook:
    """Two signed visits, the second with a defect; whoever checks has met nobody."""
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    second = fill(book, DAY + timedelta(days=183), salt=b"later")
    book.put_verdicts(second, [make_verdict("C-1", "defect", probability_bad=0.999), make_verdict("C-2"), make_verdict("C-3")])
    book.sign(second, "Ada Example")
    nobody_known.unlink()
    return book


def place_of(book: Logbook) -> str:
    assert book.database.folder is not None
    return str(book.database.folder)


def key_of(book: Logbook, visit: int = 2) -> str:
    signed = book.signed_record(visit)
    assert signed is not None
    return fingerprint(signed.public_key) or ""


def rewrite(book: Logbook) -> str:
    """Somebody who holds the logbook, and not the key, signs another story with a key of their own; gives its fingerprint."""
    folder = place_of(book)
    key = signing_key(Path(folder).parent / "eve", "x")
    with closing(sqlite3.connect(Path(folder) / "logbook.sqlite")) as connection, connection:
        body = connection.execute("SELECT body FROM verdicts WHERE visit = 1 AND camera = 'C-1'").fetchone()[0]
        connection.execute("UPDATE verdicts SET body = ?, rank = 3 WHERE visit = 2 AND camera = 'C-1'", (body,))
        connection.execute("UPDATE verdict_counts SET cameras = 0 WHERE visit = 2 AND rank <> 3")
        connection.execute("UPDATE verdict_counts SET cameras = 3 WHERE visit = 2 AND rank = 3")
        connection.execute("UPDATE visits SET signed_by = 'Eve Example' WHERE number = 2")
    sign_anew(book, key)
    return fingerprint(key.public_pem) or ""


def sign_anew(book: Logbook, key) -> None:
    """The whole chain again by what the tables say now."""
    from audit.logbook.record import hashes_of, signed_state, visit_content

    before = None
    with book.database.writing() as connection:
        for row in connection.execute(tables.records.select().order_by(tables.records.c.id)).all():
            told = parse_record(bytes(row.record))
            assert told is not None
            visit = connection.execute(tables.visits.select().where(tables.visits.c.number == row.visit)).one()
            told |= signed_state(connection, visit) | hashes_of(visit_content(connection, row.visit))
            told["key"]["fingerprint"] = fingerprint(key.public_pem)
            told["previous"] = before
            data = canonical(told)
            digest = __import__("hashlib").sha256(data).hexdigest()
            before = {"visit": row.visit, "record_sha256": digest}
            connection.execute(
                tables.records.update()
                .where(tables.records.c.id == row.id)
                .values(record=data, sha256=digest, signature=key.sign(data), public_key=key.public_pem)
            )


def test_without_anything_from_outside_it_is_not_known_who_signed(book: Logbook, audit: Audit, nobody_known: Path) -> None:
    ran = audit("verify", place_of(book))
    assert ran.code == 1
    assert "Whole in itself; not known who signed" in ran.err and fingerprint_words(key_of(book)) in ran.err
    assert str(nobody_known) in ran.err, "that the key is noted now is said"
    assert "nothing changed" not in ran.err


@pytest.mark.parametrize("how", ["key", "fingerprint", "spoken fingerprint"])
def test_a_named_signer_is_known(book: Logbook, audit: Audit, tmp_path: Path, how: str) -> None:
    (tmp_path / "ada.pem").write_bytes(book.signed_record(2).public_key)
    given = {
        "key": ("--key", tmp_path / "ada.pem"),
        "fingerprint": ("--fingerprint", key_of(book)),
        "spoken fingerprint": ("--fingerprint", fingerprint_words(key_of(book)).upper().replace(" ", ":")),
    }[how]
    ran = audit("verify", place_of(book), *given)
    assert ran.code == 0 and "nothing changed since it was signed" in ran.err and "the key that you named" in ran.err


@pytest.mark.parametrize("how", ["fingerprint", "key", "known", "witness", "record"])
def test_a_logbook_that_was_signed_anew_with_another_key_is_found(
    book: Logbook, audit: Audit, tmp_path: Path, how: str
) -> None:
    """A camera goes from defect to as planned, by another signer, with a new key: whole in itself."""
    ada = key_of(book)
    (tmp_path / "ada.pem").write_bytes(book.signed_record(2).public_key)
    (tmp_path / "witness.json").write_bytes(witness_text(book.chain()))
    (tmp_path / "record.json").write_bytes(book.signed_record(2).record)
    if how == "known":
        assert audit("verify", place_of(book)).code == 1
        assert audit("verify", place_of(book)).code == 0
    eve = rewrite(book)
    assert book.verify() == (), "in itself nothing is wrong with it"
    given = {
        "fingerprint": ("--fingerprint", ada),
        "key": ("--key", tmp_path / "ada.pem"),
        "known": (),
        "witness": ("--witness", tmp_path / "witness.json"),
        "record": ("--witness", tmp_path / "record.json"),
    }[how]
    ran = audit("verify", place_of(book), *given)
    assert ran.code == 2 and "nothing changed" not in ran.err
    told = ran.out + ran.err
    assert {
        "known": "THE SIGNER CHANGED", "witness": "is not the one that the witness saw", "record": "the witness saw",
    }.get(how, "not with the key that you named") in told  # fmt: skip
    if how in ("known", "fingerprint", "key"):
        assert fingerprint_words(eve) in told


def test_a_rewritten_package_is_found_by_the_signers_fingerprint(book: Logbook, audit: Audit, tmp_path: Path) -> None:
    (tmp_path / "package").mkdir()
    book.seal(tmp_path / "package", 2)
    assert audit("verify", tmp_path / "package", "--fingerprint", key_of(book)).code == 0
    shutil.rmtree(tmp_path / "package")
    (tmp_path / "package").mkdir()
    rewrite(book)
    book.seal(tmp_path / "package", 2, "x", keys=tmp_path / "eve")
    assert verify_package(tmp_path / "package") == ()
    assert audit("verify", tmp_path / "package", "--fingerprint", "0" * 64).code == 2
    ran = audit("verify", tmp_path / "package")
    assert ran.code == 2 and "THE SIGNER CHANGED" in ran.out


def test_a_package_laid_into_a_logbook_does_not_stand_for_it(book: Logbook, audit: Audit, tmp_path: Path) -> None:
    (tmp_path / "package").mkdir()
    book.seal(tmp_path / "package", 2)
    for path in (tmp_path / "package").iterdir():
        shutil.copy(path, place_of(book))
    (Path(place_of(book)) / "files.json").unlink()
    assert audit("verify", place_of(book), "--fingerprint", key_of(book)).code == 0


def test_a_removed_last_visit_is_found_by_a_witness(book: Logbook, audit: Audit, tmp_path: Path) -> None:
    assert audit("witness", place_of(book), "-o", tmp_path / "w.json").code == 0
    with closing(sqlite3.connect(Path(place_of(book)) / "logbook.sqlite")) as connection, connection:
        for table in tables.metadata.sorted_tables:
            column = "number" if table.name == "visits" else "visit"
            if column in table.c:
                connection.execute(f'DELETE FROM "{table.name}" WHERE {column} = 2')
    assert book.verify() == (), "the chain ends one earlier and holds"
    ran = audit("verify", place_of(book), "--witness", tmp_path / "w.json")
    assert ran.code == 2 and "Visit 2, which the witness saw signed, is gone." in ran.out


def test_a_witness_that_fits_tells_who_signed(book: Logbook, audit: Audit, tmp_path: Path) -> None:
    (tmp_path / "w.json").write_bytes(witness_text(book.chain()))
    ran = audit("verify", place_of(book), "--witness", tmp_path / "w.json", "--json")
    assert ran.code == 0
    (answer,) = ran.lines
    assert answer["signer"] == "known" and answer["fingerprint"] == key_of(book) and answer["visit"] == 2
    (tmp_path / "package").mkdir()
    book.seal(tmp_path / "package", 1)
    assert audit("verify", tmp_path / "package", "--witness", tmp_path / "w.json").code == 0
    other = start(str(tmp_path / "other"))
    other.sign(fill(other), "Ada Example")
    assert audit("verify", tmp_path / "other", "--witness", tmp_path / "w.json").code == 2
    for text in (b"", b"{}", b"[]", b'{"format":"photo-audit witness 1"}', b"\xff", b"x" * 100):
        (tmp_path / "w.json").write_bytes(text)
        ran = audit("verify", place_of(book), "--witness", tmp_path / "w.json")
        assert ran.code == 2 and "is no witness file" in ran.err


def test_a_signer_is_noted_at_signing_and_a_change_is_loud(tmp_path: Path, audit: Audit, nobody_known: Path) -> None:
    book = start(str(tmp_path / "logbook"))
    fill(book)
    ran = audit("sign", place_of(book), "--by", "Ada Example", "--witness", tmp_path / "w.json")
    assert ran.code == 0 and fingerprint_words(key_of(book, 1)) in ran.err
    assert json.loads((tmp_path / "w.json").read_bytes())["records"][0]["fingerprint"] == key_of(book, 1)
    assert [(s.how, s.name) for s in KnownSigners(nobody_known).all()] == [("signed here", "Ada Example")]
    assert audit("verify", place_of(book)).code == 0
    sign_anew(book, signing_key(tmp_path / "eve", "x"))
    ran = audit("verify", place_of(book))
    assert ran.code == 2 and "THE SIGNER CHANGED" in ran.out


def test_a_damaged_list_of_known_signers_is_one_sentence(book: Logbook, audit: Audit, nobody_known: Path) -> None:
    for text in ("{", '{"signers": 5}', '{"signers": [{"x": 1}]}', "[" * 50_000):
        nobody_known.write_text(text)
        ran = audit("verify", place_of(book))
        assert ran.code == 2 and str(nobody_known) in ran.err and "damaged" in ran.err


def test_what_is_given_to_compare_with_must_be_what_it_is_said_to_be(book: Logbook, audit: Audit, tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"no key")
    attempts = (
        (("--key", tmp_path / "x"), "no Ed25519 public key"),
        (("--key", tmp_path / "missing"), "missing"),
        (("--fingerprint", "abcd"), "is no fingerprint"),
        (("--key", tmp_path / "x", "--fingerprint", "0" * 64), "not both"),
        (("--authority", tmp_path / "x"), "no certificate"),
    )
    for given, sentence in attempts:
        ran = audit("verify", place_of(book), *given)
        assert ran.code == 2 and sentence in ran.err


def test_a_logbook_without_a_signature_is_not_said_to_be_unchanged(tmp_path: Path, audit: Audit) -> None:
    book = start(str(tmp_path / "logbook"))
    fill(book)
    ran = audit("verify", place_of(book))
    assert ran.code == 1 and "No visit is signed: nothing can be proven." in ran.err


def test_a_new_key_needs_the_old_ones_word(tmp_path: Path, audit: Audit) -> None:
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    first = key_of(book, 1)
    second_visit = fill(book, DAY + timedelta(days=9), salt=b"second")
    with pytest.raises(SignatureError, match="change-key"):
        book.sign(second_visit, "Ben Example", keys=tmp_path / "other")
    ran = audit("change-key", place_of(book), "--by", "Ada Example")
    assert ran.code == 0
    book.sign(second_visit, "Ada Example")
    second = key_of(book)
    assert first != second and fingerprint_words(second) in ran.err
    assert book.verify() == ()
    for named in (first, second):
        assert check(place_of(book), Anchors(fingerprint=named)).exit_code == 0, "who knows the old key knows the new one"
    (tmp_path / "package").mkdir()
    book.seal(tmp_path / "package", 2)
    assert check(str(tmp_path / "package"), Anchors(fingerprint=first)).exit_code == 0
    with book.database.writing() as connection:
        connection.execute(tables.key_changes.delete())
    assert [(p.what, p.visit) for p in book.verify()] == [("key", 2)]


def test_a_change_of_key_that_was_cut_off_is_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    with monkeypatch.context() as cut:
        cut.setattr("audit.logbook.signoff.take_next", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            book.change_key("Ada Example")
    book.sign(fill(book, DAY + timedelta(days=9), salt=b"second"), "Ada Example")
    assert book.verify() == () and key_of(book, 1) != key_of(book, 2)
    assert len(list(book.keys_folder().glob("signing_key*.pem"))) == 2, "the old key stays beside the new one"


def test_a_key_can_lie_outside_the_logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PHOTO_AUDIT_KEY", str(tmp_path / "elsewhere" / "ada.pem"))
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    assert not (Path(place_of(book)) / "keys").exists()
    assert b"ENCRYPTED" in (tmp_path / "elsewhere" / "ada.pem").read_bytes()
    assert fingerprint((tmp_path / "elsewhere" / "ada.public.pem").read_bytes()) == key_of(book, 1)
    monkeypatch.setenv("PHOTO_AUDIT_KEY", str(tmp_path / "elsewhere"))
    with pytest.raises(SignatureError, match=r"ends in \.pem"):
        book.key_place()


def test_openssl_opens_the_encrypted_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outside check: OpenSSL's own command, and the work a guess takes as OWASP's cheat sheet asks (scrypt 2^14, 8, 5)."""
    monkeypatch.setattr("audit.logbook.pkcs8.SCRYPT_N", 1 << 14)
    key = signing_key(tmp_path, "correct horse")
    file = tmp_path / "signing_key.pem"
    for passphrase, opens in (("correct horse", True), ("wrong", False)):
        command = ["openssl", "pkey", "-in", str(file), "-passin", f"pass:{passphrase}", "-pubout"]
        try:
            done = subprocess.run(command, capture_output=True, check=False)
        except FileNotFoundError:
            pytest.skip("openssl is not installed")
        assert (done.returncode == 0 and done.stdout == key.public_pem) == opens
    assert signing_key(tmp_path, "correct horse").public_pem == key.public_pem
    told = subprocess.run(["openssl", "asn1parse", "-in", str(file)], capture_output=True, text=True, check=True).stdout
    assert ":scrypt" in told and ":4000" in told and ":aes-256-cbc" in told


def test_a_key_is_not_left_open_unless_somebody_says_so(tmp_path: Path, audit: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PHOTO_AUDIT_PASSPHRASE")
    book = start(str(tmp_path / "logbook"))
    fill(book)
    ran = audit("sign", place_of(book), "--by", "Ada Example")
    assert ran.code == 2 and "PHOTO_AUDIT_PASSPHRASE" in ran.err and "--unprotected" in ran.err
    assert not (Path(place_of(book)) / "keys" / "signing_key.pem").exists()
    assert audit("sign", place_of(book), "--by", "Ada Example", "--unprotected").code == 0
    assert parse_record(book.signed_record(1).record)["key"]["protection"] == "file permissions"


def test_a_time_stamp_is_kept_and_confirmed_by_openssl(tmp_path: Path, audit: Audit) -> None:
    """Outside check: RFC 3161 by OpenSSL's own authority and verifier (openssl ts)."""
    authority = Authority(tmp_path / "authority")
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    place, request, answer = place_of(book), tmp_path / "a.tsq", tmp_path / "a.tsr"
    assert audit("stamp", place, "--request", request).code == 0
    answer.write_bytes(authority.answer(request.read_bytes()))
    ran = audit("stamp", place, "--answer", answer)
    assert ran.code == 0 and "CN=Test time stamps" in ran.err
    record, kept = book.signed_record(1).record, book.signed_record(1).time_stamp
    assert authority.confirms(kept, record) and not authority.confirms(kept, record + b" ")
    (tmp_path / "package").mkdir()
    book.seal(tmp_path / "package", 1)
    assert authority.confirms((tmp_path / "package" / "record.tsr").read_bytes(), (tmp_path / "package" / "record.json").read_bytes())
    for what in (place, tmp_path / "package"):
        ran = audit("verify", what, "--authority", authority.folder / "ca.pem")
        assert ran.code == 0 and "an authority that you named" in ran.err
        assert "not known here" in audit("verify", what).err
    stranger = Authority(tmp_path / "stranger")
    ran = audit("verify", place, "--authority", stranger.folder / "ca.pem")
    assert ran.code == 2 and "not by an authority that is trusted here" in ran.out
    assert audit("stamp", place, "--answer", answer).code == 2, "the first one stays"
    with pytest.raises(SignatureError, match="another record"):
        read_stamp(authority.answer(request.read_bytes()), record + b" ")


def test_every_byte_that_an_authority_signed_counts(tmp_path: Path) -> None:
    """What stands in the answer outside of what is signed (the root's certificate again) may differ."""
    authority = Authority(tmp_path / "authority")
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    record = book.signed_record(1).record
    answer = authority.answer(book.stamp_request(1))
    roots = tuple(x509.load_pem_x509_certificates(authority.root))
    assert stamp_problem(answer, record, roots) is None
    said = decode_timestamp_response(_sorted(answer)).tst_info
    digest = said.message_imprint.message
    start_at = answer.index(digest)
    for at in range(start_at - 30, start_at + 60):
        changed = answer[:at] + bytes([answer[at] ^ 1]) + answer[at + 1 :]
        assert stamp_problem(changed, record, roots) is not None, at
    for cut in (b"", answer[:10], answer[:-1], b"\x30\x80" + answer, bytes(len(answer))):
        assert stamp_problem(cut, record, roots) == "is not what an authority sends"


def _sorted(answer: bytes) -> bytes:
    from audit.logbook.stamps import _in_order

    return _in_order(answer)


def test_the_first_time_stamp_of_another_record_is_refused(tmp_path: Path) -> None:
    authority = Authority(tmp_path / "authority")
    book = start(str(tmp_path / "logbook"))
    book.sign(fill(book), "Ada Example")
    other = start(str(tmp_path / "other"))
    other.sign(fill(other), "Ada Example")
    with pytest.raises(SignatureError, match="another record"):
        book.put_stamp(1, authority.answer(other.stamp_request(1)))
    with pytest.raises(LogbookError, match="not signed"):
        book.stamp_request(fill(book, DAY + timedelta(days=9), salt=b"second"))
