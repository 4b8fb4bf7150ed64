"""Random recurrence rules expanded by python-dateutil, and the examples of RFC 5545
that rrule_cases.json leaves out.   usage: gen_rules.py > rules_dateutil.csv

The rules are drawn from a fixed seed. DTSTART is always an occurrence of its own rule
(RFC 5545 leaves the rest undefined), and BYWEEKNO always stands with BYDAY (without it
dateutil yields the whole week, RFC 5545 the weekday of DTSTART). dateutil misjudges
the last week of some years (2011-01-01 as a day of week 53 of 2010, which has 52);
rules whose days contradict ISO 8601 as Python's isocalendar has it are left out, and so
is BYSETPOS with FREQ=WEEKLY, where dateutil takes the first week from DTSTART on only."""
import random, re
from datetime import datetime, timedelta
from importlib.metadata import version
from dateutil.rrule import rrulestr

def f(d): return d.strftime("%Y%m%dT%H%M%S")
R = random.Random(5545)
D = "MO TU WE TH FR SA SU".split()
def some(xs, lo=1, hi=3): return sorted(R.sample(xs, min(len(xs), R.randint(lo, hi))))
def js(xs): return ",".join(map(str, xs))
def draw():
    fr = R.choice(["YEARLY"]*4 + ["MONTHLY"]*4 + ["WEEKLY"]*3 + ["DAILY"]*2 + ["HOURLY", "MINUTELY", "SECONDLY"])
    p = ["FREQ=" + fr]
    if R.random() < .5: p.append(f"INTERVAL={R.choice([2, 2, 3, 4, 5, 7, 11, 18, 90])}")
    if R.random() < .3: p.append(f"WKST={R.choice(D)}")
    by = False
    def add(s):
        nonlocal by; by = True; p.append(s)
    if R.random() < .35: add("BYMONTH=" + js(some(list(range(1, 13)))))
    hasday = False
    if fr == "YEARLY":
        k = R.random()
        if k < .4: add("BYWEEKNO=" + js(some([1, 2, 10, 20, 26, 33, 52, 53, -1, -20]))); add("BYDAY=" + js(R.sample(D, R.randint(1, 3)))); hasday = True
        elif k < .55: add("BYYEARDAY=" + js(some([1, 59, 60, 100, 200, 365, 366, -1, -100, -366])))
        elif k < .7: add("BYDAY=" + js([f"{R.choice(['', '1', '2', '-1', '20', '-3'])}{d}" for d in R.sample(D, R.randint(1, 2))])); hasday = True
    if fr in ("YEARLY", "MONTHLY", "DAILY") and R.random() < .35: add("BYMONTHDAY=" + js(some([1, 2, 13, 15, 28, 29, 30, 31, -1, -2, -31])))
    if fr == "MONTHLY" and R.random() < .45: add("BYDAY=" + js([f"{R.choice(['', '1', '2', '-1', '5', '-2'])}{d}" for d in R.sample(D, R.randint(1, 3))]))
    if fr in ("WEEKLY", "DAILY", "HOURLY", "MINUTELY", "SECONDLY") and R.random() < .5: add("BYDAY=" + js(R.sample(D, R.randint(1, 4))))
    if R.random() < .3: add("BYHOUR=" + js(some(list(range(24)))))
    if R.random() < .25: add("BYMINUTE=" + js(some([0, 5, 15, 30, 45, 59])))
    if fr in ("MINUTELY", "SECONDLY", "HOURLY") and R.random() < .4 or R.random() < .05: add("BYSECOND=" + js(some([0, 10, 30, 59])))
    if by and fr != "WEEKLY" and R.random() < .25: p.append("BYSETPOS=" + js(some([1, 2, 3, -1, -2])))
    return fr, p

