"""Circuits solved by a general circuit simulator, ngspice, in batch mode."""

import re
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from reference import GROUND, nodes_of


def ngspice(netlist):
    """Columns of the data written by `wrdata data`, after running a netlist."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "circuit.cir").write_text("a circuit\n" + "\n".join(netlist) + "\n.end\n", encoding="utf-8")
        done = subprocess.run(
            ["ngspice", "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
        )
        data = Path(folder) / "data"
        assert data.exists(), done.stdout + done.stderr
        return np.loadtxt(data, ndmin=2)


class Names:
    """Node names that ngspice takes for nodes: x0, x1, … and 0."""

    def __init__(self, components, ground):
        self.given = nodes_of(components, ground)
        self.place = {node: f"x{k}" for k, node in enumerate(self.given)} | {ground: "0"}

    def lines(self, letter, components):
        return [
            f"{letter}{k} {self.place[a]} {self.place[b]} {value!r}" for k, (a, b, value) in enumerate(components)
        ]


def operating_point(resistors, source, drain):
    """Node voltages against `drain` for one ampere into `source`."""
    names = Names(resistors, drain)
    vectors = " ".join(f"v({names.place[node]})" for node in names.given)
    data = ngspice(
        names.lines("r", resistors)
        + [
            f"i1 0 {names.place[source]} dc 1",
            ".options reltol=1e-9 abstol=1e-15 vntol=1e-12",
            ".control",
            "set numdgt=12",
            "set wr_singlescale",
            "op",
            f"wrdata data {vectors}",
            ".endc",
        ]
    )
    return dict(zip(names.given, data[0, 1:])) | {drain: 0.0}


def transient(circuit, stop, steps=20000):
    """Times and node voltages from `initial`, integrated with steps of at most `stop / steps`.

    `circuit["lines"]` may hold lines of netlist with nodes in braces, for elements of other kinds.

    The default tolerances are made for milliamperes: here a current of 1e-10 A is large.
    """
    names = Names(circuit["resistors"] + circuit["capacitors"], GROUND)
    vectors = " ".join(f"v({names.place[node]})" for node in names.given)
    drives = [
        f"i{k} 0 {names.place[node]} dc {ampere!r}" for k, (node, ampere) in enumerate(circuit["currents"].items())
    ]
    starts = [f".ic v({names.place[node]})={volt!r}" for node, volt in circuit["initial"].items()]
    step = stop / steps
    data = ngspice(
        names.lines("r", circuit["resistors"])
        + names.lines("c", circuit["capacitors"])
        + [re.sub(r"{(.*?)}", lambda node: names.place[node[1]], line) for line in circuit.get("lines", [])]
        + drives
        + starts
        + [
            ".options reltol=1e-8 abstol=1e-20 vntol=1e-12 chgtol=1e-24 trtol=1 gmin=1e-20 method=gear maxord=2",
            ".control",
            "set numdgt=12",
            "set wr_singlescale",
            f"tran {step!r} {stop!r} 0 {step!r} uic",
            f"wrdata data {vectors}",
            ".endc",
        ]
    )
    return data[:, 0], dict(zip(names.given, data[:, 1:].T))
