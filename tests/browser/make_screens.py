"""Makes the README's pictures of each page.

``python -m tests.browser.make_screens OPEN DEMO [FOLDER]``: OPEN is a logbook in which the demo's commissioning was run and
not signed, DEMO the logbook that ``photo-audit demo`` made. Every picture stays below 250 KB: fewer colours first, then
fewer pixels.
"""

from __future__ import annotations

import sys
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.browser.desk_server import ARGUMENTS, CHROMIUM, SIZES, served

MOST_BYTES = 250_000
OF_OPEN = ("review", "exchanged", "place", "site", "bring_in")
SHOTS = (
    ("review", "?visit=1", "desk"),
    ("movement", "?visit=2&camera=TH-16", "desk"),
    ("exchanged", "?visit=1&camera=TH-07", "desk"),
    ("place", "place?visit=1", "desk"),
    ("site", "site?visit=1", "desk"),
    ("over_time", "over_time?visit=2&camera=TH-16", "desk"),
    ("sign", "sign?visit=2", "desk"),
    ("plan", "plan?visit=2", "desk"),
    ("bring_in", "bring_in?visit=1", "phone"),
)


def small_png(data: bytes) -> bytes:
    """The picture as PNG below the limit: fewer colours first, then fewer pixels."""
    picture = Image.open(BytesIO(data)).convert("RGB")
    for width, colours in ((picture.width, 256), (1200, 256), (1100, 192), (1000, 128), (900, 96), (800, 64)):
        scaled = picture.resize((width, round(picture.height * width / picture.width)), Image.Resampling.LANCZOS) \
            if width < picture.width else picture  # fmt: skip
        out = BytesIO()
        scaled.quantize(colours, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
        if out.tell() <= MOST_BYTES:
            break
    return out.getvalue()


def main(opened: Path, demo: Path, folder: Path) -> None:
    """Serve, look, keep."""
    folder.mkdir(parents=True, exist_ok=True)
    with served(opened) as of_open, served(demo) as of_demo, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        for name, query, size in SHOTS:
            page = browser.new_page(viewport=SIZES[size])
            page.goto(f"{of_open if name in OF_OPEN else of_demo}/{query}")
            page.wait_for_selector(".counts")
            page.wait_for_timeout(1500)
            page.wait_for_function("document.querySelector('.stApp').dataset.testScriptState !== 'running'")
            page.wait_for_timeout(1500)
            data = small_png(page.screenshot())
            (folder / f"{name}.png").write_bytes(data)
            print(f"{name}.png {len(data) / 1000:.0f} KB")
            page.close()
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3] if len(sys.argv) > 3 else "docs/screens"))
