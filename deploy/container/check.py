"""The container file, as far as it can be read without an engine: its stages,
that what it copies is there, that it runs as nobody, and that what it starts is
what the service file starts. Needs dockerfile-parse (PyPI)."""

import io
import json
import pathlib
import sys

from dockerfile_parse import DockerfileParser

ROOT = pathlib.Path(__file__).resolve().parents[2]
FILE = ROOT / "deploy/container/Containerfile"

parser = DockerfileParser(fileobj=io.BytesIO(FILE.read_bytes()))
wrong = []
steps = parser.structure
known = {"FROM", "RUN", "COPY", "WORKDIR", "USER", "VOLUME", "EXPOSE", "STOPSIGNAL", "ENTRYPOINT", "CMD", "COMMENT"}
for step in steps:
    if step["instruction"] not in known:
        wrong.append(f"line {step['startline'] + 1}: {step['instruction']} is not among what was looked at")

froms = [step["value"] for step in steps if step["instruction"] == "FROM"]
if len(froms) != 2 or not froms[0].endswith(" AS build"):
    wrong.append(f"two stages are expected, the first called build: {froms}")
if any(":" not in image.split()[0] or image.split()[0].endswith(":latest") for image in froms):
    wrong.append(f"an image without its version: {froms}")

ignored = (FILE.parent / "Containerfile.containerignore").read_text().split()
for step in steps:
    if step["instruction"] != "COPY":
        continue
    words = [word for word in step["value"].split() if not word.startswith("--")]
    if "--from=build" in step["value"]:
        continue
    for source in words[:-1]:
        if not (ROOT / source).exists():
            wrong.append(f"line {step['startline'] + 1}: there is no {source}")
        if source in ignored:
            wrong.append(f"line {step['startline'] + 1}: {source} is left out of what is built from")

last = max(i for i, step in enumerate(steps) if step["instruction"] == "FROM")
final = {step["instruction"]: step["value"] for step in steps[last:]}
if not final.get("USER", "").split(":")[0].isdigit() or final["USER"].startswith("0"):
    wrong.append(f"it has to run as a user by number, and not as root: {final.get('USER')}")
if any(step["instruction"] == "RUN" for step in steps[last:]):
    wrong.append("the last stage runs something; it only has to hold the program")
words = json.loads(final["ENTRYPOINT"]) + json.loads(final["CMD"])
unit = (ROOT / "deploy/systemd/leeside.service").read_text()
if words[0] not in unit or "--journal" not in words:
    wrong.append(f"it does not start what the unit starts: {words}")

print("\n".join(wrong) or f"{FILE.name}: {len(steps)} steps, {' '.join(words)}")
sys.exit(bool(wrong))
