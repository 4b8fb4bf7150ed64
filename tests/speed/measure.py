#!/usr/bin/env python3
"""The service's speed goals that are no ratio, measured on this machine.

    cargo build --release
    tests/speed/measure.py [PROGRAM]        default: target/release/leeside

Start to ready and resident memory with 10,000 drives (through a mosquitto of its
own), resident memory and idle CPU for the example site with the embedded broker.
Needs mosquitto. The machine's load is printed with it: figures of a busy machine
are upper bounds. The burst of commands is measured against a bare client with
`cargo bench -p leeside-daemon --bench burst`.
"""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DRIVES = 10_000
IDLE_S = 60

HEAD = """
[site]
name = "Speed"
latitude_deg = 40.65
longitude_deg = -73.80
altitude_m = 5
zone = "America/New_York"
[policy]
fire_moves_service = {{ answer = false, decided_by = "a measurement", decided_on = 2026-11-01 }}
frozen_device_in_wind = {{ answer = "hold", decided_by = "a measurement", decided_on = 2026-11-01 }}
time_to_safe_max_s = 300
[broker]
root = "speed"
external = {{ host = "127.0.0.1", port = {port} }}
[[facade]]
name = "south"
azimuth_deg = 180
[[product]]
name = "screen"
kind = "screen"
travel_extend_s = 30
travel_retract_s = 30
reversal_pause_s = 0.5
wind_limit_mps = 14
wind_limit_source = "made up for a measurement"
refuge = {{ wind = "retracted", hail = "not_harmed", ice = "not_harmed", rain = "not_harmed" }}
[[sensor]]
name = "mast"
kind = "wind"
facades = ["south"]
silence_s = 60
stuck_h = 24
[[wind]]
name = "mast"
sensors = [{{ sensor = "mast", factor = 1.0 }}]
hold_min = 15
[[timetable]]
name = "out"
[timetable.days]
workday = [{{ phase = "out", at = "00:00", pose = "extended", sun = false }}]
weekend = "workday"
holiday = "workday"
closed = "workday"
"""


def large(port):
    text = [HEAD.format(port=port)]
    for n in range(DRIVES):
        text.append(
            f'[[feeder]]\nname = "F-{n}"\nstagger_s = 0.2\n'
            f'[[device]]\nname = "D-{n}"\nproduct = "screen"\nfacade = "south"\nfeeder = "F-{n}"\n'
        )
    for first in range(0, DRIVES, 10):
        names = ", ".join(f'"D-{n}"' for n in range(first, first + 10))
        text.append(
            f'[[group]]\nname = "G-{first}"\ndevices = [{names}]\nwind = "mast"\n'
            'timetable = "out"\nrest = "retracted"\n'
        )
    return "".join(text)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def started(program, site, folder):
    """Starts the service; how long it took until it said that it is ready."""
    place = str(folder / "notify")
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(place)
    manager.settimeout(60)
    begun = time.monotonic()
    process = subprocess.Popen(
        [program, "run", "--quiet", site],
        env={**os.environ, "NOTIFY_SOCKET": place},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        while b"READY=1" not in manager.recv(4096):
            pass
    except TimeoutError:
        process.kill()
        sys.exit(f"the service was never ready: try `{program} check {site}`")
    took = time.monotonic() - begun
    manager.close()
    os.unlink(place)
    return process, took


def resident_mib(pid):
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+) kB", status).group(1)) / 1024


def cpu_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def stop(process):
    process.send_signal(signal.SIGTERM)
    process.wait(60)


def main():
    program = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "target/release/leeside")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        port = free_port()
        (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
        path = os.environ["PATH"] + ":/usr/sbin"
        broker = subprocess.Popen(
            [shutil.which("mosquitto", path=path), "-c", str(folder / "mosquitto.conf")],
            stderr=subprocess.DEVNULL,
        )
        site = folder / "large.toml"
        site.write_text(large(port))
        times = []
        try:
            for _ in range(3):
                process, took = started(program, str(site), folder)
                times.append(took * 1000)
                time.sleep(5)
                memory = resident_mib(process.pid)
                stop(process)
        finally:
            broker.terminate()
            broker.wait(10)
        median = sorted(times)[1]
        print(f"start to ready, {DRIVES} drives   {median:8.0f} ms   goal 300")
        print(f"resident, {DRIVES} drives         {memory:8.1f} MiB  goal 100")

        for name in ("house.ics", "cleaning.ics"):
            shutil.copy(ROOT / "deploy/example" / name, folder)
        text = (ROOT / "deploy/example/site.toml").read_text()
        text = re.sub(r'embedded = \{ listen = "[^"]*" \}', f'embedded = {{ listen = "127.0.0.1:{free_port()}" }}', text)
        text = re.sub(r'(\[page\]\nlisten = )"[^"]*"', rf'\1"127.0.0.1:{free_port()}"', text)
        site = folder / "example.toml"
        site.write_text(text)
        process, took = started(program, str(site), folder)
        time.sleep(20)
        before, begun = cpu_s(process.pid), time.monotonic()
        time.sleep(IDLE_S)
        share = (cpu_s(process.pid) - before) / (time.monotonic() - begun) * 100
        memory = resident_mib(process.pid)
        stop(process)
        print(f"start to ready, example         {took * 1000:8.0f} ms")
        print(f"resident, example               {memory:8.1f} MiB  goal 40")
        print(f"idle CPU, example               {share:8.2f} %    goal 0.2 of a core")


if __name__ == "__main__":
    main()
