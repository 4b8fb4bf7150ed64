#!/usr/bin/env python3
"""Sunlit and shaded minutes of four facades, day by day, without a line of Leeside.

Usage: python3 tests/outside_shade/recompute.py > tests/outside_shade/year.csv
       python3 tests/outside_shade/recompute.py gain > tests/outside_shade/gain.csv
(needs pvlib 0.16.1, pandas, numpy; everything it reads lies in tests/weather)

Sun: pvlib's NREL SPA, apparent. Sunlit: the sun is up and in front of the
facade. Irradiance on the facade: isotropic sky, albedo 0.2, pvlib's functions.
Shading: begins once irradiance has been at or above 200 W/m2 with the sun on the
facade for 3 minutes, ends once it has been at or below 100 W/m2 or the sun off
it for 15 minutes; both are looked at on whole minutes.

gain: irradiation of the facade over the year while the sun is up, in all and
while shaded, and what of it 10 m2 of glass let in: g 0.6 unshaded, 0.14 shaded.
"""

import gzip
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

EPW = Path(__file__).resolve().parents[1] / "weather" / "pvgis_tmy_45N_8E_2005-2023.epw.gz"
YEAR, LATITUDE, LONGITUDE, ALTITUDE = 2027, 45.0, 8.0, 250.0
PRESSURE_PA, TEMPERATURE, ALBEDO = 98_000.0, 12.0, 0.2
ON, OFF, ON_DELAY, OFF_DELAY = 200.0, 100.0, 3, 15
AREA_M2, G_GLASS, G_SHADED = 10.0, 0.6, 0.14
FACADES = {"north": 0.0, "east": 90.0, "south": 180.0, "west": 270.0}


def hours() -> pd.DataFrame:
    """Global, direct normal and diffuse irradiance by hour; rows are UTC and name the hour's end."""
    with gzip.open(EPW, "rt", encoding="latin-1") as file:
        lines = file.read().splitlines()[8:]
    rows = []
    for line in lines:
        cell = line.split(",")
        start = pd.Timestamp(YEAR, int(cell[1]), int(cell[2]), int(cell[3]) - 1, tz="UTC")
        rows.append((start, float(cell[13]), float(cell[14]), float(cell[15])))
    return pd.DataFrame(rows, columns=["at", "ghi", "dni", "dhi"]).set_index("at").sort_index()


def shading(bright: np.ndarray, dim: np.ndarray) -> np.ndarray:
    shaded, since, out = False, None, np.zeros(len(bright), dtype=bool)
    for minute in range(len(bright)):
        turns = dim[minute] if shaded else bright[minute]
        if turns:
            since = minute if since is None else since
            if minute - since >= (OFF_DELAY if shaded else ON_DELAY):
                shaded, since = not shaded, None
        else:
            since = None
        out[minute] = shaded
    return out


def main() -> None:
    times = pd.date_range(f"{YEAR}-01-01", f"{YEAR + 1}-01-01", freq="1min", tz="UTC", inclusive="left")
    sun = pvlib.solarposition.spa_python(
        times, LATITUDE, LONGITUDE, ALTITUDE, PRESSURE_PA, TEMPERATURE, delta_t=None
    )
    weather = hours().reindex(times, method="ffill")
    zenith, azimuth = sun["apparent_zenith"], sun["azimuth"]
    gain = sys.argv[1:] == ["gain"]
    what = "irradiation and gain of a year per facade" if gain else "sunlit and shaded minutes per UTC day and facade"
    print(f"# {what}")
    print(f"# recomputed with pvlib {pvlib.__version__} by recompute.py from {EPW.name}")
    print(f"# place {LATITUDE} N {LONGITUDE} E {ALTITUDE:.0f} m, {PRESSURE_PA:.0f} Pa, {TEMPERATURE} degC, year {YEAR}")
    print(f"# spa_python apparent; isotropic, albedo {ALBEDO}; on {ON} W/m2 for {ON_DELAY} min, off {OFF} W/m2 for {OFF_DELAY} min")
    print("facade,irradiation_kwh_m2,shaded_kwh_m2,gain_kwh,unshaded_kwh" if gain else "date,facade,sunlit_min,shaded_min")
    table = []
    for name, facing in FACADES.items():
        cosine = pvlib.irradiance.aoi_projection(90.0, facing, zenith, azimuth)
        lit = ((zenith < 90.0) & (cosine > 0.0)).to_numpy()
        beam = pvlib.irradiance.beam_component(90.0, facing, zenith, azimuth, weather["dni"])
        beam = np.where(zenith < 90.0, beam, 0.0)
        total = (
            beam
            + pvlib.irradiance.isotropic(90.0, weather["dhi"])
            + pvlib.irradiance.get_ground_diffuse(90.0, weather["ghi"], albedo=ALBEDO)
        ).to_numpy()
        shaded = shading(lit & (total >= ON), ~lit | (total <= OFF))
        if gain:
            hourly = np.where(zenith < 90.0, total, 0.0) / 60_000.0
            all_of_it, covered = hourly.sum(), hourly[shaded].sum()
            let_in = AREA_M2 * (covered * G_SHADED + (all_of_it - covered) * G_GLASS)
            print(f"{name},{all_of_it:.2f},{covered:.2f},{let_in:.1f},{AREA_M2 * all_of_it * G_GLASS:.1f}")
            continue
        days = pd.DataFrame({"sunlit": lit, "shaded": shaded}, index=times).resample("D").sum()
        table += [(day.date(), name, row.sunlit, row.shaded) for day, row in days.iterrows()]
    for day, name, sunlit, shaded in sorted(table, key=lambda row: row[0]):
        print(f"{day},{name},{sunlit},{shaded}")


if __name__ == "__main__":
    main()
