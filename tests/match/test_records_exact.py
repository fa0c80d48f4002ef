"""Tables of photos cell by cell, copies, shots and exchanged records: worked cases on either side of each limit."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from audit.errors import AuditError
from audit.lens import Lens
from audit.match.duplicates import copies
from audit.match.evidence import PhotoArrays
from audit.match.labels import LabelHit
from audit.match.roles import lacking_shots, role_of
from audit.match.swaps import swapped_pairs
from audit.match.table import COLUMNS, RowError, read_answers, read_metadata_table, table_rows
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

NAN = np.nan
LENS = Lens(640, 360, 60.0)
NOON = datetime(2026, 6, 16, 12, 0, tzinfo=UTC)


def cell(folder: Path, **cells: str) -> tuple[Photo, list[str]]:
    """The photo of a table with one row, and what is said of it."""
    row = {"photo": "a.jpg", **cells}
    path = folder / "photos.csv"
    path.write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n", encoding="utf-8")
    (photo,), errors = read_metadata_table(path)
    assert all(error.row == 2 and error.photo == "a.jpg" for error in errors)
    return photo, [error.message for error in errors]


def test_a_row_becomes_a_photo_with_nothing_else_in_it(tmp_path: Path) -> None:
    photo, said = cell(tmp_path, taken_at="2026-06-16 10:05:00.25+02:00", altitude_m="-12.5", device="P 1", text="gate",
                       serial="S9", picture_hash="00FF00ff00ff00ff", bearing_deg="10", position_error_m="0")
    assert said == []
    assert photo.metadata == Metadata(
        taken_at=datetime(2026, 6, 16, 10, 5, 0, 250000, tzinfo=timezone(timedelta(hours=2))), altitude_m=-12.5,
        device="P 1", text="gate", serial="S9", bearing_deg=10.0, position_error_m=0.0)
    assert (photo.name, photo.format, photo.size_bytes, photo.width_px, photo.height_px) == ("a.jpg", "", 0, 0, 0)
    assert photo.picture_hash == "00ff00ff00ff00ff" and len(photo.sha256) == 64
    other, _ = cell(tmp_path, text="gate", serial="S8")
    same, _ = cell(tmp_path, serial="S8", text="gate")
    assert other.sha256 == same.sha256 != photo.sha256


@pytest.mark.parametrize(("column", "low", "high", "step"), [
    ("latitude", "-90", "90", "0.001"), ("longitude", "-180", "180", "0.001"), ("position_error_m", "0", "10000000", "1"),
    ("bearing_deg", "-360", "720", "0.001"), ("altitude_m", "-100000", "100000", "1"),
])
def test_numbers_are_taken_to_their_limits_and_not_beyond(tmp_path: Path, column: str, low: str, high: str,
                                                          step: str) -> None:
    both = {"latitude": "1", "longitude": "2"}
    for edge, sign in ((low, -1), (high, 1)):
        given = {**both, column: edge} if column in both else {column: edge}
        photo, said = cell(tmp_path, **given)
        assert said == []
        value = getattr(photo.metadata, column)
        assert value == (float(edge) % 360.0 if column == "bearing_deg" else float(edge))
        beyond = f"{float(edge) + sign * float(step)}"
        photo, said = cell(tmp_path, **{**given, column: beyond})
        assert getattr(photo.metadata, column) is None
        assert len(said) == 1 and f"{column} {beyond} lies outside" in said[0] and said[0].endswith("; it is left out.")
        assert photo.metadata.notes and photo.metadata.notes[0] in said[0]
    photo, said = cell(tmp_path, **{column: "a lot"})
    assert getattr(photo.metadata, column) is None and f"{column} 'a lot' is not a number" in said[0]
    for absurd in ("inf", "nan"):
        assert "lies outside" in cell(tmp_path, **{column: absurd})[1][0]


def test_half_a_position_is_none(tmp_path: Path) -> None:
    for lone in ({"latitude": "46.5"}, {"longitude": "-18"}):
        photo, said = cell(tmp_path, **lone)
        assert (photo.metadata.latitude, photo.metadata.longitude) == (None, None) and said == []


@pytest.mark.parametrize(("text", "kept", "said"), [
    ("T", "T", 0), ("t", "T", 0), ("M", "M", 0), ("m", "M", 0), ("", None, 0), ("true", None, 1)])
def test_references_are_true_or_magnetic(tmp_path: Path, text: str, kept: str | None, said: int) -> None:
    photo, messages = cell(tmp_path, bearing_reference=text)
    assert photo.metadata.bearing_reference == kept and len(messages) == said
    assert not said or "neither T nor M" in messages[0]


@pytest.mark.parametrize(("text", "good"), [
    ("0123456789abcdef", True), ("0123456789ABCDEF", True), ("0123456789abcde", False), ("0123456789abcdef0", False),
    ("0123456789abcdeg", False)])
def test_hashes_are_sixteen_hex_digits(tmp_path: Path, text: str, good: bool) -> None:
    photo, said = cell(tmp_path, picture_hash=text)
    assert (photo.picture_hash == text.lower()) is good and (said == []) is good


@pytest.mark.parametrize(("text", "expected"), [
    ("2026:06:16 10:05:00", datetime(2026, 6, 16, 10, 5)), ("2026-06-16T10:05:00Z", datetime(2026, 6, 16, 10, 5, tzinfo=UTC)),  # noqa: DTZ001, E501
    ("2026-06-16", datetime(2026, 6, 16)), ("2026:06-16 10:05:00", None), ("16.06.2026 10:05:00", None)])  # noqa: DTZ001
def test_times_are_iso_or_as_exif_writes_them(tmp_path: Path, text: str, expected: datetime | None) -> None:
    photo, said = cell(tmp_path, taken_at=text)
    assert photo.metadata.taken_at == expected
    assert (said == []) is (expected is not None)
    assert expected is not None or f"taken_at '{text}' is not an ISO 8601 time" in said[0]


def test_rows_without_a_name_and_second_rows_are_named(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("photo,text\na.jpg,one\n,two\na.jpg,three\nb.jpg,\n", encoding="utf-8")
    photos, errors = read_metadata_table(path)
    assert [(p.name, p.metadata.text) for p in photos] == [("a.jpg", "one"), ("b.jpg", None)]
    assert errors == (RowError(3, "", "list.csv, row 3: the photo has no name; give it one."),
                      RowError(4, "a.jpg", "list.csv, row 4: photo 'a.jpg' comes a second time; only the first row is used."))


def test_rows_that_end_early_or_run_over_are_read_as_far_as_columns_go(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(" Photo ;TEXT;more\n a ; b\nc;d;e;f\n", encoding="utf-8")
    assert table_rows(path, ("photo", "text"), "list") == [
        (2, {"photo": "a", "text": "b", "more": ""}), (3, {"photo": "c", "text": "d", "more": "e"})]
    with pytest.raises(AuditError, match="lacks the column serial, device; its first line must name the columns"):
        table_rows(path, ("photo", "serial", "device"), "list")
    path.write_text("photo,text\nx,a;b;c;d\n", encoding="utf-8")
    assert table_rows(path, ("photo",), "list") == [(2, {"photo": "x", "text": "a;b;c;d"})], "the first line tells commas"
    path.write_text("", encoding="utf-8")
    with pytest.raises(AuditError, match="lacks the column photo"):
        table_rows(path, ("photo",), "list")
    path.write_text("photo\n" + "x" * (1 << 21) + "\n", encoding="utf-8")
    with pytest.raises(AuditError, match="the list is not a readable CSV file .*save it as CSV again"):
        table_rows(path, ("photo",), "list")
    with pytest.raises(AuditError, match="the list can't be read .*check the path"):
        table_rows(tmp_path, ("photo",), "list")
    assert COLUMNS[0] == "photo" and len(set(COLUMNS)) == 12


def test_the_last_answer_holds_and_lines_without_a_photo_say_nothing(tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text("photo,camera\na.jpg,TH-1\n,TH-2\na.jpg,TH-3\n", encoding="utf-8")
    assert read_answers(path) == {"a.jpg": "TH-3"}


def shot(name: str, code: int | None, device: str | None = "A", codes: tuple[str, ...] = ()) -> Photo:
    text = None if code is None else f"{code:016x}"
    return Photo(name, "0" * 64, 1, "JPEG", 10, 10, Metadata(device=device), codes=codes, picture_hash=text)


def heads(photos: list[Photo], times: list[float], east: list[float] | None = None) -> list[int]:
    blank = np.full(len(photos), NAN)
    place = blank if east is None else np.array(east)
    return copies(photos, PhotoArrays(np.array(times), place, place, blank, blank)).tolist()


PICTURE = 0xF0F0A1B2C3D4E5F6


@pytest.mark.parametrize(("bits", "copy"), [(0, True), (0b111, True), (0b1111, False), (0x8000000000000101, True)])
def test_copies_differ_in_three_bits_at_most(bits: int, copy: bool) -> None:
    photos = [shot("a", PICTURE), shot("b", PICTURE ^ bits)]
    assert heads(photos, [0.0, 5.0]) == ([0, 0] if copy else [0, 1])


def test_copies_of_one_clock_lie_within_ten_minutes_and_others_carry_no_time() -> None:
    pair = [shot("a", PICTURE), shot("b", PICTURE)]
    assert heads(pair, [0.0, 600.0]) == [0, 0] and heads(pair, [0.0, 601.0]) == [0, 1]
    apart = [shot("a", PICTURE), shot("b", PICTURE, device="B")]
    assert heads(apart, [0.0, 5.0]) == [0, 1], "two phones side by side take two photos"
    assert heads(apart, [0.0, NAN]) == [0, 0] and heads(apart, [NAN, 5.0]) == [1, 1]
    nameless = [shot("a", PICTURE, device=None), shot("b", PICTURE, device=None)]
    assert heads(nameless, [0.0, 5.0]) == [0, 0]


def test_the_copy_that_says_most_stands_for_the_others() -> None:
    bare, placed, coded = shot("a", PICTURE), shot("b", PICTURE), shot("c", PICTURE, codes=("TH0001",))
    assert heads([bare, placed, coded], [NAN, NAN, NAN], [NAN, 3.0, NAN]) == [2, 2, 2]
    assert heads([bare, placed, shot("d", PICTURE ^ 1)], [NAN, NAN, NAN], [NAN, 3.0, NAN]) == [1, 1, 1]
    assert heads([bare, placed], [NAN, 7.0], [3.0, NAN]) == [1, 1], "a time says more than a place"


@pytest.mark.parametrize(("code", "told"), [(0b11111, False), (0b111111, True), (~0b11111 & (1 << 64) - 1, False),
                                            (~0b111111 & (1 << 64) - 1, True)])
def test_pictures_of_one_colour_are_no_copies(code: int, told: bool) -> None:
    assert heads([shot("a", code), shot("b", code)], [0.0, 5.0]) == ([0, 0] if told else [0, 1])


def test_photos_without_a_hash_are_no_copies_and_indices_stay() -> None:
    photos = [shot("x", None), shot("a", PICTURE), shot("y", None), shot("b", PICTURE), shot("c", PICTURE ^ 0xFFFF00)]
    assert heads(photos, [0.0] * 5) == [0, 1, 2, 1, 4]
    assert heads(photos[:1], [0.0]) == [0]


CAMERA = Camera("A", 0, 0, 3, 0, -10, Lens(1280, 720, 60.0))


def role(name: str = "IMG_1.jpg", size: tuple[int, int] = (4000, 3000), camera: Camera | None = CAMERA,
         hits: tuple[LabelHit, ...] = (), codes: tuple[str, ...] = (), **meta: float) -> str:
    return role_of(Photo(name, "0" * 64, 1, "JPEG", *size, Metadata(**meta), codes=codes), camera, hits)  # type: ignore[arg-type]


def test_a_shot_is_told_by_its_code_then_its_name_then_its_folder() -> None:
    assert role("overview.jpg", codes=("X",)) == "label"
    assert role("mount/overview.jpg") == "wide view"
    assert role("mount/IMG_1.jpg") == "bracket"
    assert role("a/Wide View.jpg") == "wide view", "the first word that tells"
    assert role("qr.mount.jpg") == "label" and role("x.mount") == "unknown", "what follows the last dot is no word"
    for word, expected in (("context", "wide view"), ("bracket", "bracket"), ("closeup", "bracket"), ("side", "bracket"),
                           ("fixing", "bracket"), ("serial", "label"), ("plate", "label"), ("barcode", "label"),
                           ("sn", "label"), ("snap", "snapshot"), ("still", "snapshot"), ("live", "snapshot"),
                           ("night", "snapshot"), ("scene", "wide view"), ("snapshot", "snapshot"), ("label", "label")):
        assert role(f"{word}.jpg") == expected


def test_a_picture_of_the_cameras_own_size_is_its_snapshot_unless_a_phone_took_it() -> None:
    assert role(size=(1280, 720)) == "snapshot"
    assert role(size=(1280, 721)) == role(size=(0, 0)) == role(size=(1280, 720), camera=None) == "unknown"
    for phone in ({"latitude": 1.0}, {"focal_35mm": 26.0}, {"bearing_deg": 0.0}):
        assert role(size=(1280, 720), **phone) == "unknown"


def test_serials_tell_a_snapshot_inside_the_file_and_a_label_in_its_text() -> None:
    def hit(kind: str, source: str) -> tuple[LabelHit, ...]:
        return (LabelHit((0,), "X", kind, source),)

    assert role(hits=hit("serial", "serial")) == "snapshot"
    assert role(hits=hit("serial", "text")) == "label"
    assert role(hits=hit("camera", "text")) == role(hits=hit("serial", "name")) == "unknown"


def test_a_camera_lacks_what_no_photo_shows_and_a_person_tells_unknown_ones_apart() -> None:
    assert lacking_shots(()) == (("label", "wide view", "bracket"), ())
    assert lacking_shots(("unknown",)) == (("label", "bracket"), ("wide view",))
    assert lacking_shots(("unknown", "unknown", "unknown")) == (("label",), ("wide view", "bracket"))
    assert lacking_shots(("label", "bracket", "unknown")) == ((), ("wide view",))
    assert lacking_shots(("wide view", "label", "bracket")) == ((), ())


WEST = Camera("P-07", 0.0, 0.0, 3.0, 265.0, -10.0, LENS, serial="SN0007")
EAST = Camera("P-08", 2.0, 0.0, 3.0, 85.0, -10.0, LENS, serial="SN0008")
YARD = Site((WEST, EAST), origin_latitude=46.5, origin_longitude=-18.0)


def view(name: str, second: float, bearing: float | None = None, codes: tuple[str, ...] = (), device: str | None = "A",
         serial: str | None = None) -> Photo:
    meta = Metadata(taken_at=NOON + timedelta(seconds=second), bearing_deg=bearing, bearing_reference="T", device=device,
                    serial=serial)
    return Photo(name, name, 1, "JPEG", 640, 360, meta, codes)


def crossed(first: float = 85.0, second: float = 265.0, gap_s: float = 60.0, site: Site = YARD, **more: str | None) -> int:
    """Swaps of two stays, each a label and a view ``gap_s`` later that looks so."""
    return len(swapped_pairs(site, (
        view("a", 0, codes=("SN0008",)), view("b", gap_s, bearing=first, **more),  # type: ignore[arg-type]
        view("c", 900, codes=("SN0007",)), view("d", 900 + gap_s, bearing=second, **more))))  # type: ignore[arg-type]


def test_views_against_the_other_camera_of_a_pair_cross_and_say_so() -> None:
    (swap,) = swapped_pairs(YARD, (view("a", 0, codes=("SN0008",)), view("b", 60, bearing=85.0),
                                   view("c", 900, codes=("SN0007",)), view("d", 960, bearing=265.0)))
    assert not swap.certain and (swap.first, swap.second) == ("P-07", "P-08") and len(swap.evidence) == 2
    assert swap.evidence[0] == (
        "d, taken at P-07's label, points 265°, so that camera faces about 85°: nearer P-08 (85°) than P-07 (265°).")


@pytest.mark.parametrize(("off", "swaps"), [(0.0, 1), (74.9, 1), (-74.9, 1), (75.1, 0), (-75.1, 0)])
def test_a_view_fits_within_seventy_five_degrees(off: float, swaps: int) -> None:
    assert crossed(85.0 + off) == swaps


def test_a_view_must_contradict_its_own_camera_by_more_than_a_right_angle() -> None:
    near = replace(YARD, cameras=(WEST, replace(EAST, bearing_deg=151.0)))
    assert crossed(85.0, 331.0, site=near) == 1
    near = replace(YARD, cameras=(WEST, replace(EAST, bearing_deg=161.0)))
    assert crossed(85.0, 341.0, site=near) == 0


def test_a_view_belongs_to_a_label_of_its_own_device_within_four_minutes() -> None:
    assert crossed(gap_s=240.0) == 1 and crossed(gap_s=241.0) == 0
    assert crossed(device="B") == crossed(device=None) == 0


def test_cameras_of_a_pair_stand_near_look_along_and_share_their_setting() -> None:
    for change, swaps in (({"east_m": 12.0}, 1), ({"east_m": 12.1}, 0), ({"pitch_deg": -59.9}, 1), ({"pitch_deg": -60.0}, 0),
                          ({"setting": "indoor"}, 0)):
        site = replace(YARD, cameras=(replace(WEST, setting="outdoor"), replace(EAST, **{"setting": "outdoor", **change})))
        assert crossed(site=site) == swaps, change
    down = replace(YARD, cameras=(replace(WEST, pitch_deg=-65.0), EAST))
    assert crossed(site=down) == 0


def test_names_and_serials_crossed_are_certain_and_told_in_words() -> None:
    (swap,) = swapped_pairs(YARD, (view("P-07/x.png", 0, serial="SN0008"), view("P-08_y.png", 1, codes=("SN0007",))))
    assert swap.certain
    assert swap.evidence == ("P-07/x.png is filed as P-07 but carries SN0008, the serial of P-08.",
                             "P-08_y.png is filed as P-08 but carries SN0007, the serial of P-07.")
    twins = replace(YARD, cameras=(WEST, EAST, replace(EAST, camera="P-09")))
    assert swapped_pairs(twins, (view("P-07.png", 0, serial="SN0008"), view("P-08.png", 1, serial="SN0007"))) == ()
