"""A drawing's file to one picture of it, opened in a process of its own with limits on memory and time.

PNG, JPEG and TIFF are decoded and made smaller; a page of a PDF is rendered without its scripts and forms; a DXF is drawn.
What a file says of its own place comes with it.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, cast

from audit.drawings.georeference import Georeference, geotiff
from audit.drawings.placing import Matrix
from audit.errors import AuditError
from audit.extras import has, how_to_get
from audit.photos.guard import Guard, GuardFailure

__all__ = ["KINDS", "MAX_BYTES", "MAX_SIDE_PX", "Opened", "hold_size", "open_drawing", "render"]

#: Endings of the files that are taken.
KINDS = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".pdf", ".dxf")
#: Longest side of the picture that is kept: an A1 sheet at 120 dots an inch (chosen; larger serves no page).
MAX_SIDE_PX = 4000
#: Largest file, and most pixels, that are opened: an A0 sheet at 300 dots an inch has 140 million.
MAX_BYTES, MAX_PIXELS = 200 * 2**20, 150_000_000
_MEMORY_BYTES, _TIME_S, _WALL_S = 2 << 30, 90.0, 240.0
_JPEG_QUALITY = 88
_GEO_TAGS = (33550, 33922, 34264, 34735)
_MAGIC = {b"\x89PNG": "picture", b"\xff\xd8\xff": "picture", b"II*\0": "picture", b"MM\0*": "picture", b"II+\0": "picture", b"%PDF": "pdf"}


@dataclass(frozen=True, slots=True)
class Opened:
    """A picture of a drawing.

    Attributes
    ----------
    data : bytes
        PNG or JPEG, whichever is smaller.
    width_px, height_px : int
        Of the drawing whose pixels are counted: a picture file's own size, the rendered size of a PDF page or a DXF.
    reference : Georeference or None
    pages : int
        Of the file.
    """

    data: bytes
    width_px: int
    height_px: int
    reference: Georeference | None = None
    pages: int = 1


def hold_size(size: int, name: str) -> None:
    """Refuse a drawing of more than :data:`MAX_BYTES` by one sentence; ``name`` is its file's.

    Raises
    ------
    AuditError
    """
    if size > MAX_BYTES:
        raise AuditError(f"{name}: the drawing is larger than {MAX_BYTES // 2**20} MB; save it smaller, or the site's part alone.")


def open_drawing(data: bytes, name: str, page: int = 1, metres_per_unit: float | None = None) -> Opened:
    """Open a drawing.

    Parameters
    ----------
    name : str
        Its file name, for messages.
    page : int
        Of a PDF, counted from 1.
    metres_per_unit : float or None
        Of a DXF that doesn't tell its unit.

    Raises
    ------
    AuditError
        One sentence that names the file: of another kind, damaged, too large, without such a page, or without the packages that
        read it.
    """
    kind = _kind(data, name)
    hold_size(len(data), name)
    if kind != "picture" and not has("drawings"):
        raise AuditError(f"{name}: opening it needs packages that are not installed; install them with: {how_to_get('drawings')}.")
    guard = Guard(_MEMORY_BYTES, _TIME_S, _WALL_S)
    try:
        options = {"kind": kind, "page": page, "metres_per_unit": metres_per_unit}
        told, picture = guard.call("audit.drawings.picture:render", data, options)
    except GuardFailure as failure:
        raise AuditError(f"{name}: {_FAILURES[failure.kind]}") from failure
    finally:
        guard.close()
    if "refused" in told:
        raise AuditError(f"{name}: {told['refused']}")
    return _opened(told, bytes(picture))


_FAILURES = {
    "timeout": "drawing it takes too long; save it with fewer layers, or as a picture.",
    "memory": "drawing it takes more memory than is given to one file; save it smaller.",
    "died": "the drawing is damaged; export it again.",
}


def _kind(data: bytes, name: str) -> str:
    found = next((kind for start, kind in _MAGIC.items() if data.startswith(start)), None)
    if found is not None:
        return found
    if data[:4] == b"AC10":
        raise AuditError(f"{name}: this is a drawing of a closed format; save it as DXF, PDF or PNG.")
    if PurePath(name).suffix.lower() == ".dxf" and b"SECTION" in data[:4096]:
        return "dxf"
    raise AuditError(f"{name}: a drawing is a PNG, JPEG, TIFF, PDF or DXF (as text) file; export it as one of these.")


def _opened(told: Mapping[str, object], picture: bytes) -> Opened:
    """The answer of the process that opened it, each value checked to be of its kind."""
    matrix = told.get("matrix")
    reference = None
    if isinstance(matrix, list) and len(matrix) == 6:
        values = cast("Matrix", tuple(float(v) for v in matrix))
        reference = Georeference(values, str(told.get("grid") or ""))
    numbers = (told.get("width_px"), told.get("height_px"), told.get("pages", 1))
    width, height, pages = (int(v) if isinstance(v, int) else 0 for v in numbers)
    return Opened(picture, width, height, reference, pages)


def render(data: bytes, options: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
    """What the limited process runs; a sentence under ``refused`` where it can't."""
    try:
        if options["kind"] == "pdf":
            return _pdf(data, int(options["page"]))
        if options["kind"] == "dxf":
            from audit.drawings.dxf import draw_dxf

            picture, told = draw_dxf(data, MAX_SIDE_PX, options["metres_per_unit"])
            return {**told, "width_px": picture.width, "height_px": picture.height}, _encoded(picture)
        return _picture(data)
    except AuditError as error:
        return {"refused": error.message}, b""


