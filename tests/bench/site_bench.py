"""Whole sites of cameras that no network was trained on, by the commands that a user gives: what is left open, missed, condemned.

    python -m training.prepare --panoramas FOLDER --more FOLDER --split bench --split "held out" --compression 1000 -o PACKED
    python -m tests.bench.site_bench PACKED [--keep FOLDER] [--sites works school park] [--seed 23] [--things 2]

Three sites of 34 cameras in rooms, towns and country: plan, day snapshots, infrared ones where the plan has it, every third
camera with one fault. ``start`` and ``visit``; then what a commissioning adds, as in the demo: one thing of the plan is pointed
out for each camera (``point --list``), and glass that is clean was seen so from close by (``finding``). The states are those
that ``show --json`` tells. Printed: sound cameras by state with the checks that keep them open and why, faults told by
their own check, told by none but open, and *as planned*; and sound cameras called a defect. Everything is drawn from the seed.
``--keep`` leaves the sites' folders, and goes on with logbooks that lie there.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.bench.site_views import SITES, Put, draw_site, pictures

DAY = "2026-06-16"
#: Checks that tell a fault. Upside down it may also be told by its roll.
OWN_CHECKS = {
    "too high": {"aim", "sky", "target"},
    "too much sky": {"aim", "sky", "target"},
    "rolled": {"level"},
    "blurred": {"focus", "cleanliness"},
    "blocked": {"obstruction", "cleanliness"},
    "dirty": {"cleanliness", "focus", "obstruction"},
    "upside down": {"level", "mounting", "image"},
    "missing": {"image"},
}
#: Photos of the crew are not part of these sites.
_LEFT_OUT = ("photos",)
_LIMITS = Path(__file__).parents[2] / "sample_images" / "limits.toml"


def _command(*words: str | Path) -> str:
    """What a command says on standard output; its words on standard error end the bench where it could not do it."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    start = "import sys; from audit.cli import main; sys.exit(main())"
    done = subprocess.run([sys.executable, "-c", start, *map(str, words)], capture_output=True, text=True, env=environment, check=False)
    if done.returncode == 2:
        sys.exit(done.stderr)
    return done.stdout


def _mark(put: Put, landmark: int) -> str:
    return f"mark {put.camera}{'ab'[landmark]}"


def _write_plan(folder: Path, site: list[Put]) -> None:
    with (folder / "plan.csv").open("w", newline="") as file:
        plan = csv.writer(file)
        plan.writerow("camera east_m north_m latitude longitude height_m bearing_deg pitch_deg roll_deg hfov_deg image_width_px "
                      "image_height_px projection form surface setting night".split())  # fmt: skip
        for i, put in enumerate(site):
            where = (46.5, -18.0) if i == 0 else ("", "")
            down = put.planned[1] == -90.0
            plan.writerow([put.camera, *put.at_m, *where, f"{put.height_m:.2f}", *(f"{v:.2f}" for v in put.planned), put.lens.hfov_deg,
                           put.lens.width_px, put.lens.height_px, put.lens.projection, "fisheye" if down else "bullet",
                           "hard ceiling" if down else "wall", "indoor" if put.kind == "room" else "outdoor", put.night])  # fmt: skip
    with (folder / "plan.landmarks.csv").open("w", newline="") as file:
        marks = csv.writer(file)
        marks.writerow(("landmark", "east_m", "north_m", "up_m", "position_sd_m"))
        marks.writerows([_mark(put, i), *(f"{v:.2f}" for v in place), 0.1] for put in site for i, place in enumerate(put.landmarks))


def _write_pictures(folder: Path, packed: Path, site: list[Put], seed: int) -> None:
    donor = next(iter(pictures(next(p for p in site if not p.fault and p.lens.width_px == 960), packed, np.zeros((1, 1, 3), np.uint8), seed).values()))[0]
    (folder / "pictures").mkdir(exist_ok=True)
    for i, put in enumerate(site):
        for light, (picture, quality) in pictures(put, packed, donor, seed).items():
            clock = f"{9 + i // 12:02d}{i % 12 * 5:02d}00" if light == "day" else f"{22 + i // 30:02d}{i % 30 * 2:02d}00"
            name = f"{put.camera}_{DAY.replace('-', '')}-{clock}_{light}.jpg"
            cv2.imwrite(str(folder / "pictures" / name), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])


def _write_clicks(folder: Path, site: list[Put], seed: int, things: int) -> None:
    with (folder / "clicks.csv").open("w", newline="") as file:
        clicks = csv.writer(file)
        clicks.writerow(("camera", "landmark", "column_px", "row_px"))
        for landmark in range(things):
            rng = np.random.default_rng((seed, landmark))
            for put in site:
                at = put.click(landmark, rng)
                if put.fault != "missing":
                    clicks.writerow([put.camera, _mark(put, landmark), *(("", "") if at is None else (f"{v:.0f}" for v in at))])


def _write_seen(folder: Path, site: list[Put]) -> None:
    with (folder / "seen.csv").open("w", newline="") as file:
        seen = csv.writer(file)
        seen.writerow(("camera", "check", "state", "why"))
        clean = [put for put in site if put.fault not in ("dirty", "blocked", "missing")]
        seen.writerows([put.camera, "cleanliness", "as planned", "Wiped, and looked at from close by"] for put in clean)


