"""Public holidays of all built-in regions by the Python library holidays, and Easter by
dateutil.   usage: gen_holidays.py holidays > holidays_all_regions.csv
                   gen_holidays.py easter > easter_all_years.csv"""
import sys
from importlib.metadata import version
import holidays as H
from dateutil.easter import easter
DE = "BB BE BW BY HB HE HH MV NI NW RP SH SL SN ST TH".split()
R = ["DE"] + ["DE-" + s for s in DE] + ["AT", "CH"] + ["CH-" + s for s in "BE BS GE TI ZH".split()] + ["FR"] + ["GB-" + s for s in "ENG NIR SCT WLS".split()] + ["NL", "BE", "IT", "PL", "SE", "US"]
# Days that a government decreed for one year: they are in no rule.
ONE_OFF = {("DE-BE", "2020-05-08"), ("DE-BE", "2025-05-08"), ("DE-BE", "2028-06-17"), ("GB-SCT", "2026-06-15"),
  *((f"GB-{n}", d) for n in "ENG NIR SCT WLS".split() for d in ("2022-06-03", "2022-09-19", "2023-05-08"))}
if sys.argv[1] == "easter":
    print(f"# Easter Sunday of the Gregorian calendar by python-dateutil {version('python-dateutil')} easter.easter (Apache-2.0 or BSD-3-Clause); made by gen_holidays.py.\nyear,easter")
    for y in range(1900, 2200): print(f"{y},{easter(y)}")
else:
    print(f"# Public holidays by the Python library holidays {version('holidays')} (MIT), category PUBLIC, observed days included, English names; made by gen_holidays.py.")
    print("# one_off=1: decreed for one year, no rule gives it.\nregion,date,name,substitute,one_off")
    for r in R:
        c, _, s = r.partition("-")
        for y in range(2020, 2037):
            try: h = H.country_holidays(c, subdiv=s or None, years=[y], language="en_US")
            except NotImplementedError: h = H.country_holidays(c, subdiv=s or None, years=[y])
            for d in sorted(h):
                if d.year == y: print(f'{r},{d},"{h[d]}",{int("observed" in h[d])},{int((r, str(d)) in ONE_OFF)}')
