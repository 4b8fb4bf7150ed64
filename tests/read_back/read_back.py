"""Reads the outputs of `leeside dry-run` back with readers of other people, and
holds them against each other. Run by hand, with icalendar, jsonschema and pandas
installed (tests/README.md says how):

    python3 tests/read_back/read_back.py target/debug/leeside

The JSON must be as its published schema has it, every movement of the CSV must be one of
the JSON, every lockout of the JSON one event of the calendar, and two runs must
give the same bytes.
"""

import collections
import json
import pathlib
import subprocess
import sys
import tempfile

import icalendar
import jsonschema
import pandas

ROOT = pathlib.Path(__file__).resolve().parents[2]
SPAN = ["--year", "2027", "--weather", "tests/weather/tmy3_744860_new_york_jfk.csv.gz"]
FORMATS = ["csv", "json", "ics", "html"]


def run(program: str, form: str, path: pathlib.Path) -> bytes:
    words = [program, "dry-run", "deploy/example/site.toml", *SPAN, "--format", form, "--output", str(path)]
    subprocess.run(words, cwd=ROOT, check=True)
    return path.read_bytes()


def lockouts(told: list[dict]) -> int:
    """Lockouts that began in the span, or before it and were told of."""
    began, standing = 0, set()
    for change in told:
        key = (change["group"], change["guard"])
        if change["engaged"]:
            began += key not in standing
            standing.add(key)
        else:
            began += key not in standing
            standing.discard(key)
    return began


def main() -> None:
    program = str(pathlib.Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as folder:
        out = {form: run(program, form, pathlib.Path(folder, f"once.{form}")) for form in FORMATS}
        for form in FORMATS:
            assert out[form] == run(program, form, pathlib.Path(folder, f"again.{form}")), form
        table = pandas.read_csv(pathlib.Path(folder, "once.csv"), comment="#")
    told = json.loads(out["json"])
    schema = json.loads((ROOT / "deploy/schemas/dry-run.schema.json").read_text())
    jsonschema.validate(told, schema, jsonschema.Draft202012Validator)
    assert len(table) == len(told["movements"])
    for column in ["at_utc", "group", "decided_by", "reason"]:
        assert list(table[column]) == [movement[column] for movement in told["movements"]], column

    calendar = icalendar.Calendar.from_ical(out["ics"])
    events = calendar.walk("VEVENT")
    kinds = collections.Counter(str(event["CATEGORIES"].cats[0]) for event in events)
    assert not calendar.errors and not any(event.errors for event in events)
    assert len({str(event["UID"]) for event in events}) == len(events)
    assert all(event["DTSTART"].dt.utcoffset() is not None for event in events)
    assert all(event["DTEND"].dt > event["DTSTART"].dt for event in events if "DTEND" in event)
    assert kinds["lockout"] == lockouts(told["lockouts"]), kinds
    print(f"{len(table)} movements, {dict(kinds)}, {len(out['html'])} bytes of HTML: all agree")


if __name__ == "__main__":
    main()
