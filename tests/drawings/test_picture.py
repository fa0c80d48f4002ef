"""Drawings as files: what is opened, and what is refused with a sentence that names the file."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image, ImageDraw, TiffImagePlugin

from audit.drawings import picture
from audit.drawings.picture import open_drawing
from audit.errors import AuditError

ezdxf = pytest.importorskip("ezdxf")
pypdfium2 = pytest.importorskip("pypdfium2")


def plan_picture(kind: str = "PNG", size: tuple[int, int] = (800, 600), **how: object) -> bytes:
    image = Image.new("RGB", size, "white")
    ImageDraw.Draw(image).rectangle((40, 40, size[0] - 40, size[1] - 40), outline="black", width=4)
    out = io.BytesIO()
    image.save(out, kind, **how)
    return out.getvalue()


def dxf_of(document: object) -> bytes:
    out = io.StringIO()
    document.write(out)
    return out.getvalue().encode()


def floor_dxf(unit: int = 6) -> bytes:
    """A hall of 40 by 25 drawing units with a circle in it."""
    document = ezdxf.new(units=unit)
    model = document.modelspace()
    model.add_lwpolyline([(0, 0), (40, 0), (40, 25), (0, 25)], close=True)
    model.add_circle((10, 10), 3)
    model.add_text("HALL", height=2).set_placement((15, 12))
    return dxf_of(document)


def pdf_of(pages: int = 1, script: str | None = None, password: str | None = None) -> bytes:
    from fpdf import FPDF

    document = FPDF(unit="mm", format="A3")
    for number in range(pages):
        document.add_page()
        document.rect(20, 20, 200 - 20 * number, 150)
    data = bytes(document.output())
    if script is None and password is None:
        return data
    from pypdf import PdfReader, PdfWriter
    from pypdf.generic import DictionaryObject, NameObject, TextStringObject

    writer = PdfWriter(PdfReader(io.BytesIO(data)))
    if script is not None:
        action = {NameObject("/S"): NameObject("/JavaScript"), NameObject("/JS"): TextStringObject(script)}
        writer._root_object[NameObject("/OpenAction")] = DictionaryObject(action)
    if password is not None:
        writer.encrypt(password, algorithm="AES-256")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def png_of_size(width: int, height: int) -> bytes:
    """A picture of nothing, as large as it says, in a few bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    packer = zlib.compressobj(9)
    row = b"\0" * (1 + width // 8)
    packed = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_a_picture_keeps_its_size_and_becomes_small_enough_to_show(kind: str) -> None:
    small = open_drawing(plan_picture(kind), "floor")
    assert (small.width_px, small.height_px, small.reference) == (800, 600, None)
    large = open_drawing(plan_picture(kind, (6000, 3000)), "floor")
    assert (large.width_px, large.height_px) == (6000, 3000)
    with Image.open(io.BytesIO(large.data)) as shown:
        assert max(shown.size) == picture.MAX_SIDE_PX and shown.size[1] == 2000


def test_a_large_scan_of_lines_is_opened() -> None:
    """An A0 sheet at 300 dots an inch, black and white."""
    opened = open_drawing(png_of_size(9928, 14040), "scan.png")
    assert (opened.width_px, opened.height_px) == (9928, 14040)


def test_transparent_ground_is_white() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (100, 80), (0, 0, 0, 0)).save(out, "PNG")
    with Image.open(io.BytesIO(open_drawing(out.getvalue(), "a.png").data)) as shown:
        assert shown.convert("RGB").getpixel((50, 40)) == (255, 255, 255)


def test_a_geotiff_tells_its_place() -> None:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    for tag, kind, values in (
        (33550, 12, (0.2, 0.2, 0.0)), (33922, 12, (0.0, 0.0, 0.0, 500000.0, 5200000.0, 0.0)),
        (34735, 3, (1, 1, 0, 2, 1025, 0, 1, 1, 3072, 0, 1, 32632)),
    ):  # fmt: skip
        tags.tagtype[tag] = kind
        tags[tag] = values
    found = open_drawing(plan_picture("TIFF", tiffinfo=tags), "aerial.tif").reference
    assert found is not None and found.grid == "EPSG:32632"
    assert found.matrix == pytest.approx((0.2, 0, 500000.1, 0, -0.2, 5199999.9))


def test_a_page_of_a_pdf_without_its_scripts() -> None:
    """Scripts are not run: the renderer is built without an engine for them, and forms are not opened."""
    plain = open_drawing(pdf_of(), "floor.pdf")
    assert max(plain.width_px, plain.height_px) == picture.MAX_SIDE_PX and plain.pages == 1
    scripted = open_drawing(pdf_of(script="while (true) { app.alert('x'); }"), "floor.pdf")
    assert scripted.data == plain.data
    assert "V8" not in pypdfium2.PDFIUM_INFO.flags
    assert open_drawing(pdf_of(2), "floor.pdf", page=2).data != plain.data


