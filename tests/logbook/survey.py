"""Changes one thing after another that a logbook keeps, and notes what finds it; writes the table in docs/threats.md.

``python -m tests.logbook.survey`` writes the table anew.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from audit.drawings.placing import Drawing, KnownPoint, by_points
from audit.errors import LogbookError
from audit.judge.limits import load_limits
from audit.logbook import DeviceRecord, Logbook, tables, verify_package, zip_package
from audit.logbook.signing import key_state
from audit.photos.device import DeviceFacts
from tests.logbook.authority import Authority
from tests.logbook_samples import DAY, fill, start

PAGE = Path(__file__).parents[2] / "docs" / "threats.md"
FROM, UNTIL = "<!-- survey: python -m tests.logbook.survey -->\n", "<!-- end of survey -->\n"
PASSPHRASE = "a passphrase for tests"

#: What no signature covers, and why nobody is deceived by it.
HARMLESS = {
    "logbook.id": "one row, read without its number",
    "logbook.package_language": "in which language a package is written; the record and its files say what they say in any",
    **{
        f"waiting_drawings.{column}": "a drawing that waits for a visit, whose record covers it once it is opened"
        for column in ("floor", "name", "sha256", "picture_sha256", "body", "by", "at")
    },
    "waiting_drawings: a row": "a drawing that waits for a visit; nothing that was signed shows it",
    "key_changes.id": "an order alone, with one change; with more it is the chain's",
    "logbook/logbook.before-*.sqlite": "a copy before a change of the schema; the program never reads it",
    "logbook/writer.json": "who writes now; tells another program whom to wait for",
    "logbook/keys/public_key.pem": "a copy to be handed out; the program never reads it, and a fingerprint tells a changed one",
}

#: In what words a problem of each kind is covered.
COVERED = {
    "table": "kind of value that a logbook writes there",
    "photo": "signed record: photos",
    "image": "its name, which is its SHA-256, and the signed record: images",
    "preview": "its SHA-256 in the signed record: images; shown only where it fits",
    "refusal": "signed record: refusals",
    "measurement": "signed record: measurements",
    "comparison": "signed record: comparisons",
    "series": "signed record: series",
    "device": "signed record: devices",
    "placement": "signed record: placements",
    "answer": "signed record: answers",
    "verdict": "signed record: verdicts, and the counts derived from them",
    "decision": "signed record: decisions",
    "point": "signed record: points",
    "reference": "signed record: references",
    "reference choice": "signed record: choices",
    "plan version": "signed record: plans",
    "drawing": "signed record: drawings",
    "pairing": "signed record: pairings",
    "plan": "signed record: the visit's plan, and derived from the plan file",
    "visit": "signed record: the visit itself",
    "logbook": "signed record: the logbook itself",
    "record": "its SHA-256 and its signature",
    "signature": "the signer's key",
    "key": "the signed record, and the key before, which passes on",
    "chain": "the record after it",
    "time stamp": "the authority's signature",
    "file": "signed list of files",
    "archive": "the ZIP that the files make, byte by byte",
    "import": "hash of each member, checked when the archive is read",
    "signing": "the passphrase, when it is used",
}


@dataclass(frozen=True)
class Tried:
    """One thing that was changed, and the kinds of problems that told."""

    what: str
    found: tuple[str, ...]


def signed_folder(folder: Path) -> Path:
    """A logbook with a row in every table: signed, passed on, stamped."""
    book = start(str(folder / "logbook"))
    visit = fill(book)
    book.put_limits(visit, load_limits())
    book.decide(visit, "C-1", "aim", "confirm", "Ada Example", "")
    book.decide(visit, "C-1", "aim", "tolerate", "Ada Example", "agreed")
    first, second = book.photos(visit)[:2]
    book.point(visit, "C-1", "gate", first.name, (10.0, 20.0), "Ada Example")
    book.point(visit, "C-1", "mast", first.name, (30.0, 20.0), "Ada Example")
    book.undo_point(visit, "C-1", "mast", "Ada Example")
    book.put_comparison(first.sha256, second.sha256, "view/1", {"pan_change_deg": 1.0})
    book.put_series(visit, "C-1", (first.sha256, second.sha256), "clarity/1", {"dirt_probability": 0.1})
    book.put_device(visit, DeviceRecord("C-1", visit.started_at, DeviceFacts("onvif://192.0.2.1", visit.started_at, "SN-1")))
    book.undo(visit, "C-1", "aim", "Ada Example")
    book.renew_reference(visit, "C-1", "day", "C-1/day.jpg", "Ada Example", "aimed anew")
    book.restore_reference(visit, "C-1", "day", "Ada Example", "not yet")
    book.renew_reference(visit, "C-2", "day", "C-2/day.jpg", "Ada Example", "aimed anew")
    seen = {"photo": "C-1/day.jpg", "at_px": (100.0, 50.0)}
    book.add_finding(visit, "C-1", "cleanliness", "defect", "Ada Example", "smears", **seen)
    book.promise(visit, "C-1", "night", DAY + timedelta(days=36500), "Ada Example", "next week")
    book.answer(visit, "C-1/day.jpg", "C-1", "Ada Example", role="day snapshot")
    lies = Drawing(400, 300, by_points((KnownPoint("C-1", 10.0, 10.0, 1.0, 2.0), KnownPoint("C-3", 390.0, 10.0, 3.0, 2.0)), 400, 300))
    book.note_pairing(visit, "0123456789abcdef", "joined", "Ada Example", "Cleo's phone")
    book.put_drawing(visit, "", "floor.png", (b"a floor plan", b"its picture"), lies, "Ada Example")
    book.sign(visit, "Ada Example", PASSPHRASE)
    book.put_stamp(visit, Authority(folder / "authority").answer(book.stamp_request(visit)))
    book.change_key("Ada Example", PASSPHRASE)
    book.sign(fill(book, DAY + timedelta(days=90), salt=b"second"), "Ada Example", PASSPHRASE)
    book.put_drawing(None, "", "next.png", (b"another floor plan", b"its picture too"), lies, "Ada Example")
    book.set_package_language("de")
    assert book.verify() == ()
    package = folder / "package"
    (package / "references").mkdir(parents=True)
    (package / "report.pdf").write_bytes(b"%PDF-1.7 a small report")
    (package / "references" / "C-1_day.jpg").write_bytes(book.image(first.sha256))
    old = next(p for p in book.keys_folder().glob("signing_key.*.pem"))
    book.seal(package, visit, PASSPHRASE, keys=old)
    zip_package(package, folder / "package.zip")
    book.export(folder / "archive.zip")
    (folder / "logbook" / "logbook.before-0003-x.sqlite").write_bytes(b"an older copy")
    (folder / "logbook" / "writer.json").write_bytes(b'{"process": 1, "host": "x", "since": "x"}')
    book.close()
    with closing(sqlite3.connect(folder / "logbook" / "logbook.sqlite")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder


def columns(whole: Path) -> Iterator[Tried]:
    """Every column of every table, the value in the first row made another one of its kind."""
    for table in tables.metadata.sorted_tables:
        for column in table.columns:
            yield Tried(f"{table.name}.{column.name}", _with(whole, lambda f, t=table.name, c=column.name: _change(f, t, c)))


def rows(whole: Path) -> Iterator[Tried]:
    """Every table, its first row taken away by somebody who opens the database without its checks."""
    for table in tables.metadata.sorted_tables:
        yield Tried(f"{table.name}: a row taken away", _with(whole, lambda f, t=table.name: _take_away(f, t)))


def files(whole: Path) -> Iterator[Tried]:
    """One file of each class: a byte changed, and the file taken away."""
    image = next(p for p in sorted((whole / "logbook" / "images").rglob("*")) if p.is_file())
    classes = {
        "logbook/images/HASH": image.relative_to(whole),
        "logbook/previews/HASH": Path("logbook/previews") / image.relative_to(whole / "logbook" / "images"),
        "logbook/keys/public_key.pem": Path("logbook/keys/public_key.pem"),
        "logbook/logbook.before-*.sqlite": Path("logbook/logbook.before-0003-x.sqlite"),
        "logbook/writer.json": Path("logbook/writer.json"),
    }
    for name, path in classes.items():
        for how, change in (("", _flip), (" taken away", _unlink)):
            yield Tried(name + how, _with(whole, lambda f, p=path, c=change: c(f / p)))
    yield Tried("logbook/keys/signing_key.pem", _signing(whole))


def packages(whole: Path) -> Iterator[Tried]:
    """Every file of a package, its ZIP between the files, and every class of member of an archive."""
    for path in sorted(p for p in (whole / "package").rglob("*") if p.is_file()):
        name = path.relative_to(whole / "package").as_posix()
        for how, change in (("", _flip), (" taken away", _unlink)):
            yield Tried(f"package/{name}{how}", _changed(path, change, lambda: verify_package(whole / "package")))
    with zipfile.ZipFile(whole / "package.zip") as archive:
        head, directory = archive.infolist()[0].header_offset + 10, archive.start_dir + 12
    for what, at in (("package.zip, a member's head", head), ("package.zip, its directory", directory)):
        yield Tried(what, _changed(whole / "package.zip", lambda p, a=at: _flip(p, a), lambda: verify_package(whole / "package.zip")))
    with zipfile.ZipFile(whole / "archive.zip") as archive:
        members = {name.partition("/")[0]: archive.getinfo(name) for name in reversed(archive.namelist())}
    for room, member in members.items():
        at = member.header_offset + 30 + len(member.filename) + member.compress_size // 2
        yield Tried(f"archive/{room}", _changed(whole / "archive.zip", lambda p, a=at: _flip(p, a), lambda: _import(whole)))


def survey(folder: Path) -> list[Tried]:
    """All of it."""
    whole = signed_folder(folder)
    return [tried for part in (columns, rows, files, packages) for tried in part(whole)]


def table_of(tried: list[Tried]) -> str:
    """The table for the page, things that are covered alike in one row."""
    lines = ["| stored | covered by | found as |", "|---|---|---|"]
    alike: dict[tuple[str, str], list[str]] = {}
    for one in tried:
        if one.found:
            covered = "; ".join(dict.fromkeys(COVERED[kind] for kind in one.found))
            alike.setdefault((covered, ", ".join(one.found)), []).append(one.what)
    for (covered, found), things in alike.items():
        lines.append(f"| {', '.join(f'`{thing}`' for thing in things)} | {covered} | {found} |")
    for one in tried:
        if not one.found:
            lines.append(f"| `{one.what}` | nothing: {HARMLESS[_class(one)]} | not at all |")
    return "\n".join(lines) + "\n"


def unnoticed(tried: list[Tried]) -> list[str]:
    """What was changed and neither found nor listed as harmless."""
    return [one.what for one in tried if not one.found and _class(one) not in HARMLESS]


def _class(one: Tried) -> str:
    return one.what.removesuffix(" taken away")


def _with(whole: Path, change: Callable[[Path], None]) -> tuple[str, ...]:
    """Kinds of problems in a copy of the logbook after a change."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place)
        shutil.copytree(whole / "logbook", copy / "logbook")
        change(copy)
        try:
            with Logbook.open(copy / "logbook") as book:
                return tuple(dict.fromkeys(problem.what for problem in book.verify()))
        except LogbookError:
            return ("table",)


