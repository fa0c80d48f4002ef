"""Open many hostile files and count what comes of them; run by hand.

    nice python tests/faults/fuzz_photos.py --files 10000
    nice python tests/faults/fuzz_photos.py --files 5379 --of FOLDER   # pictures of your own, as they are and mutated

Every file must end as a photo or as a refusal that names it, in at most 2 s, with at most 200 MiB more memory than at
the start (in this process, unless ``--guarded``: then in the worker).
"""

from __future__ import annotations

import argparse
import collections
import os
import sys
import time
import traceback
from itertools import chain
from pathlib import Path

import cv2

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "photos"))

from hostile_files import mutated_files, mutated_pictures, named_hostile_files, sound_file  # noqa: E402

from audit.errors import PhotoRefused  # noqa: E402
from audit.photos.guard import guard_of_this_process  # noqa: E402
from audit.photos.intake import open_photo  # noqa: E402


def memory_kib(process: int, what: str) -> int:
    """Resident memory now (``VmRSS``) or at its highest since ``clear_refs`` (``VmHWM``), see proc(5)."""
    for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(what):
            return int(line.split()[1])
    raise RuntimeError(f"no {what} in /proc/{process}/status: the worker was replaced")


def main() -> int:
    """Print the counts; 1 where a file broke the rules."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--of", type=Path, metavar="FOLDER", help="mutate the pictures below it in place of made ones")
    parser.add_argument("--guarded", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF"):
        open_photo(sound_file(kind), kind, guarded=given.guarded)
    named = tuple(named_hostile_files())
    process = (guard_of_this_process().worker_id if given.guarded else None) or os.getpid()
    start_kib = memory_kib(process, "VmRSS")
    Path(f"/proc/{process}/clear_refs").write_text("5", encoding="ascii")
    outcomes: collections.Counter[str] = collections.Counter()
    slowest = (0.0, "")
    broken = 0
    more = given.files - len(named)
    made = mutated_pictures(given.of, more, given.seed) if given.of else mutated_files(more, given.seed)
    for name, data in chain(named, made):
        began = time.perf_counter()
        try:
            open_photo(data, name, guarded=given.guarded)
            outcomes["opened"] += 1
        except PhotoRefused as refusal:
            outcomes[refusal.kind] += 1
            if name not in refusal.message:
                broken += 1
                print(f"does not name its file: {name}: {refusal.message}")
        except Exception:
            broken += 1
            print(f"broke out: {name}")
            traceback.print_exc()
        took = time.perf_counter() - began
        slowest = max(slowest, (took, name))
        if took > 2.0:
            broken += 1
            print(f"slow: {name}: {took:.2f} s")
    grown_mib = (memory_kib(process, "VmHWM") - start_kib) / 1024
    print(f"{sum(outcomes.values())} files: {dict(outcomes)}")
    print(
        f"slowest {slowest[0]:.2f} s ({slowest[1]}); memory {grown_mib:.0f} MiB above start; broke the rules: {broken}"
    )
    return 1 if broken or grown_mib > 200 else 0


if __name__ == "__main__":
    raise SystemExit(main())
