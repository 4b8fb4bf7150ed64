#!/usr/bin/env python3
"""A campus' whole year against pvlib's sun of that year, in one run.

    tests/speed/year.py [--rounds N] [--python PYTHON]

Ours: `cargo bench -p leeside-dryrun --bench campus`, a year at one-minute steps for
50 facades, 1,000 groups and 5,000 drives, every movement written as CSV. Theirs:
pvlib's NREL SPA in numpy for the 525,600 minutes of that year, which is where such a
year would begin: only where the sun stands. The two take turns on the same machine,
by the clock on the wall; of each the best round counts, and the ratio is what to
quote. Goal: less than 1.

PYTHON has pvlib (pip install pvlib==0.16.1); by default that of
tests/compare_pvlib/compare.py, which makes it. pvlib is BSD-3-Clause; nothing of it
becomes part of this project.
"""

import argparse
import json
import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GOAL = 1.0

THEIRS = """
import time, pandas, pvlib
times = pandas.date_range("2027-01-01", periods=525600, freq="min", tz="America/New_York")
spa = lambda which: pvlib.solarposition.spa_python(
    which, 40.65, -73.8, altitude=5, temperature=12, delta_t=69.5, how="numpy")
spa(times[:1000])
begin = time.perf_counter()
spa(times)
print(time.perf_counter() - begin, pvlib.__version__)
"""


def bench() -> str:
    """Builds the bench; where it lies."""
    line = ["cargo", "bench", "--quiet", "-p", "leeside-dryrun", "--bench", "campus", "--no-run"]
    told = subprocess.run([*line, "--message-format=json"], cwd=ROOT, check=True, capture_output=True, text=True)
    messages = map(json.loads, told.stdout.splitlines())
    found = [m["executable"] for m in messages if m.get("executable") and m["target"]["name"] == "campus"]
    return found[-1]


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--python", default=str(ROOT / "target/compare_pvlib/bin/python"))
    asked = arguments.parse_args()
    if not Path(asked.python).exists():
        sys.exit(f"no {asked.python}: run tests/compare_pvlib/compare.py once, or give --python")
    program = bench()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    ours, theirs = [], []
    for _ in range(asked.rounds):
        told = subprocess.run([program], check=True, capture_output=True, text=True).stdout
        ours.append(float(re.search(r"([0-9.]+) s wall", told)[1]))
        seconds, version = subprocess.run(
            [asked.python, "-c", THEIRS], check=True, capture_output=True, text=True
        ).stdout.split()
        theirs.append(float(seconds))
        print(f"  {told.strip()}; pvlib {seconds[:5]} s wall")
    ratio = min(ours) / min(theirs)
    print(f"a year of the campus       {min(ours):6.2f} s wall, best of {asked.rounds}")
    print(f"pvlib {version} numpy, sun   {min(theirs):6.2f} s wall, best of {asked.rounds}")
    print(f"ratio                      {ratio:6.2f}         goal below {GOAL:g}: {'reached' if ratio < GOAL else 'missed'}")


if __name__ == "__main__":
    main()
