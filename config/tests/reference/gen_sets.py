"""Events with overrides, exceptions, periods and zones of their own, expanded by
recurring-ical-events.   usage: gen_sets.py > sets.json

The end of an occurrence is compared as well, except where `ends` is false: that library
adds DTEND - DTSTART to the wall time, RFC 5545 3.8.5.3 wants the same elapsed time."""
import json
from datetime import date, datetime, timedelta, timezone
from importlib.metadata import version
from zoneinfo import ZoneInfo
import icalendar, recurring_ical_events

B = "TZID=Europe/Berlin"
OWN = """BEGIN:VTIMEZONE
TZID:House
BEGIN:DAYLIGHT
DTSTART:19810329T020000
TZOFFSETFROM:+0100
TZOFFSETTO:+0200
RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU
END:DAYLIGHT
BEGIN:STANDARD
DTSTART:19961027T030000
TZOFFSETFROM:+0200
TZOFFSETTO:+0100
RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU
END:STANDARD
END:VTIMEZONE"""
def ev(*lines, uid="u"): return "\n".join(["BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20250101T000000Z", *lines, "END:VEVENT"])
W = ("2025-01-01", "2026-01-01")
CASES = [
 ("moved", "an override moves one occurrence", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=4", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250310T090000", f"DTSTART;{B}:20250311T140000", "DURATION:PT2H", "SUMMARY:b")]),
 ("moved-into-range", "an override moves an occurrence from outside into the range", ("2025-06-01", "2025-07-01"), True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=MONTHLY;COUNT=3", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250403T090000", f"DTSTART;{B}:20250610T090000", "DURATION:PT1H", "SUMMARY:b")]),
 ("moved-out-of-range", "an override moves an occurrence out of the range", ("2025-04-01", "2025-05-01"), True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=MONTHLY;COUNT=3", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250403T090000", f"DTSTART;{B}:20250610T090000", "DURATION:PT1H", "SUMMARY:b")]),
 ("cancelled-one", "a cancelled override takes one occurrence out", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=4", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250310T090000", f"DTSTART;{B}:20250310T090000", "DURATION:PT1H", "STATUS:CANCELLED", "SUMMARY:a")]),
 ("cancelled-all", "a cancelled event", W, True, [ev("DTSTART;VALUE=DATE:20250303", "STATUS:CANCELLED", "SUMMARY:a"), ev("DTSTART;VALUE=DATE:20250304", "SUMMARY:b", uid="v")]),
 ("recurrence-id-utc", "RECURRENCE-ID in UTC, event in a zone", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=4", "SUMMARY:a"),
    ev("RECURRENCE-ID:20250310T080000Z", f"DTSTART;{B}:20250311T140000", "DURATION:PT2H", "SUMMARY:b")]),
 ("future", "THISANDFUTURE moves and lengthens the rest", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=8", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;RANGE=THISANDFUTURE;{B}:20250317T090000", f"DTSTART;{B}:20250318T103000", "DURATION:PT3H", "SUMMARY:b")]),
 ("future-twice", "two THISANDFUTURE changes", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=8", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;RANGE=THISANDFUTURE;{B}:20250310T090000", f"DTSTART;{B}:20250310T100000", "DURATION:PT1H", "SUMMARY:b"),
    ev(f"RECURRENCE-ID;RANGE=THISANDFUTURE;{B}:20250331T090000", f"DTSTART;{B}:20250401T080000", "DURATION:PT1H", "SUMMARY:c")]),
 ("future-and-one", "THISANDFUTURE and a single override after it", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=6", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;RANGE=THISANDFUTURE;{B}:20250317T090000", f"DTSTART;{B}:20250317T100000", "DURATION:PT1H", "SUMMARY:b"),
    ev(f"RECURRENCE-ID;{B}:20250331T090000", f"DTSTART;{B}:20250331T180000", "DURATION:PT1H", "SUMMARY:c")]),
 ("override-of-exdate", "an override of an excluded occurrence", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=4", f"EXDATE;{B}:20250310T090000", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250310T090000", f"DTSTART;{B}:20250311T140000", "DURATION:PT2H", "SUMMARY:b")]),
 ("override-of-nothing", "an override of an occurrence that the rule does not have", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=3", "SUMMARY:a"),
    ev(f"RECURRENCE-ID;{B}:20250312T090000", f"DTSTART;{B}:20250313T140000", "DURATION:PT2H", "SUMMARY:b")]),
 ("orphan", "an override without its series", W, True, [ev(f"RECURRENCE-ID;{B}:20250312T090000", f"DTSTART;{B}:20250313T140000", "DURATION:PT2H", "SUMMARY:b")]),
 ("all-day-override", "an all-day override", W, True, [ev("DTSTART;VALUE=DATE:20250501", "RRULE:FREQ=DAILY;COUNT=5", "SUMMARY:a"), ev("RECURRENCE-ID;VALUE=DATE:20250503", "DTSTART;VALUE=DATE:20250510", "DTEND;VALUE=DATE:20250512", "SUMMARY:b")]),
 ("exdate-utc", "EXDATE in UTC, event in a zone", W, True, [ev(f"DTSTART;{B}:20250324T090000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY;COUNT=4", "EXDATE:20250331T070000Z", "SUMMARY:a")]),
 ("exdate-list", "several EXDATEs in one line and in two", W, True, [ev("DTSTART;VALUE=DATE:20250501", "RRULE:FREQ=DAILY;COUNT=8", "EXDATE;VALUE=DATE:20250502,20250504", "EXDATE;VALUE=DATE:20250506", "SUMMARY:a")]),
 ("exdate-first", "EXDATE takes out DTSTART (RFC 5545, Friday the 13th)", ("1997-01-01", "2001-01-01"), True, [ev("DTSTART;TZID=America/New_York:19970902T090000", "RRULE:FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", "EXDATE;TZID=America/New_York:19970902T090000", "SUMMARY:a")]),
 ("unsynchronised", "DTSTART is not in its rule", W, True, [ev("DTSTART;VALUE=DATE:20250303", "RRULE:FREQ=WEEKLY;BYDAY=TU;UNTIL=20250401", "SUMMARY:a")]),
 ("rdate-period", "RDATE as periods", W, True, [ev("DTSTART:20250303T090000Z", "DURATION:PT1H", "RDATE;VALUE=PERIOD:20250305T100000Z/PT3H,20250401T100000Z/20250401T113000Z", "SUMMARY:a")]),
 ("rdate-other-zone", "RDATE in another zone", W, True, [ev(f"DTSTART;{B}:20250303T090000", "DURATION:PT1H", "RDATE;TZID=America/New_York:20250305T100000", "SUMMARY:a")]),
 ("rdate-only", "RDATE without a rule, all-day", W, True, [ev("DTSTART;VALUE=DATE:20250303", "RDATE;VALUE=DATE:20250305,20250310", "SUMMARY:a")]),
 ("two-rules", "two rules in one event", W, True, [ev("DTSTART;VALUE=DATE:20250303", "RRULE:FREQ=WEEKLY;COUNT=3", "RRULE:FREQ=MONTHLY;COUNT=3", "SUMMARY:a")]),
 ("week-long", "all-day, one week, monthly", W, True, [ev("DTSTART;VALUE=DATE:20250107", "DURATION:P1W", "RRULE:FREQ=MONTHLY;COUNT=3", "SUMMARY:a")]),
 ("several-days", "all-day with DTEND", W, True, [ev("DTSTART;VALUE=DATE:20251224", "DTEND;VALUE=DATE:20251229", "SUMMARY:a")]),
 ("nominal-day", "a nominal day over the change to summer time", W, True, [ev(f"DTSTART;{B}:20250328T120000", "DURATION:P1D", "RRULE:FREQ=DAILY;COUNT=4", "SUMMARY:a")]),
 ("exact-end", "DTEND over the change to summer time", W, False, [ev(f"DTSTART;{B}:20250328T220000", f"DTEND;{B}:20250329T060000", "RRULE:FREQ=DAILY;COUNT=4", "SUMMARY:a")]),
 ("floating", "floating times", W, True, [ev("DTSTART:20250324T213000", "DURATION:PT30M", "RRULE:FREQ=DAILY;COUNT=9", "SUMMARY:a")]),
 ("utc", "times in UTC", W, True, [ev("DTSTART:20250324T213000Z", "DURATION:PT30M", "RRULE:FREQ=DAILY;COUNT=9", "SUMMARY:a")]),
 ("utc-until-date", "UTC event with UNTIL as a date-time at its last occurrence", W, True, [ev("DTSTART:20250324T213000Z", "DURATION:PT30M", "RRULE:FREQ=DAILY;UNTIL=20250327T213000Z", "SUMMARY:a")]),
 ("until-date-all-day", "all-day with UNTIL as a date", W, True, [ev("DTSTART;VALUE=DATE:20250324", "RRULE:FREQ=DAILY;UNTIL=20250327", "SUMMARY:a")]),
 ("own-zone", "a custom VTIMEZONE", W, True, [OWN, ev("DTSTART;TZID=House:20250324T073000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=10", "SUMMARY:a"),
    ev("DTSTART;TZID=House:20251020T073000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=10", "SUMMARY:b", uid="v")]),
 ("foreign-name", "a zone name that is not of the IANA database", W, True, [ev("DTSTART;TZID=W. Europe Standard Time:20250324T073000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=10", "SUMMARY:a")]),
 ("gap-daily", "02:30 through the gap", W, True, [ev(f"DTSTART;{B}:20250328T023000", "RRULE:FREQ=DAILY;COUNT=5", "SUMMARY:a")]),
]
Z = ZoneInfo("Europe/Berlin")
def loc(x): return x.isoformat() if not isinstance(x, datetime) else (x if x.tzinfo is None else x.astimezone(timezone.utc).astimezone(Z)).replace(tzinfo=None).isoformat()
def utc(x): return x.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(x, datetime) and x.tzinfo else None
out = []
for cid, note, (a, b), ends, body in CASES:
    ics = "\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//tables//EN", *body, "END:VCALENDAR"]) + "\n"
    lo, hi = (datetime.fromisoformat(x).replace(tzinfo=Z) for x in (a, b))
    occ = []
    for e in recurring_ical_events.of(icalendar.Calendar.from_ical(ics)).between(lo, hi):
        if str(e.get("STATUS", "")) == "CANCELLED": continue
        s = e["DTSTART"].dt
        t = e["DTEND"].dt if "DTEND" in e else s + e["DURATION"].dt if "DURATION" in e else (s + timedelta(1) if not isinstance(s, datetime) else s)
        occ.append(dict(summary=str(e["SUMMARY"]), start_local=loc(s), start_utc=utc(s), end_local=loc(t), end_utc=utc(t)))
    occ.sort(key=lambda o: (o["start_local"], o["summary"]))
    out.append(dict(id=cid, note=note, ends=ends, **{"from": lo.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ"), "to": hi.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")}, ics=ics, occurrences=occ))
print(json.dumps(dict(source=f"recurring-ical-events {version('recurring-ical-events')} on icalendar {version('icalendar')}, tzdata {version('tzdata')}; zone of the asked range Europe/Berlin; made by gen_sets.py", cases=out), indent=1))
