"""What counts as a label and what it says, word by word; reasons as a person reads them; anchors of short lists."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
import zxingcpp

from audit.lens import Lens
from audit.match import labels
from audit.match.candidates import Named, first_lists
from audit.match.evidence import PhotoArrays
from audit.match.labels import LabelHit, LabelIndex, label_index, read_codes, words
from audit.match.reasons import About, reasons
from audit.match.solve import Known
from audit.photos.photo import Metadata, Photo
from audit.plan.model import Camera, Site

LENS = Lens(1920, 1080, 60.0)
NAN = np.nan


def site(*cameras: tuple[str, str]) -> Site:
    return Site(tuple(Camera(name, 0, 0, 3, 0, -10, LENS, serial=serial) for name, serial in cameras))


def photo(name: str = "x.jpg", codes: tuple[str, ...] = (), **meta: str) -> Photo:
    return Photo(name, "0" * 64, 1, "JPEG", 10, 10, Metadata(**meta), codes=codes)  # type: ignore[arg-type]


def found(index: LabelIndex, one: Photo) -> list[tuple[tuple[int, ...], str, str, str]]:
    return [(h.cameras, h.text, h.kind, h.source) for h in index.hits(one)]


YARD = LabelIndex(site(("TH-1", "S/N: QX 4471"), ("TH-1-B", "SN QX4472"), ("gate", "ABCDEFGH12"), ("NW", "QX4471"),
                       ("12", "00012"), ("12345", "X")))


def test_words_are_lower_case_runs_of_letters_and_digits() -> None:
    assert words("  A_b--9.É7 ") == ("a", "b", "9", "7")
    assert words("…") == ()


def test_each_source_says_where_it_stands() -> None:
    assert found(YARD, photo("yard/TH-1.jpg")) == [((0,), "TH-1", "camera", "name")]
    assert found(YARD, photo("TH-1/yard/a.jpg")) == [((0,), "TH-1", "camera", "folder")]
    assert found(YARD, photo(text="see QX4472 here")) == [((1,), "QX4472", "serial", "text")]
    assert found(YARD, photo(serial="qx4472")) == [((1,), "QX4472", "serial", "serial")]
    assert found(YARD, photo(codes=("abcdefgh12",))) == [((2,), "ABCDEFGH12", "serial", "code")]


def test_words_before_a_serial_number_are_no_part_of_it() -> None:
    assert found(YARD, photo(codes=("QX-4471",)))[0][0] == (0, 3), "planned twice, once with S/N: before it"
    assert found(YARD, photo(text="QX 4471"))[0][1] == "QX 4471"


def test_the_longest_id_wins_and_the_words_after_it_are_read_on() -> None:
    assert found(YARD, photo("TH-1-B then gate and TH_1.jpg")) == [
        ((1,), "TH-1-B", "camera", "name"), ((2,), "gate", "camera", "name"), ((0,), "TH-1", "camera", "name")]
    assert found(YARD, photo("TH 1 C.jpg")) == [((0,), "TH-1", "camera", "name")]


@pytest.mark.parametrize("name", ["NW view.jpg", "IMG 12.jpg", "12.jpg", "TH.jpg", "1.jpg", "X.jpg", "00012345.jpg"])
def test_what_many_files_are_called_names_no_camera(name: str) -> None:
    assert found(YARD, photo(name)) == []


def test_five_digits_four_letters_and_mixed_words_are_names_enough() -> None:
    assert found(YARD, photo("00012 a.jpg")) == [((4,), "00012", "serial", "name")]
    assert found(YARD, photo("gate.jpg")) == [((2,), "gate", "camera", "name")]
    assert found(YARD, photo("th1b.jpg")) == [((1,), "TH-1-B", "camera", "name")]


def test_a_short_id_counts_as_a_whole_code_text_or_serial_alone() -> None:
    for one in (photo(codes=("NW",)), photo(text="nw"), photo(serial=" N-W ")):
        assert [h[0] for h in found(YARD, one)] == [(3,)]
    assert found(YARD, photo(text="nw side")) == []


def test_one_camera_is_told_once_inside_the_photo_and_once_for_its_folder() -> None:
    hits = found(YARD, photo("TH-1/yard/TH-1/TH-1_TH-1.jpg", text="TH-1"))
    assert hits == [((0,), "TH-1", "camera", "text"), ((0,), "TH-1", "camera", "folder")]
    inner = found(YARD, photo("gate/TH-1/a.jpg"))
    assert [h[0] for h in inner] == [(0,), (2,)], "the inmost folder comes first"


def test_an_end_of_a_name_is_no_part_of_its_stem() -> None:
    assert found(LabelIndex(site(("view-jpg", ""),)), photo("view.jpg")) == []
    assert found(YARD, photo("a.TH-1.jpg")) == [((0,), "TH-1", "camera", "name")]


def test_the_first_camera_keeps_an_id_that_two_write_alike_and_both_are_named() -> None:
    index = LabelIndex(site(("A-10", ""), ("A 10", ""), ("B-20", "A10")))
    assert found(index, photo("a_10.jpg")) == [((0, 1), "A-10", "camera", "name")]
    assert LabelIndex(site(("---", "?"),)).hits(photo("a.jpg")) == ()


def test_sentences_name_what_was_read_and_where() -> None:
    assert LabelHit((0,), "TH-1", "camera", "name").sentence() == "camera TH-1 found in the file name"
    assert LabelHit((0,), "TH-1", "camera", "folder").sentence() == "camera TH-1 found in the folder's name"
    assert LabelHit((0, 4), "Q", "serial", "code").sentence() == "serial Q read in the label (planned for 2 cameras)"


def test_an_index_is_kept_for_the_plan_asked_last() -> None:
    one, two = site(("TH-1", "")), site(("TH-1", ""))
    assert label_index(one) is label_index(one)
    assert label_index(two) is not label_index(one) or one is two
    assert label_index(one).hits(photo("TH-1.jpg"))


def page(text: str, code: zxingcpp.BarcodeFormat, scale: int, size: tuple[int, int], at: tuple[int, int]) -> np.ndarray:
    made = np.array(zxingcpp.create_barcode(text, code).to_image(scale=scale), dtype=np.uint8)
    made = made if made.ndim == 2 else made[:, :, 0]
    if made.shape[0] < 40:
        made = np.repeat(made[:1], 60, axis=0)
    sheet = np.full(size, 235, dtype=np.uint8)
    sheet[at[0] : at[0] + made.shape[0], at[1] : at[1] + made.shape[1]] = made
    return sheet


def test_grey_and_colour_pictures_are_read_alike_and_each_text_once() -> None:
    sheet = page("AB-1", zxingcpp.BarcodeFormat.QRCode, 4, (400, 900), (60, 60))
    twice = np.maximum(sheet, 0)
    twice[:, 450:] = sheet[:, :450]
    other = page("CD-2", zxingcpp.BarcodeFormat.QRCode, 4, (400, 900), (230, 300))
    both = np.minimum(twice, other)
    assert read_codes(sheet) == ("AB-1",)
    assert read_codes(np.repeat(sheet[:, :, None], 3, axis=2)) == ("AB-1",)
    assert read_codes(twice) == ("AB-1",)
    assert set(read_codes(both)) == {"AB-1", "CD-2"} and len(read_codes(both)) == 2


@pytest.mark.parametrize("turn_deg", [37.0, -62.0])
def test_bars_anywhere_in_a_large_picture_are_set_upright(turn_deg: float) -> None:
    sheet = page("SN-778", zxingcpp.BarcodeFormat.Code128, 3, (1500, 2100), (300, 1400))
    centre = (1400 + 120.0, 330.0)
    turn = cv2.getRotationMatrix2D(centre, turn_deg, 1.0)
    turned = cv2.warpAffine(sheet, turn, (2100, 1500), borderValue=235)
    assert read_codes(turned) == ("SN-778",)


def test_a_turned_data_matrix_in_a_large_picture_is_read() -> None:
    sheet = page("DM-31", zxingcpp.BarcodeFormat.DataMatrix, 10, (1500, 2000), (600, 800))
    turned = cv2.warpAffine(sheet, cv2.getRotationMatrix2D((880.0, 680.0), -31.0, 1.0), (2000, 1500), borderValue=235)
    assert read_codes(turned) == ("DM-31",)


PLAN = Site((Camera("A", 0.0, 0.0, 3, 0.0, -10, LENS), Camera("B", 2.0, 2.0, 3, 90.0, -10, LENS),
             Camera("C", 3.0, 0.0, 3, 200.0, -75, LENS), Camera("D", 50.0, 0.0, 3, 350.0, -10, LENS)))


def why(camera: int, *, east: float = NAN, north: float = NAN, stated: float = NAN, looked_deg: float = NAN,
        decision: str = "placed", **more: object) -> tuple[str, ...]:
    arrays = PhotoArrays(*(np.array([v]) for v in (0.0, east, north, stated, np.radians(looked_deg))))
    known = Known((tuple(more.pop("hits", ())),), (None,), np.zeros(1), np.array([-1]),  # type: ignore[call-overload]
                  np.array([bool(more.pop("answered", False))]), np.zeros(1))
    return reasons(PLAN, [photo()], arrays, known, 0, About(camera, decision, **more))  # type: ignore[arg-type]


def test_position_and_direction_are_told_in_metres_and_degrees() -> None:
    assert why(3, east=47.0, north=-4.0, stated=6.4) == ("5.0 m from D (phone accuracy ±6 m)",)
    assert why(3, east=47.0, north=-4.0) == ("5.0 m from D",)
    assert why(-1, east=47.0, north=-4.0, looked_deg=20.0) == ()
    assert why(3, east=50.0, north=-40.0, stated=5.0, looked_deg=7.0) == (
        "40.0 m from D (phone accuracy ±5 m)", "phone pointed 7°; this camera is at 0° from it")
    assert why(3, east=90.0, north=0.0, looked_deg=281.0)[1] == "phone pointed 281°; this camera is at 270° from it"


def test_close_by_it_is_told_where_one_faces_the_camera_and_never_below_one_that_looks_down() -> None:
    assert why(3, looked_deg=181.0) == ("phone pointed 181°; facing this camera means 170°",)
    assert why(3, east=50.0, north=-7.0, stated=5.0, looked_deg=181.0)[1].endswith("facing this camera means 170°")
    assert why(3, east=50.0, north=-8.0, stated=5.0, looked_deg=181.0)[1].endswith("this camera is at 0° from it")
    assert why(3, east=50.0, north=-14.0, looked_deg=181.0)[1].endswith("facing this camera means 170°"), "10 m assumed"
    assert why(2, looked_deg=181.0) == ()


def test_cameras_at_one_place_are_told_where_nothing_decides() -> None:
    near = "A and B are mounted within 3 m of each other"
    assert why(-1, decision="uncertain", rivals=(0, 1)) == (near,)
    assert why(-1, decision="uncertain", rivals=(0, 1, 2)) == (near,), "C hangs 3.0 m from A"
    assert why(-1, decision="uncertain", rivals=(3, 0, 1)) == ()
    assert why(-1, decision="uncertain", rivals=(0,)) == ()
    assert why(-1, decision="placed", rivals=(0, 1)) == ()
    assert why(-1, decision="uncertain", rivals=(0, 3, 3, 3, 1)) == (), "only the four likeliest are looked at"


def test_reasons_come_strongest_first() -> None:
    hit = LabelHit((3,), "D", "camera", "name")
    assert why(3, east=50.0, north=0.0, answered=True, hits=(hit,), copy_of="z.jpg", only_one=True, note="two crews",
               decision="uncertain", rivals=(0, 1)) == (
        "set by hand", "camera D found in the file name", "the same picture as z.jpg", "0.0 m from D",
        "it would be this camera's only photo, and nothing in it names the camera", "A and B are mounted within 3 m of each other",
        "the order of the photos is not used: two crews")


def test_known_cameras_before_and_after_open_the_lists_within_their_stream() -> None:
    """Steps 1 and 4 are known; the list of a step between them begins with both, of a step outside with one."""
    count = 40
    east = 10.0 * np.arange(count)
    plan = SimpleNamespace(size=count, east_m=east, north_m=np.zeros(count),
                           walk_coordinates=np.column_stack([east, np.zeros(count), np.zeros(count)]))
    blank = np.full(8, NAN)
    photos = SimpleNamespace(east_m=blank, north_m=blank)
    cut = np.array([True, False, False, False, False, False, True, False])
    sure = np.array([-1, 5, -1, -1, 30, -1, -1, -1])
    lists = first_lists(plan, photos, np.arange(8), cut, Named(sure, np.full((8, 1), -1)), 8)  # type: ignore[arg-type]
    assert lists[0, 0] == 5 and lists[1, 0] == 5 and lists[4, 0] == 30 and lists[5, 0] == 30
    assert lists[2, :2].tolist() == lists[3, :2].tolist() == [5, 30]
    assert not {5, 30} & set(lists[6].tolist()), "another stream knows nothing of them"
    assert {2, 3, 4, 5, 6} < set(lists[0, :7].tolist()), "cameras round the next known one, and before it in the plan"
    assert {29, 30, 31, 32, 33} < set(lists[5, :7].tolist())
    middle = set(lists[2, :7].tolist())
    assert {6, 29} < middle, "cameras that the plan lists between the two known ones"
    assert lists[6, :7].tolist() == [0, 6, 13, 19, 26, 32, 39], "from all over the plan where nothing is known"


def bars(width: int, height: int, seed: int = 1) -> np.ndarray:
    """Upright bars of two to six pixels, black and white in turn."""
    rng = np.random.default_rng(seed)
    row: list[int] = []
    while len(row) < width:
        row += [0 if len(row) % 2 else 235] * int(rng.integers(2, 7))
    ink = np.cumsum(np.diff(np.array(row[:width]), prepend=235) != 0) % 2
    return np.repeat(np.where(ink, 20, 235).astype(np.uint8)[None], height, axis=0)


@pytest.mark.parametrize(("left", "top", "width", "height"), [(200, 120, 320, 96), (640, 400, 240, 160), (96, 480, 480, 64)])
def test_a_place_of_bars_is_cut_out_where_it_is_with_a_margin(left: int, top: int, width: int, height: int) -> None:
    sheet = np.full((700, 1000), 235, dtype=np.uint8)
    sheet[top : top + height, left : left + width] = bars(width, height)
    cut = next(iter(labels._barred(sheet)))
    wide, high = cut.shape[1], cut.shape[0]
    assert width + 40 <= wide <= width + 160 and height <= high <= height + 96
    crop = sheet[top + height // 2, :]
    middle = cut[high // 2, :].astype(int)
    at = left + width / 2 - wide / 2
    best = min(np.abs(middle[60:-60] - crop[round(at) + shift + 60 : round(at) + shift + wide - 60].astype(int)).mean()
               for shift in range(-9, 10))
    assert best < 25, "the bars lie in the middle of the cut, as they were"
    rows = np.abs(np.diff(cut[high // 2 - height // 4 : high // 2 + height // 4].astype(int), axis=0))
    assert rows.mean() < 1.0, "bars stand upright"


def test_turned_bars_are_set_upright_whichever_way_they_lean() -> None:
    for turn_deg in (0.0, 25.0, 60.0, 90.0, 120.0, 155.0):
        sheet = np.full((900, 900), 235, dtype=np.uint8)
        sheet[400:500, 290:610] = bars(320, 100)
        turn = cv2.getRotationMatrix2D((449.5, 449.5), turn_deg, 1.0)
        cut = next(iter(labels._barred(cv2.warpAffine(sheet, turn, (900, 900), borderValue=235))))
        high = cut.shape[0]
        inner = cut[high // 2 - 20 : high // 2 + 20].astype(int)
        assert np.abs(np.diff(inner, axis=0)).mean() < 4.0 < np.abs(np.diff(inner, axis=1)).mean()
        assert cut.shape[1] > 320 + 40


def test_the_strongest_places_come_first_and_no_more_than_four() -> None:
    sheet = np.full((1200, 1000), 235, dtype=np.uint8)
    for k in range(6):
        sheet[40 + 190 * k : 120 + 190 * k, 100 : 200 + 90 * k] = bars(100 + 90 * k, 80)
    places = [*labels._barred(sheet)]
    assert len(places) == 4
    widths = [place.shape[1] for place in places]
    assert widths == sorted(widths, reverse=True) and widths[0] > 550


@pytest.mark.parametrize("sheet", [
    np.full((400, 400), 128, dtype=np.uint8), np.random.default_rng(0).integers(0, 255, (400, 400), dtype=np.uint8),
    np.tile(((np.indices((8, 8)) // 4).sum(axis=0) % 2 * 200).astype(np.uint8), (50, 50)),
    np.full((20, 400), 0, dtype=np.uint8), np.tile(np.uint8([0, 6, 0, 6]), (400, 100))])
def test_no_place_of_bars_in_plain_noisy_chequered_tiny_and_faint_pictures(sheet: np.ndarray) -> None:
    assert [*labels._barred(sheet)] == []


def test_one_kind_of_code_is_read_alone_where_one_is_asked_for() -> None:
    square = page("AB-1", zxingcpp.BarcodeFormat.QRCode, 4, (300, 300), (60, 60))
    assert labels._read(square) == ["AB-1"]
    assert labels._read(square, zxingcpp.BarcodeFormat.AllLinear) == []
    assert labels._read(square, zxingcpp.BarcodeFormat.QRCode) == ["AB-1"]
    assert labels._read(page(" AB ", zxingcpp.BarcodeFormat.QRCode, 4, (300, 300), (60, 60))) == ["AB"]


def test_a_turned_picture_holds_its_whole_self() -> None:
    sheet = np.full((100, 300), 200, dtype=np.uint8)
    sheet[:4], sheet[-4:], sheet[:, :4], sheet[:, -4:] = 10, 10, 10, 10
    for turn_deg, size in ((90.0, (300, 100)), (30.0, (236, 309)), (-30.0, (236, 309)), (0.0, (100, 300))):
        turned = labels._turned(sheet, turn_deg)
        assert turned.shape == pytest.approx(size, abs=2)
        height, width = turned.shape
        assert turned[height // 2, width // 2] == 200
    quarter = labels._turned(np.repeat(np.uint8([[0, 80, 160, 240]]), 4, axis=0), 90.0)
    assert quarter[:, 2].tolist() == sorted(quarter[:, 2].tolist(), reverse=True), "counter-clockwise"
