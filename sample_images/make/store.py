"""Store finished pictures as a recorder and two phones would: names, EXIF, formats, and a few awkward files; write truth.json.

    python store.py FINISHED_FOLDER [SAMPLE_IMAGES_FOLDER]

The phones' positions err together along the walk, their compasses err by some degrees, one phone is an hour fast.
"""

from __future__ import annotations

import argparse
import io
import json
import math
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import piexif
import pillow_heif
import visits
from PIL import Image

__all__ = ["main"]

CHECKS = {"F1": ["aim", "target"], "F2": ["level"], "F3": ["identity"], "F4": ["cleanliness"], "F5": ["night", "cleanliness", "mounting"], "F6": ["aim", "sky", "mounting"],
          "F7": ["focus"], "F8": ["movement"], "F9": ["obstruction"], "F10": ["pan", "target"]}
WHAT = {"F1": "aimed 8 degrees too high", "F2": "rolled 6 degrees, the band on the mast slipped", "F3": "the pair TH-07 and TH-08 is swapped",
        "F4": "protective film left on the bubble", "F5": "dome screwed flat to the wall, L-bracket missing; dried water glows at night",
        "F6": "tilt adapter missing, axis level", "F7": "out of focus over the whole frame", "F8": "wood post turned: bearing +4, pitch +2 against the signed reference",
        "F9": "bean frame and creeper cover the lower left third",
        "F10": "panned 25 degrees to the right after the crew's photos, the crossing is out of the picture"}
DECOY_WHAT = {"D1": "morning fog over the pond, clean cover", "D2": "bank slopes across the view, mast upright", "D3": "ridge and trees above the true horizon",
              "D4": "indoor, horizon not measurable", "D5": "looks straight down, no sky", "D6": "hall dark at night by plan, cases lit", "D7": "pitch 3 degrees lower than plan, agreed change"}
LAT0, LON0 = 46.5, -18.0


def _degrees(east: float, north: float) -> tuple[float, float]:
    """Latitude and longitude of local metres on the WGS 84 ellipsoid, near the origin."""
    a, e2 = 6378137.0, 0.00669437999014
    s = math.sin(math.radians(LAT0))
    w = math.sqrt(1 - e2 * s * s)
    return LAT0 + math.degrees(north * w**3 / (a * (1 - e2))), LON0 + math.degrees(east * w / (a * math.cos(math.radians(LAT0))))


def _ratio(value: float, limit: int = 10000) -> tuple[int, int]:
    f = Fraction(value).limit_denominator(limit)
    return f.numerator, f.denominator


def _dms(value: float) -> tuple[tuple[int, int], ...]:
    value = abs(value)
    d, m = int(value), int(value % 1 * 60)
    return (d, 1), (m, 1), (round((value * 60 - int(value) * 60 - m) * 60 * 10000), 10000)


def _clock(moment: datetime) -> bytes:
    return moment.strftime("%Y:%m:%d %H:%M:%S").encode()


def _snapshot_exif(job: dict[str, Any], moment: datetime) -> bytes:
    zeroth = {piexif.ImageIFD.Make: b"Example", piexif.ImageIFD.Model: b"Fixed camera", piexif.ImageIFD.ImageDescription: job["camera"].encode(),
              piexif.ImageIFD.Orientation: 1, piexif.ImageIFD.DateTime: _clock(moment)}
    exif = {piexif.ExifIFD.DateTimeOriginal: _clock(moment), piexif.ExifIFD.OffsetTimeOriginal: b"+00:00", piexif.ExifIFD.BodySerialNumber: job["serial"].encode(),
            piexif.ExifIFD.PixelXDimension: job["width"], piexif.ExifIFD.PixelYDimension: job["height"], piexif.ExifIFD.ExifVersion: b"0232"}
    return piexif.dump({"0th": zeroth, "Exif": exif, "GPS": {}, "1st": {}, "thumbnail": None})


def _heading(job: dict[str, Any]) -> float:
    right, up, forward = (np.array(a) for a in job["axes"])
    level = forward if abs(forward[2]) < 0.94 else up * -np.sign(forward[2])
    return math.degrees(math.atan2(level[0], level[1])) % 360


