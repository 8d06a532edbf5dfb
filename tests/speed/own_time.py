"""The program's own time in a real night: a measurement over TCP against the simulated bench on this machine.

    cargo build --release -p quadrille
    python tests/speed/own_time.py target/release/quadrille [REPEATS]

Prints, for a film of a kilohm and for a standard of gigohms, the wall time of `measure`, the processor time that it used, the
part of one in the other, and by how much the wall time is longer than the virtual time of a rehearsal of the same documents,
which is what instruments and waits alone take. What the simulated bench uses is in neither: it is another process.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DEMO = Path(__file__).resolve().parents[2] / "config" / "demo"

RECIPE = """
kind = "recipe"
name = "own time"
current_a = {current}
voltage_limit_v = {limit}
reversal = "+--+"
repeats = {repeats}
temperature_k = 295.0
guard = "by-resistance"
buffers = "by-resistance"
[settling]
by_evidence = true
[resistivity]
configurations = "standard"
"""
SETS = {
    "film of a kilohm": ("film.toml", "1e-4", "2.0"),
    "standard of gigohms": ("standard-high.toml", "2e-10", "5.0"),
}


def rehearsed(program, bench, sample, recipe):
    arguments = ["rehearse", "--bench", bench, "--sample", sample, "--recipe", recipe, "--json"]
    done = subprocess.run([program, *arguments], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)["duration_s"]


def measured(program, bench, sample, recipe, folder):
    """Wall and processor time of one measurement, in seconds."""
    served = Path(folder) / "served.toml"
    arguments = ["--bench", bench, "--sample", sample, "--listen", "127.0.0.1:0", "--bench-out", served, "--json"]
    bench = subprocess.Popen([program, "simulate", *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        bench.stdout.readline()
        journal = Path(folder) / f"journal-{time.monotonic_ns()}.sqlite"
        documents = ["--bench", served, "--sample", sample, "--recipe", recipe, "--journal", journal]
        with open(Path(folder) / "out.txt", "w", encoding="utf-8") as out:
            begun = time.perf_counter()
            run = subprocess.Popen([program, "measure", *documents, "--json"], stdout=out, stderr=out)
            _, status, used = os.wait4(run.pid, 0)
            wall = time.perf_counter() - begun
        assert status == 0, (Path(folder) / "out.txt").read_text(encoding="utf-8")
        return wall, used.ru_utime + used.ru_stime
    finally:
        bench.send_signal(signal.SIGTERM)
        bench.wait(30)


program = sys.argv[1]
repeats = int(sys.argv[2]) if len(sys.argv) > 2 else 20
print("| sample | wall s | processor s | part % | rehearsed s | longer by % |")
print("|---|---|---|---|---|---|")
with tempfile.TemporaryDirectory() as folder:
    for name, (sample, current, limit) in SETS.items():
        recipe = Path(folder) / "recipe.toml"
        recipe.write_text(RECIPE.format(current=current, limit=limit, repeats=repeats), encoding="utf-8")
        virtual = rehearsed(program, DEMO / "bench.toml", DEMO / sample, recipe)
        wall, used = measured(program, DEMO / "bench.toml", DEMO / sample, recipe, folder)
        longer = 100 * (wall / virtual - 1)
        print(f"| {name} | {wall:.1f} | {used:.2f} | {100 * used / wall:.2f} | {virtual:.1f} | {longer:.1f} |")