RFC = [  # RFC 5545 §3.8.5.3, from memory; those missing in rrule_cases.json
 ("19970902T090000", "FREQ=DAILY;UNTIL=19971224T000000Z"), ("19970902T090000", "FREQ=DAILY;INTERVAL=10;COUNT=5"),
 ("19980101T090000", "FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1"), ("19970902T090000", "FREQ=WEEKLY;UNTIL=19971224T000000Z"),
 ("19970902T090000", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH"), ("19970901T090000", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR"),
 ("19970905T090000", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR"), ("19970907T090000", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU"),
 ("19970928T090000", "FREQ=MONTHLY;BYMONTHDAY=-3"), ("19970930T090000", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1"),
 ("19970902T090000", "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU"), ("19970310T090000", "FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3"),
 ("19970519T090000", "FREQ=YEARLY;BYDAY=20MO"), ("19970313T090000", "FREQ=YEARLY;BYMONTH=3;BYDAY=TH"),
 ("19980213T090000", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13"), ("19961105T090000", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8"),
 ("19970929T090000", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2"), ("19970902T090000", "FREQ=MINUTELY;INTERVAL=15;COUNT=6"),
 ("19970902T090000", "FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40"), ("19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO"),
 ("20070115T090000", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5")]

def weeks_right(rule, dates):
    m = re.search(r"BYWEEKNO=([-\d,]+)", rule)
    if not m: return True
    weeks = [int(x) for x in m.group(1).split(",")]
    if "WKST=" in rule and "WKST=MO" not in rule: return all(2 <= abs(w) <= 50 for w in weeks)
    def ok(d):
        y, w, _ = d.isocalendar()
        last = datetime(y, 12, 28).isocalendar()[1]
        return w in weeks or w - last - 1 in weeks
    return all(map(ok, dates))

rows = []
for n, (ds, rule) in enumerate(RFC):
    d = datetime.strptime(ds, "%Y%m%dT%H%M%S")
    r = rrulestr(re.sub(r"(UNTIL=\d{8}T\d{6})Z", r"\1", rule), dtstart=d)   # all zones here are read as UTC
    rows.append((f"rfc{n:02d}", ds, rule, [x for x, _ in zip(r, range(40))]))
n = 0
while n < 400:
    fr, p = draw()
    base = datetime(R.randint(1996, 2025), R.randint(1, 12), R.randint(1, 28), R.randint(0, 23), R.choice([0, 7, 30]), R.choice([0, 0, 10]))
    rule = ";".join(p)
    import itertools, signal
    def first(r):                       # a rule that yields nothing for long is dropped
        class T(Exception): pass
        def h(*a): raise T
        signal.signal(signal.SIGALRM, h); signal.setitimer(signal.ITIMER_REAL, .25)
        try: return list(itertools.islice(r, 25))
        except (T, IndexError): return []   # dateutil fails on some numbered weekdays
        finally: signal.setitimer(signal.ITIMER_REAL, 0)
    try: a = first(rrulestr(rule, dtstart=base))
    except ValueError: continue
    if not a: continue
    ds = a[0]
    b = first(rrulestr(rule, dtstart=ds))
    if len(b) < 3 or b[0] != ds or not weeks_right(rule, b): continue
    k = R.random()
    if k < .3: rule += f";COUNT={R.randint(2, min(20, len(b)))}"
    elif k < .5: rule += ";UNTIL=" + f(R.choice(b[1:])) + "Z"
    b = first(rrulestr(re.sub(r"(UNTIL=\d{8}T\d{6})Z", r"\1", rule), dtstart=ds))
    if not b: continue
    rows.append((f"r{n:03d}", f(ds), rule, b)); n += 1
print(f"# Recurrence rules expanded by python-dateutil {version('python-dateutil')} (Apache-2.0 or BSD-3-Clause), times read as UTC; made by gen_rules.py, seed 5545.")
print("# rfcNN: examples of RFC 5545 section 3.8.5.3. The list holds the first 40 (rfc) or 25 (random) occurrences; complete=1: there are no more.")
print("id,dtstart,rrule,complete,occurrences")
for i, ds, rule, occ in rows:
    complete = int(len(occ) < (40 if i.startswith("rfc") else 25))
    print(f'{i},{ds},"{rule}",{complete},{" ".join(map(f, occ))}')
