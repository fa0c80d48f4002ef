"""How many small changes of six rooms the tests find: a sample of mutants of each, by mutmut.

    python -m venv /tmp/mutants && /tmp/mutants/bin/pip install mutmut -e '.[test]'
    git clone . /tmp/mutated && cd /tmp/mutated
    nice -n 15 /tmp/mutants/bin/python -m tests.bench.mutants --sample 150 --seed 10

It works in the folder that it is started in and leaves a folder ``mutants`` there, hence the clone. Mutants are drawn
without replacement among all of a room; killed are those at which a test fails, or never ends. What survives is tried once
more by all tests of its room in a process of its own: mutmut forks its runs from one in which functions that keep their
answers have kept them. What survives that too is listed; ``mutmut show NAME`` shows the change. Settings are in
``pyproject.toml``.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
from pathlib import Path

ROOMS = ("judge", "match", "measure", "plan", "photos", "logbook")
KILLED = {1, 3, 24, 36, 152, 255, -24, -11, -9}
"""mutmut's codes of a failed test, an error in a test, a run out of time, and a crash."""


def codes() -> dict[str, int | None]:
    """Every mutant's name and how its run ended, as mutmut keeps them."""
    found: dict[str, int | None] = {}
    for file in sorted(Path("mutants/audit").rglob("*.meta")):
        found.update(json.loads(file.read_text(encoding="utf-8"))["exit_code_by_key"])
    return found


def run(names: list[str], most: int) -> None:
    """Have mutmut make all mutants and run the tests against those that are named."""
    command = [sys.executable, "-m", "mutmut", "run", "--max-children", str(most), *names]
    subprocess.run(command, check=False, stdout=subprocess.DEVNULL)


def killed_afresh(name: str, room: str) -> bool:
    """Whether a test of the room fails at a mutant, in a process that has kept no answer of the code as it was."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:xdist", "-p", "no:cacheprovider", f"tests/{room}"]
    environment = {**os.environ, "MUTANT_UNDER_TEST": name, "PYTHONPATH": "."}
    return subprocess.run(command, cwd="mutants", env=environment, check=False, stdout=subprocess.DEVNULL).returncode != 0


def main() -> None:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, default=150, help="mutants of each room; 0 = all")
    parser.add_argument("--seed", type=int, default=10)
    parser.add_argument("--room", choices=ROOMS, action="append")
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    if not codes():
        run(["audit.judge.intended.*__mutmut_1"], given.processes)
    names = sorted(codes())
    drawn: dict[str, list[str]] = {}
    for room in given.room or ROOMS:
        of_room = [n for n in names if n.startswith(f"audit.{room}.")]
        count = min(given.sample or len(of_room), len(of_room))
        drawn[room] = random.Random(given.seed).sample(of_room, count)
        print(f"{room}: {count} of {len(of_room)} mutants, seed {given.seed}", flush=True)
    for room, sample in drawn.items():
        run(sample, given.processes)
        ended = codes()
        killed = [n for n in sample if ended[n] in KILLED or killed_afresh(n, room)]
        print(f"{room}: killed {len(killed)} of {len(sample)} ({len(killed) / len(sample):.0%}); survived:", flush=True)
        for name in sorted(set(sample) - set(killed)):
            print(f"  {name} ({ended[name]})", flush=True)


if __name__ == "__main__":
    main()