def _phone_exif(job: dict[str, Any], moment: datetime, error: np.ndarray, rng: np.random.Generator, orientation: int) -> bytes:
    name = job["camera"]
    second = name in visits.SECOND_PHONE and job["visit"] == "commissioning"
    clock = moment + timedelta(hours=1) if second else moment
    wide = job["hfov_deg"] if job["width"] > job["height"] else 2 * math.degrees(math.atan(math.tan(math.radians(job["hfov_deg"] / 2)) / 0.75))
    model = b"Phone B" if second else b"Phone A"
    zeroth = {piexif.ImageIFD.Make: b"Example", piexif.ImageIFD.Model: model, piexif.ImageIFD.Orientation: orientation, piexif.ImageIFD.DateTime: _clock(clock),
              piexif.ImageIFD.XResolution: (72, 1), piexif.ImageIFD.YResolution: (72, 1), piexif.ImageIFD.ResolutionUnit: 2, piexif.ImageIFD.Software: b"camera 4.2"}
    exif = {piexif.ExifIFD.DateTimeOriginal: _clock(clock), piexif.ExifIFD.DateTimeDigitized: _clock(clock), piexif.ExifIFD.OffsetTime: b"+00:00",
            piexif.ExifIFD.OffsetTimeOriginal: b"+00:00", piexif.ExifIFD.SubSecTimeOriginal: f"{int(rng.integers(0, 1000)):03d}".encode(), piexif.ExifIFD.ExifVersion: b"0232",
            piexif.ExifIFD.FocalLength: (54, 10), piexif.ExifIFD.FocalLengthIn35mmFilm: round(18 / math.tan(math.radians(wide / 2))),
            piexif.ExifIFD.PixelXDimension: max(job["width"], job["height"]), piexif.ExifIFD.PixelYDimension: min(job["width"], job["height"]), piexif.ExifIFD.ColorSpace: 1}
    gps: dict[int, Any] = {}
    if name != "TH-14":
        inside = name in ("TH-04", "TH-05", "TH-06")
        east, north = np.array(job["position"][:2]) + error * (2.2 if inside else 1.0)
        lat, lon = _degrees(float(east), float(north))
        towards = _heading(job) + rng.normal(0, 5.0)
        reference = b"T"
        if name == "TH-15":
            towards += 60.0
        if second:
            towards, reference = towards - visits.DECLINATION_DEG, b"M"
        if name == "TH-10" and job["role"] == "overview":
            towards, reference = 314.66, b"M"
        gps = {piexif.GPSIFD.GPSVersionID: (2, 3, 0, 0), piexif.GPSIFD.GPSLatitudeRef: b"N" if lat >= 0 else b"S", piexif.GPSIFD.GPSLatitude: _dms(lat),
               piexif.GPSIFD.GPSLongitudeRef: b"W" if lon < 0 else b"E", piexif.GPSIFD.GPSLongitude: _dms(lon), piexif.GPSIFD.GPSAltitudeRef: 0,
               piexif.GPSIFD.GPSAltitude: _ratio(round(2.6 + rng.normal(0, 1.5) + 3, 1)), piexif.GPSIFD.GPSTimeStamp: ((moment.hour, 1), (moment.minute, 1), (moment.second, 1)),
               piexif.GPSIFD.GPSDateStamp: moment.strftime("%Y:%m:%d").encode(), piexif.GPSIFD.GPSImgDirectionRef: reference,
               piexif.GPSIFD.GPSImgDirection: (round(towards % 360 * 100), 100), piexif.GPSIFD.GPSHPositioningError: _ratio(round(float((11.0 if inside else 4.6) + abs(rng.normal(0, 1.2))), 1)),
               piexif.GPSIFD.GPSMapDatum: b"WGS-84"}
    return piexif.dump({"0th": zeroth, "Exif": exif, "GPS": gps, "1st": {}, "thumbnail": None})


def _with_exif(jpeg: bytes, exif: bytes) -> bytes:
    out = io.BytesIO()
    piexif.insert(exif, jpeg, out)
    return out.getvalue()