def _picture(data: bytes) -> tuple[dict[str, Any], bytes]:
    from PIL import Image, ImageOps

    Image.MAX_IMAGE_PIXELS = None  # the limit below is ours
    try:
        with Image.open(io.BytesIO(data), formats=["PNG", "JPEG", "TIFF"]) as image:
            if image.width * image.height > MAX_PIXELS:
                raise AuditError(
                    f"the drawing has {image.width:,} × {image.height:,} pixels, more than the {MAX_PIXELS // 10**6} million that "
                    f"are opened; save it smaller, or the site's part alone."
                )
            tags = _tags(image)
            turned = image.getexif().get(0x0112, 1) if image.format == "JPEG" else 1
            width, height = image.size
            image.draft("RGB", (MAX_SIDE_PX, MAX_SIDE_PX))
            image.load()
            small = _small(image)
        if turned != 1:
            small.getexif()[0x0112] = turned
            small = ImageOps.exif_transpose(small)
            width, height = (height, width) if turned >= 5 else (width, height)
    except AuditError:
        raise
    except MemoryError:
        raise
    except Exception as error:  # Pillow raises many kinds at a damaged picture
        raise AuditError("the picture is damaged or of a kind that can't be read; export it again.") from error
    reference = geotiff(tags)
    told: dict[str, Any] = {"width_px": width, "height_px": height}
    if reference is not None:
        told |= {"matrix": list(reference.matrix), "grid": reference.grid}
    return told, _encoded(small)


def _tags(image: Any) -> dict[int, tuple[float, ...]]:
    """The tags of a GeoTIFF; none in another picture."""
    found = getattr(image, "tag_v2", {})
    return {tag: tuple(float(v) for v in value) for tag in _GEO_TAGS if isinstance(value := found.get(tag), tuple)}


def _small(image: Any) -> Any:
    """Red, green and blue on white, or grey, at most as large as is kept."""
    from PIL import Image

    if image.mode.startswith(("I", "F")):
        raise AuditError("its pixels are heights or measurements, not colours; export it as a picture.")
    factor = max(1, max(image.size) // (2 * MAX_SIDE_PX))
    if image.mode in ("1", "P", "PA", "CMYK", "YCbCr", "LAB", "HSV"):
        image = image.convert("L" if image.mode == "1" else "RGBA" if "transparency" in image.info or image.mode == "PA" else "RGB")
    if factor > 1:
        image = image.reduce(factor)
    image.thumbnail((MAX_SIDE_PX, MAX_SIDE_PX), Image.Resampling.LANCZOS)
    if image.mode in ("RGBA", "LA"):
        ground = Image.new("RGBA", image.size, "white")
        ground.alpha_composite(image.convert("RGBA"))
        image = ground
    return image if image.mode == "L" else image.convert("RGB")


def _pdf(data: bytes, page: int) -> tuple[dict[str, Any], bytes]:
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(data)
    except pypdfium2.PdfiumError as error:
        locked = "password" in str(error).lower()
        raise AuditError(
            "the PDF is locked with a password; save it without one." if locked else "the PDF is damaged; export it again."
        ) from error
    pages = len(document)
    if not 1 <= page <= pages:
        raise AuditError(f"the PDF has {pages} page{'' if pages == 1 else 's'}, no page {page}; give one of these with --page.")
    try:
        shown = document[page - 1]
        wide, high = shown.get_size()
        if not (wide > 0 and high > 0):
            raise AuditError(f"page {page} of the PDF has no size; export it again.")
        bitmap = shown.render(scale=MAX_SIDE_PX / max(wide, high), may_draw_forms=False)
        picture = bitmap.to_pil().convert("RGB")
    except pypdfium2.PdfiumError as error:
        raise AuditError(f"page {page} of the PDF is damaged; export it again.") from error
    return {"width_px": picture.width, "height_px": picture.height, "pages": pages}, _encoded(picture)


def _encoded(picture: Any) -> bytes:
    """PNG where lines make it small, else JPEG; nothing of the file's own data goes with it."""
    from PIL import Image

    bare = Image.new(picture.mode, picture.size)
    bare.paste(picture)
    best = b""
    for form, how in (("PNG", {"compress_level": 6}), ("JPEG", {"quality": _JPEG_QUALITY})):
        out = io.BytesIO()
        bare.save(out, form, **how)
        if not best or len(out.getvalue()) < len(best):
            best = out.getvalue()
    return best