def _changed(path: Path, change: Callable[[Path], None], check: Callable[[], tuple]) -> tuple[str, ...]:
    data = path.read_bytes()
    change(path)
    try:
        return tuple(dict.fromkeys(problem.what for problem in check()))
    except LogbookError:
        return ("import",)
    finally:
        path.write_bytes(data)


def _import(whole: Path) -> tuple:
    with tempfile.TemporaryDirectory() as place:
        Logbook.import_(whole / "archive.zip", Path(place) / "logbook").close()
    return ()


def _signing(whole: Path) -> tuple[str, ...]:
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(whole / "logbook", Path(place) / "logbook")
        key = Path(place) / "logbook" / "keys" / "signing_key.pem"
        assert key_state(key.parent) == "encrypted"
        _flip(key, len(key.read_bytes()) // 2)
        with Logbook.open(Path(place) / "logbook") as book:
            fill(book, DAY + timedelta(days=99), salt=b"later")
            try:
                book.sign(3, "Ada Example", PASSPHRASE)
            except LogbookError:
                return ()
            except Exception as error:
                return ("signing",) if type(error).__name__ == "SignatureError" else ()
    return ()


#: A count of nought reads the same where it is not there.
_WORTH_CHANGING = {"verdict_counts": "cameras > 0"}


def _change(folder: Path, table: str, column: str) -> None:
    with closing(sqlite3.connect(folder / "logbook" / "logbook.sqlite")) as connection, connection:
        where = _WORTH_CHANGING.get(table, "1")
        query = f'SELECT rowid, "{column}" FROM "{table}" WHERE {where} ORDER BY "{column}" IS NULL, rowid LIMIT 1'
        found = connection.execute(query).fetchone()
        assert found is not None, f"{table} holds no row to change: fill it in signed_folder, and sign it (audit/logbook/record.py)"
        row, value = found
        kind = tables.metadata.tables[table].c[column].type
        value = _other(value, kind.python_type)
        connection.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (value, row))


