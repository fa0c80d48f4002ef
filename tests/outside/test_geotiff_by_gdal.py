"""GeoTIFFs as GDAL writes them (Debian's gdal-bin): a pixel's place by our keys and by gdaltransform."""

from __future__ import annotations

import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from audit.drawings.picture import open_drawing

pytestmark = pytest.mark.skipif(shutil.which("gdal_translate") is None, reason="Debian's gdal-bin isn't installed")
WIDE, HIGH = 300, 200


def place_by_gdal(path: Path, column: float, row: float) -> tuple[float, float]:
    """Of a pixel's middle; gdaltransform counts from the upper left corner."""
    done = subprocess.run(["gdaltransform", path], input=f"{column + 0.5} {row + 0.5}\n", capture_output=True, text=True, check=True)
    east, north, *_ = done.stdout.split()
    return float(east), float(north)


@pytest.mark.parametrize(
    ("epsg", "corners", "how"),
    [
        (25832, (691000.0, 5335000.0, 691060.0, 5334960.0), ()),
        (2056, (2600000.0, 1200000.0, 2600030.0, 1199980.0), ("-co", "COMPRESS=LZW")),
        (4326, (7.43, 46.95, 7.4304, 46.9497), ("-co", "TILED=YES")),
        (25832, (691000.0, 5335000.0, 691060.0, 5334960.0), ("-mo", "AREA_OR_POINT=Point")),
    ],
)
def test_a_geotiff_lies_where_gdal_has_it(epsg: int, corners: tuple[float, ...], how: tuple[str, ...], tmp_path: Path) -> None:
    picture, tiff = tmp_path / "plain.png", tmp_path / "placed.tif"
    out = BytesIO()
    Image.fromarray(np.full((HIGH, WIDE, 3), 200, np.uint8)).save(out, "PNG")
    picture.write_bytes(out.getvalue())
    command = ["gdal_translate", "-q", "-a_srs", f"EPSG:{epsg}", "-a_ullr", *map(str, corners), *how, picture, tiff]
    subprocess.run([str(part) for part in command], check=True, capture_output=True)
    found = open_drawing(tiff.read_bytes(), tiff.name).reference
    assert found is not None and found.grid == f"EPSG:{epsg}"
    a, b, c, d, e, f = found.matrix
    for column, row in ((0, 0), (WIDE - 1, 0), (WIDE / 2, HIGH - 1)):
        assert (a * column + b * row + c, d * column + e * row + f) == pytest.approx(place_by_gdal(tiff, column, row), rel=0, abs=1e-6 if epsg != 4326 else 1e-9)
