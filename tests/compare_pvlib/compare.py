#!/usr/bin/env python3
"""Compares the sun path with pvlib: speed and angles, a year at one-minute steps.

Usage: tests/compare_pvlib/compare.py [--rounds N]

Makes a virtual environment under target/, installs pvlib and numba at
the versions below, builds the release example `year` of leeside-solar, and runs
in turn, each on one core:

  pvlib numpy   solarposition.spa_python(how="numpy"), NREL SPA
  pvlib numba   the same with how="numba", numthreads=1, compiled beforehand
  full          leeside_solar::position, NREL SPA at every minute
  angles        leeside_solar::SunPath, apparent elevation and azimuth
  vector        leeside_solar::SunPath, the direction: what a facade needs

and prints nanoseconds a position and how many times quicker than pvlib each is.
Times are processor times, so that a busy machine weighs on all alike. Ours are
taken from outside, as a process of N more rounds less one of one, so start-up
does not count and the daily full algorithm does. Nanoseconds still swing with
what else the machine does; the ratios of one run are what counts. Goal: the year
path 60 times quicker than pvlib numpy and 40 times quicker than pvlib numba.

pvlib is BSD-3-Clause; nothing of it becomes part of this project.
"""

import argparse
import os
import resource
import subprocess
import sys
import time
import venv
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = ROOT / "target" / "compare_pvlib"
PACKAGES = ["pvlib==0.16.1", "numba"]
# Munich, 2026.
LATITUDE, LONGITUDE, ALTITUDE, TEMPERATURE = 48.1374, 11.5755, 520.0, 12.0
PRESSURE_HPA = 952.32
FROM_MS = 1767225600000
MINUTES = 525600


def in_environment() -> None:
    """Runs this script again inside the virtual environment, made if missing."""
    python = ENVIRONMENT / "bin" / "python"
    if Path(sys.prefix).resolve() == ENVIRONMENT.resolve():
        return
    if not python.exists():
        venv.create(ENVIRONMENT, with_pip=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", *PACKAGES], check=True)
    # One core for everybody, before numpy looks.
    threads = dict.fromkeys(
        ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"], "1"
    )
    os.execve(python, [str(python), __file__, *sys.argv[1:]], os.environ | threads)


def on_one_core() -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


def example() -> Path:
    subprocess.run(
        ["cargo", "build", "--quiet", "--release", "-p", "leeside-solar", "--example", "year"],
        cwd=ROOT,
        check=True,
    )
    target = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return target / "release" / "examples" / "year"


def run_ours(program: Path, what: str, rounds: int) -> tuple[float, str]:
    line = (
        f"{LATITUDE} {LONGITUDE} {ALTITUDE} {PRESSURE_HPA} {TEMPERATURE} "
        f"{FROM_MS} {what} {rounds}\n"
    )
    begin = processor_time_of_children()
    done = subprocess.run([program], input=line, capture_output=True, text=True, check=True)
    return processor_time_of_children() - begin, done.stdout


def processor_time_of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def ours(program: Path, what: str, rounds: int) -> float:
    """Nanoseconds a position, best of three."""
    more = min(run_ours(program, what, 1 + rounds)[0] for _ in range(3))
    one = min(run_ours(program, what, 1)[0] for _ in range(3))
    return (more - one) / rounds / MINUTES * 1e9


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--rounds", type=int, default=20, help="years of ours to time")
    rounds = arguments.parse_args().rounds
    in_environment()

    import numpy
    import pandas
    import pvlib

    # It says so each time it changes between its two ways.
    warnings.filterwarnings("ignore", message="Reloading spa")
    program = example()
    on_one_core()
    times = pandas.date_range(
        pandas.Timestamp(FROM_MS, unit="ms", tz="UTC"), periods=MINUTES, freq="min"
    )

    def theirs(how: str, which: pandas.DatetimeIndex) -> pandas.DataFrame:
        return pvlib.solarposition.spa_python(
            which,
            LATITUDE,
            LONGITUDE,
            altitude=ALTITUDE,
            pressure=PRESSURE_HPA * 100,
            temperature=TEMPERATURE,
            delta_t=69.5,
            how=how,
            numthreads=1,
        )

    figures = {}
    for how in ("numpy", "numba"):
        theirs(how, times[:1000])  # changes over, compiles
        best = float("inf")
        for _ in range(3):
            begin = time.process_time()
            table = theirs(how, times)
            best = min(best, time.process_time() - begin)
        figures[f"pvlib {how}"] = best / MINUTES * 1e9
    figures["full"] = ours(program, "full", 1)
    figures["angles"] = ours(program, "angles", rounds)
    figures["vector"] = ours(program, "vector", rounds)

    print(f"pvlib {pvlib.__version__}, numpy {numpy.__version__}, one core")
    print(f"{'':14}{'ns a position':>14}{'x numpy':>10}{'x numba':>10}")
    for name, nanoseconds in figures.items():
        by_numpy = figures["pvlib numpy"] / nanoseconds
        by_numba = figures["pvlib numba"] / nanoseconds
        print(f"{name:14}{nanoseconds:14.1f}{by_numpy:10.1f}{by_numba:10.1f}")

    found = numpy.array(
        [line.split() for line in run_ours(program, "print", 1)[1].splitlines()], dtype=float
    )
    table = table.iloc[::97]
    turned = (found[:, 3] - table["azimuth"].to_numpy() + 180) % 360 - 180
    level = numpy.cos(numpy.radians(table["elevation"].to_numpy()))
    worst = {
        "true elevation": numpy.abs(found[:, 1] - table["elevation"].to_numpy()).max(),
        "apparent elevation": numpy.abs(found[:, 2] - table["apparent_elevation"].to_numpy()).max(),
        "azimuth * cos(elevation)": numpy.abs(turned * level).max(),
    }
    for name, degrees in worst.items():
        print(f"worst {name}, fast path against pvlib's NREL SPA: {degrees:.2e} degrees")
    goals = figures["pvlib numpy"] / figures["vector"] >= 60
    goals &= figures["pvlib numba"] / figures["vector"] >= 40
    print("goals of 60 and 40:", "reached" if goals else "missed")
    sys.exit(0 if goals and max(worst.values()) < 0.0005 else 1)


if __name__ == "__main__":
    main()