def _take_away(folder: Path, table: str) -> None:
    with closing(sqlite3.connect(folder / "logbook" / "logbook.sqlite")) as connection, connection:
        first = f'SELECT rowid FROM "{table}" WHERE {_WORTH_CHANGING.get(table, "1")} LIMIT 1'
        assert connection.execute(f'DELETE FROM "{table}" WHERE rowid = ({first})').rowcount == 1


def _other(value: object, kind: type) -> object:
    if value is None:
        return 1 if kind is int else b"x" if kind is bytes else "x"
    if isinstance(value, bytes):
        return bytes([value[0] ^ 1]) + value[1:]
    if isinstance(value, str):
        if value[:4].isdigit() and value[4:5] == "-":  # a time or a day: another one
            return f"{int(value[:4]) - 1:04d}{value[4:]}"
        return value[:-1] + ("0" if value.endswith("1") else "1")
    assert isinstance(value, int | float)
    return value + 77


def _flip(path: Path, at: int = 0) -> None:
    data = path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])


def _unlink(path: Path) -> None:
    path.unlink()


def write_page(tried: list[Tried]) -> str:
    """The page with the table of today in it."""
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(FROM)
    return before + FROM + "\n" + table_of(tried) + "\n" + UNTIL + rest.partition(UNTIL)[2]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        PAGE.write_text(write_page(survey(Path(place))), encoding="utf-8")