def test_a_dxf_is_drawn_with_its_own_coordinates() -> None:
    opened = open_drawing(floor_dxf(), "floor.dxf")
    assert opened.reference is not None and opened.reference.grid == ""
    a, _, c, _, e, f = opened.reference.matrix
    with Image.open(io.BytesIO(opened.data)) as shown:
        grey = shown.convert("L")
        dark = [x for x in range(shown.width) if grey.getpixel((x, shown.height // 2)) < 128]
        low = [y for y in range(shown.height) if grey.getpixel((shown.width // 2, y)) < 128]
    assert (a * min(dark) + c, a * max(dark) + c) == pytest.approx((0.0, 40.0), abs=0.03)
    assert (e * max(low) + f, e * min(low) + f) == pytest.approx((0.0, 25.0), abs=0.03)


def test_units_of_a_dxf(tmp_path: Path) -> None:
    """$INSUNITS 4 is millimetres (ezdxf's own table of units)."""
    metres = open_drawing(floor_dxf(6), "floor.dxf").reference
    millimetres = open_drawing(floor_dxf(4), "floor.dxf").reference
    assert metres is not None and millimetres is not None
    assert millimetres.matrix[0] == pytest.approx(metres.matrix[0] / 1000)
    assert open_drawing(floor_dxf(0), "floor.dxf").reference is None
    assert open_drawing(floor_dxf(0), "floor.dxf", metres_per_unit=0.001).reference == millimetres


def test_a_forgotten_thing_far_off_does_not_make_a_dxf_a_dot() -> None:
    document = ezdxf.new(units=6)
    for n in range(300):
        document.modelspace().add_line((5000 + n % 30, 100), (5000 + n % 30, 130))
    document.modelspace().add_point((0, 0))
    opened = open_drawing(dxf_of(document), "floor.dxf")
    assert opened.reference is not None and opened.reference.matrix[0] * opened.width_px < 40


def test_geographic_data_of_a_dxf_names_its_grid() -> None:
    """A GEODATA object as ezdxf's own documentation sets one up for EPSG:3395."""
    made = ezdxf.new("R2010", units=6)
    model = made.modelspace()
    model.add_lwpolyline([(0, 0), (40, 0), (40, 25), (0, 25)], close=True)
    geodata = model.new_geodata()
    geodata.setup_local_grid(design_point=(0, 0), reference_point=(1718030, 5921664))
    found = open_drawing(dxf_of(made), "floor.dxf").reference
    assert found is not None and found.grid == "EPSG:3395"
    a, _, c, _, _, f = found.matrix
    assert a * 0 + c == pytest.approx(1718030 - 0.8, abs=0.1) and f == pytest.approx(5921664 + 25.8, abs=0.1)


def bomb() -> bytes:
    """Blocks that hold blocks: 2 to the 40th lines."""
    document = ezdxf.new(units=6)
    for level in range(10):
        block = document.blocks.new(f"B{level}")
        for n in range(16):
            if level:
                block.add_blockref(f"B{level - 1}", (n, 0))
            else:
                block.add_line((0, 0), (1, n))
    document.modelspace().add_blockref("B9", (0, 0))
    return dxf_of(document)


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("large.png", lambda: png_of_size(20_000, 10_000), "20,000 × 10,000 pixels, more than the 150 million"),
        ("bomb.dxf", bomb, "blocks hold blocks over and over"),
        ("cut.dxf", lambda: floor_dxf()[:900], "the drawing is damaged|model is empty"),
        ("empty.dxf", lambda: dxf_of(ezdxf.new()), "model is empty"),
        ("cut.png", lambda: plan_picture()[:400], "damaged"),
        ("cut.tif", lambda: plan_picture("TIFF")[:400], "damaged"),
        ("cut.pdf", lambda: pdf_of()[:200], "the PDF is damaged"),
        ("locked.pdf", lambda: pdf_of(password="x"), "locked with a password"),
        ("closed.dwg", lambda: b"AC1032" + b"\0" * 100, "closed format"),
        ("notes.txt", lambda: b"hello", "a drawing is a PNG, JPEG, TIFF, PDF or DXF"),
        ("empty.png", lambda: b"", "a drawing is a PNG"),
    ],
)
def test_bad_files_get_one_sentence(name: str, data: object, words: str) -> None:
    with pytest.raises(AuditError, match=words) as refused:
        open_drawing(data(), name)
    assert refused.value.message.startswith(f"{name}: ") and refused.value.message.count("\n") == 0


def test_a_page_that_is_not_there_is_named() -> None:
    with pytest.raises(AuditError, match=r"floor\.pdf: the PDF has 1 page, no page 7"):
        open_drawing(pdf_of(), "floor.pdf", page=7)


def test_heights_are_no_picture() -> None:
    out = io.BytesIO()
    Image.new("F", (50, 50)).save(out, "TIFF")
    with pytest.raises(AuditError, match="heights or measurements"):
        open_drawing(out.getvalue(), "dem.tif")


def test_a_large_file_is_refused_before_it_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picture, "MAX_BYTES", 1000)
    with pytest.raises(AuditError, match="larger than"):
        open_drawing(plan_picture("TIFF"), "a.tif")


def test_without_the_extra_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picture, "has", lambda extra: False)
    with pytest.raises(AuditError, match=r"pip install 'photo-audit\[drawings\]'"):
        open_drawing(floor_dxf(), "a.dxf")
    assert open_drawing(plan_picture(), "a.png").width_px == 800
