"""A small made-up site with real photographs on its cameras, judged by hand, for tests of desk and report."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image

from audit.judge.finding import Finding, Remedy, Verdict
from audit.judge.limits import load_limits, planned_lens
from audit.logbook import Logbook, VisitRecord
from audit.match.placement import Alternative, Placement
from audit.measure.image import METHOD, measurement_method
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, Sky, ViewChange
from audit.measure.record import change_to_record, measurement_to_record
from audit.photos.photo import Metadata, Photo
from audit.plan.files import read_plan
from audit.plan.model import Camera, Site

WIDTH_PX, HEIGHT_PX = 640, 360
Picture = Callable[[int, bool], bytes]
HOSTILE_NAME = "<script>alert(1)</script> =cmd|' /C calc'!A0 ![x](https://example.invalid/x.png)"
FIRST_DAY, SECOND_DAY = date(2026, 6, 16), date(2026, 12, 16)
CAUTION = "Working at height: use the site's own access rules."
_HEADER = (
    "camera,name,latitude,longitude,floor,height_m,bearing_deg,pitch_deg,hfov_deg,image_width_px,image_height_px,form,"
    "surface,setting,mount,serial,night,purpose,target_east_m,target_north_m,target_up_m\n"
)


def write_plan_of(path: Path, cameras: int = 6) -> Path:
    """A plan of so many cameras in a row; the fourth has a hostile name."""
    lines = []
    for n in range(1, cameras + 1):
        name = HOSTILE_NAME if n == 4 else ("Größe Łódź 停車場 " * 4 if n == 5 else f"Place {n}")
        lines.append(
            f'C-{n},"{name}",{46.5 + n * 0.0001:.6f},-18.0,{"upper" if n == 6 else ""},3.0,{(n * 40) % 360},-15,56,'
            f"{WIDTH_PX},{HEIGHT_PX},bullet,pole,outdoor,mast > pole adapter > junction box,SN{n:04d},infrared,recognise,"
            f"1.71,{n * 11 + 4.7:.2f},1.6\n"
        )
    path.write_text(_HEADER + "".join(lines), encoding="utf-8")
    return path


@cache
def photograph(number: int = 0, night: bool = False) -> bytes:
    """A real photograph (scikit-image's samples: coffee and chelsea CC0, rocket and astronaut public domain)."""
    sources = (skimage.data.coffee, skimage.data.rocket, skimage.data.chelsea, skimage.data.astronaut)
    picture: NDArray[np.uint8] = sources[number % len(sources)]()
    height = round(picture.shape[1] * HEIGHT_PX / WIDTH_PX)
    top = max(0, (picture.shape[0] - height) // 2)
    size = (WIDTH_PX, HEIGHT_PX)
    picture = np.asarray(cv2.resize(picture[top : top + height], size, interpolation=cv2.INTER_AREA), np.uint8)
    if night:
        picture = np.repeat((picture.mean(axis=2, keepdims=True) * 0.5).astype(np.uint8), 3, axis=2)
    picture = np.roll(picture, 3 * number, axis=1)
    image = Image.fromarray(picture)
    exif = Image.Exif()
    place = exif.get_ifd(0x8825)
    place.update({1: "N", 2: (46.0, 30.0, 0.0), 3: "W", 4: (18.0, 0.0, 0.0)})
    out = BytesIO()
    image.save(out, "JPEG", quality=88, exif=exif)
    return out.getvalue()


def measured(camera: Camera, pitch_deg: float | None, night: bool = False) -> ImageMeasurement:
    """A measurement as the measuring room would hand it on."""
    orientation = Orientation(0.4, 0.3, pitch_deg, 0.4, None, camera.lens, ("40 upright lines",))
    if pitch_deg is None:
        orientation = Orientation(None, None, None, None, "too little tells which way is up", camera.lens)
    mask = np.zeros((HEIGHT_PX, WIDTH_PX), bool)
    mask[: HEIGHT_PX // 5] = True
    return ImageMeasurement(
        WIDTH_PX, HEIGHT_PX, orientation, Sky(0.2, 0.02, None, mask), Clarity(0.1, "clear", None, 0.7, night), 12.0
    )


def judged_logbook(folder: Path, cameras: int = 6, visits: int = 2, picture: Picture = photograph) -> Logbook:
    """A logbook with judged visits; all but the last are signed. C-1 aims too high, C-2 and C-3 are exchanged."""
    folder.mkdir(parents=True, exist_ok=True)
    plan = write_plan_of(folder / "plan.csv", cameras)
    book = Logbook.create(str(folder / "logbook"), read_plan(plan), plan.name, plan.read_bytes())
    for number in range(visits):
        visit = _visit(book, number, picture)
        if number < visits - 1:
            book.sign(visit, "Ada Example", unprotected=True)
    return book


def _visit(book: Logbook, number: int, picture: Picture) -> VisitRecord:
    on = FIRST_DAY if number == 0 else replace_year(SECOND_DAY, number - 1)
    visit = book.open_visit("commissioning" if number == 0 else "maintenance", on)
    site, limits = book.site(), load_limits()
    placements = []
    with book.writing(visit):
        for n, camera in enumerate(site.cameras):
            method = measurement_method(planned_lens(camera, limits))
            for light in ("day", "night") if n % 2 == 0 else ("day",):
                photo = take_photo(book, visit, f"{camera.camera}_{light}.jpg", n + 7 * number, light == "night", picture)
                pitch = -7.0 if n == 0 and number == 0 else -15.0
                book.put_measurement(photo.sha256, method, measurement_to_record(measured(camera, pitch, light == "night")))
                placements.append(
                    Placement(photo.name, camera.camera, 0.99, "placed", photo.name, role="snapshot", evidence=("its name",))
                )
                if number:
                    _compare(book, camera, visit, photo, light, number)
            if n < 2:
                label = take_photo(book, visit, f"{camera.camera}_label.jpg", n + 20 + 7 * number, False, picture)
                placements.append(Placement(label.name, camera.camera, 0.99, "placed", label.name, role="label"))
        for name, where in (("IMG_0001.jpg", "C-1"), ("=cmd.jpg", "C-2")):
            photo = take_photo(book, visit, name, 30 + len(placements) + 7 * number, False, picture)
            guesses = (Alternative(where, 0.6), Alternative("C-4", 0.3), Alternative(None, 0.1))
            placements.append(Placement(name, None, 0.6, "uncertain", name, guesses, evidence=("near it",)))
        book.add_refusal(visit, "<b>notes</b>.txt", "not an image", "<b>notes</b>.txt: this is not a photo; leave it out.")
        book.put_placements(visit, placements)
        book.put_verdicts(visit, [verdict_of(site, n, number) for n in range(len(site.cameras))])
    return visit


def replace_year(day: date, years: int) -> date:
    """The same day so many years on."""
    return day.replace(year=day.year + years)


def take_photo(book: Logbook, visit: VisitRecord, name: str, number: int, night: bool, picture: Picture) -> Photo:
    data = picture(number, night)
    data = data + f"{visit.number} {name}".encode()
    photo = Photo(
        name, hashlib.sha256(data).hexdigest(), len(data), "JPEG", WIDTH_PX, HEIGHT_PX,
        Metadata(taken_at=datetime(2026, 6, 16, 10, tzinfo=UTC), latitude=46.5, longitude=-18.0),
    )  # fmt: skip
    return book.add_photo(visit, photo, data, preview=data)


def _compare(book: Logbook, camera: Camera, visit: VisitRecord, photo: Photo, light: str, number: int) -> None:
    reference = next((r for r in book.referenced(visit, camera.camera) if r.channel == light), None)
    if reference is not None:
        change = ViewChange(0.99, 0.2, 0.1, 0.1, 0.1, 0.0, 0.1, 1.0 - 0.08 * number, 0.02, 1.0, 0.0, 0.0, 0.1, "clear")
        book.put_comparison(reference.sha256, photo.sha256, METHOD, change_to_record(change))


def verdict_of(site: Site, n: int, visit: int) -> Verdict:
    """The verdict on the n-th camera."""
    camera = site.cameras[n]
    name = camera.camera
    passed = Finding(name, "cleanliness", "as planned", "Nothing on the glass by day.", 0.1, None, None, 0.6, "probability")
    unseen = Finding(name, "photos", "not verified", "Missing shots: overview with surroundings.")
    snapshot = f"{name}_day.jpg"
    if n == 0 and visit == 0:
        tip = Remedy("Tip down 8.0° ± 0.8°.", "The cone stands on the lower edge.", ("tilt bracket",), (CAUTION,), tip_deg=-8.0)
        aim = Finding(name, "aim", "defect", "Looks 8.0° too high.", -7.0, 0.4, -15.0, 5.0, "deg", 0.99, tip, snapshot,
                      evidence={"cues": ["40 upright lines"]})  # fmt: skip
        sky = Finding(name, "sky", "to check", "30% ± 4% of the picture is open sky.", 0.3, 0.02, 0.05, 0.15, "share", 0.9,
                      replace(tip, action="Follows from the aim."), snapshot)  # fmt: skip
        return Verdict(name, "defect", (aim, sky, unseen, passed), (snapshot,))
    if n in (1, 2) and visit == 0 and len(site.cameras) > 2:
        other = site.cameras[3 - n].camera
        swap = Finding(name, "aim", "defect", f"The pictures of {name} and {other} lie on each other's record.",
                       probability_bad=0.99, remedy=Remedy("Exchange the names.", cautions=(CAUTION,)), photo=snapshot,
                       pair=other, shared=(site.cameras[1].camera, site.cameras[2].camera))  # fmt: skip
        return Verdict(name, "defect", (swap, unseen, passed), (snapshot,))
    if n == 3:
        dirty = replace(passed, state="to check", why="The picture looks spoilt: haze.", measured=0.7, probability_bad=0.7,
                        remedy=Remedy("Take a close-up of the cover; clean it.", cautions=(CAUTION,)), photo=snapshot)  # fmt: skip
        return Verdict(name, "to check", (dirty, unseen), (snapshot,))
    return Verdict(name, "as planned", (passed, unseen), (snapshot,))