def _jpeg(picture: Image.Image, quality: int) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()


def _store_phone(job: dict[str, Any], picture: bytes, folder: Path, error: np.ndarray, index: int) -> list[dict[str, Any]]:
    rng = np.random.default_rng(3000 + index)
    moment = datetime.fromisoformat(job["when"])
    name, role = job["camera"], job["role"]
    second = name in visits.SECOND_PHONE and job["visit"] == "commissioning"
    clock = moment + timedelta(hours=1) if second else moment
    stem = f"{'P' if second else 'IMG'}_{clock:%Y%m%d_%H%M%S}"
    orientation = 6 if job["width"] < job["height"] else 1
    if orientation == 6:
        turned = Image.open(io.BytesIO(picture)).transpose(Image.Transpose.ROTATE_90)
        picture = _jpeg(turned, 82)
    exif = _phone_exif(job, moment, error, rng, orientation)
    tagged = _with_exif(picture, exif)
    fact = {"camera": name or None, "role": role, "expected": "stray" if role == "stray" else "placed", "taken_at": job["when"], "awkward": None}
    commissioning = job["visit"] == "commissioning"
    if role == "label":
        worn = visits.states(job["visit"])[name].label
        if worn != name:
            fact.update(camera=worn, camera_accepted=sorted((worn, name)), awkward="label changed over: the serial names the other camera of the pair")
        if name == "TH-06":
            fact["awkward"] = "label half unreadable"
    if not commissioning:
        (folder / f"{stem}.jpg").write_bytes(tagged)
        return [{"photo": f"{stem}.jpg", **fact}]
    special = {("TH-02", "overview"): "EXIF orientation 6", ("TH-10", "overview"): "direction with reference M, 314.66 magnetic is 310.00 true"}
    fact["awkward"] = special.get((name, role), fact["awkward"])
    if second:
        fact["awkward"] = "this phone's clock is one hour fast" + {"TH-14": "; no GPS indoors", "TH-15": "; compass 60 degrees off beside a steel door"}.get(name, "")
    if (name, role) == ("TH-22", "overview"):
        small = Image.open(io.BytesIO(picture)).transpose(Image.Transpose.ROTATE_270)
        small.thumbnail((1024, 1024), Image.Resampling.LANCZOS)
        file = f"chat_{moment:%Y-%m-%d}_0041.jpg"
        (folder / file).write_bytes(_jpeg(small, 62))
        return [{"photo": file, **fact, "awkward": "chat copy without EXIF, made smaller"}]
    if (name, role) == ("TH-12", "mount"):
        upright = Image.open(io.BytesIO(picture)).transpose(Image.Transpose.ROTATE_270)
        heif = pillow_heif.from_pillow(upright)
        plain = piexif.load(exif)
        plain["0th"][piexif.ImageIFD.Orientation] = 1
        plain["Exif"][piexif.ExifIFD.PixelXDimension], plain["Exif"][piexif.ExifIFD.PixelYDimension] = upright.size
        heif.save(folder / f"{stem}.HEIC", quality=60, exif=piexif.dump(plain))
        return [{"photo": f"{stem}.HEIC", **fact, "awkward": "real HEIC"}]
    if (name, role) == ("TH-19", "overview"):
        (folder / f"{stem}.HEIC").write_bytes(tagged)
        return [{"photo": f"{stem}.HEIC", **fact, "awkward": "named HEIC but holds a JPEG"}]
    (folder / f"{stem}.jpg").write_bytes(tagged)
    out = [{"photo": f"{stem}.jpg", **fact}]
    if (name, role) == ("TH-05", "overview"):
        later = {**job, "when": (moment + timedelta(seconds=3)).isoformat()}
        twin = Image.open(io.BytesIO(picture))
        twin = twin.crop((5, 4, twin.width - 3, twin.height - 2)).resize(twin.size, Image.Resampling.BICUBIC)
        file = f"IMG_{moment + timedelta(seconds=3):%Y%m%d_%H%M%S}.jpg"
        (folder / file).write_bytes(_with_exif(_jpeg(twin, 78), _phone_exif(later, moment + timedelta(seconds=3), error, rng, 1)))
        out[0]["awkward"] = "first of two near-identical photos"
        out.append({"photo": file, **fact, "taken_at": later["when"], "awkward": "second of two near-identical photos"})
    if (name, role) == ("TH-21", "overview"):
        file = f"IMG_{moment + timedelta(seconds=9):%Y%m%d_%H%M%S}.jpg"
        (folder / file).write_bytes(tagged[: int(len(tagged) * 0.45)])
        out.append({"photo": file, **fact, "expected": "refused", "awkward": "truncated: the copy broke off"})
    return out