def _verdicts(said: str) -> dict[str, dict[str, Any]]:
    return {line["camera"]: line for line in map(json.loads, said.splitlines()) if "state" in line}


def run_site(name: str, packed: Path, folder: Path, seed: int, things: int) -> tuple[list[Put], dict[str, dict[str, Any]], dict[str, dict[str, Any]]]:
    """The cameras of a site, and their lines of ``--json``: by the pictures alone, and after the commissioning's own steps."""
    site, book = draw_site(name, seed), folder / "logbook"
    if not book.exists():
        _write_plan(folder, site)
        _write_pictures(folder, packed, site, seed)
        _write_clicks(folder, site, seed, things)
        _command("start", book, "--plan", folder / "plan.csv")
        alone = _command("visit", book, folder / "pictures", "--kind", "commissioning", "--on", DAY, "--workers", "1", "--limits", _LIMITS,
                         "--json")  # fmt: skip
        (folder / "alone.json").write_text(alone)
        _command("point", book, "--list", folder / "clicks.csv", "--by", "bench")
        _write_seen(folder, site)
        _command("finding", book, "--list", folder / "seen.csv", "--by", "bench")
    return site, _verdicts((folder / "alone.json").read_text()), _verdicts(_command("show", book, "--json"))


def _kind_of_reason(why: str) -> str:
    """A finding's sentence without its numbers, so that like reasons are counted together."""
    return re.sub(r"'[^']*'", "'…'", re.sub(r"[-+−]?\d+([.,]\d+)?", "#", why))[:150]


def _told(put: Put, line: dict[str, Any]) -> bool:
    own = OWN_CHECKS[put.fault]
    states = ("defect", "to check", "not verified") if put.fault == "missing" else ("defect", "to check")
    return any(f["check"] in own and f["state"] in states for f in line["findings"])


def _print(site: list[tuple[Put, dict[str, Any]]], title: str, reasons: bool) -> None:
    sound = [(p, line) for p, line in site if not p.fault]
    faulty = [(p, line) for p, line in site if p.fault]
    states = Counter(line["state"] for _, line in sound)
    left = len(sound) - states["as planned"]
    print(f"\n{title}: {len(sound)} sound: {dict(states)}; open {left / len(sound):.0%}")
    counted: Counter[tuple[str, str, str]] = Counter()
    checks: Counter[tuple[str, str]] = Counter()
    for put, line in sound:
        for f in line["findings"]:
            if f["check"] not in _LEFT_OUT and f["state"] != "as planned":
                checks[f["check"], f["state"]] += 1
                counted[f["check"], f["state"], _kind_of_reason(f["why"])] += 1
                if reasons:
                    print(f"   {put.camera} {put.place} true {put.true[1]:+.1f}/{put.true[2]:+.1f} planned {put.planned[1]:+.1f}: "
                          f"{f['check']} {f['state']}: {f['why'][:230]}")  # fmt: skip
    print("  checks that are open:", {f"{c} {s}": n for (c, s), n in checks.most_common()})
    for (check, state, why), count in counted.most_common(14):
        print(f"  {count:3d} {check} {state}: {why}")
    tally: dict[str, Counter[str]] = {}
    for put, line in faulty:
        told = line["state"] if _told(put, line) else "passed as planned" if line["state"] == "as planned" else "not told, open"
        tally.setdefault(put.fault, Counter())[told if told != "not verified" else "to check"] += 1
        if reasons and not _told(put, line):
            print(f"   {put.camera} {put.place} {put.fault}, true {put.true[1]:+.1f}/{put.true[2]:+.1f}: "
                  + " | ".join(f"{f['check']} {f['state']}: {f['why'][:110]}" for f in line["findings"] if f["check"] in OWN_CHECKS[put.fault] | {"aim"}))  # fmt: skip
    total = sum(tally.values(), Counter())
    print(f"  {len(faulty)} faulty: {dict(total)}")
    for fault, told_of in tally.items():
        print(f"    {fault}: {dict(told_of)}")


def main() -> None:
    """Run the sites and print what became of their cameras."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("packed", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--sites", nargs="+", choices=sorted(SITES), default=sorted(SITES))
    parser.add_argument("--seed", type=int, default=23)
    parser.add_argument("--things", type=int, choices=(1, 2), default=1, help="things of the plan pointed out in each picture")
    parser.add_argument("--each", action="store_true", help="also print every open sound camera and every fault that isn't told")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as scratch:
        alone: list[tuple[Put, dict[str, Any]]] = []
        after: list[tuple[Put, dict[str, Any]]] = []
        for name in given.sites:
            folder = (given.keep or Path(scratch)) / name
            folder.mkdir(parents=True, exist_ok=True)
            site, first, last = run_site(name, given.packed, folder, given.seed, given.things)
            alone += [(put, first[put.camera]) for put in site]
            after += [(put, last[put.camera]) for put in site]
        _print(alone, "By the pictures alone", False)
        _print(after, "After pointing out and looking at the glass", given.each)


if __name__ == "__main__":
    main()