def _camera_truth(visit: str, skies: dict[str, float]) -> dict[str, Any]:
    out = {}
    for name, state in visits.states(visit).items():
        decoy = visits.DECOYS.get(name)
        if visit == "maintenance" and decoy in ("D1",):
            decoy = None
        swapped = {"TH-07": "TH-08", "TH-08": "TH-07"}.get(name) if state.fault == "F3" else None
        shown = visits.states(visit)[swapped] if swapped else state
        out[name] = {
            "bearing_deg": round(shown.bearing_deg, 2), "pitch_deg": round(shown.pitch_deg, 2), "roll_deg": round(shown.roll_deg, 2),
            "sky_fraction": {k: v for k, v in skies.items() if k.startswith(name + "_")},
            "shows_view_of": swapped or name, "fault": state.fault, "what": WHAT.get(state.fault or ""), "expected_checks": CHECKS.get(state.fault or "", []),
            "pair": sorted((name, swapped)) if swapped else None, "decoy": decoy, "decoy_is": DECOY_WHAT.get(decoy or ""),
            "horizon": "not measurable" if name in ("TH-03", "TH-04", "TH-05", "TH-14") else "measurable",
            "night": "not checked" if (visit, name) == ("commissioning", "TH-23") else "checked",
        }
    return out


def main() -> None:
    """Store every finished picture and write truth.json beside the visits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("finished", type=Path)
    parser.add_argument("out", type=Path, nargs="?", default=Path(__file__).parent.parent)
    args = parser.parse_args()
    truth: dict[str, Any] = {"conventions": "angles in degrees; bearing from true north; pitch + up; roll + clockwise seen from behind", "visits": {}}
    for visit in visits.VISITS:
        for part in ("snapshots", "photos"):
            (args.out / visit / part).mkdir(parents=True, exist_ok=True)
            for old in (args.out / visit / part).iterdir():
                old.unlink()
        photos: list[dict[str, Any]] = []
        skies: dict[str, float] = {}
        error = np.random.default_rng(55).normal(0, 2.2, 2)
        walk = np.random.default_rng(56)
        last = ""
        for k, job in enumerate(visits.jobs(visit)):
            if job["kind"] == "phone" and job["camera"] != last:
                error = 0.88 * error + walk.normal(0, 1.25, 2)
                last = job["camera"]
            source = args.finished / f"{job['name']}.jpg"
            if not source.exists():
                continue
            picture = source.read_bytes()
            if job["kind"] == "snapshot":
                moment = datetime.fromisoformat(job["when"])
                (args.out / job["file"]).write_bytes(_with_exif(picture, _snapshot_exif(job, moment)))
                sky = json.loads((args.finished / f"{job['name']}.json").read_text())["sky_fraction"]
                skies[f"{job['camera']}_{job['part']}"] = sky
                photos.append({"photo": job["file"].split("/", 1)[1], "camera": job["camera"], "role": "snapshot", "expected": "placed", "part": job["part"],
                               "taken_at": job["when"], "shows_view_of": job["place"], "serial": job["serial"], "sky_fraction": sky,
                               "awkward": "morning fog" if job["weather"] == "fog" else None})
            else:
                for fact in _store_phone(job, picture, args.out / visit / "photos", error, k):
                    photos.append({**fact, "photo": f"photos/{fact['photo']}"})
        truth["visits"][visit] = {"on": visits.DAY[visit].date().isoformat(), "cameras": _camera_truth(visit, skies), "photos": photos}
    (args.out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


if __name__ == "__main__":
    main()
