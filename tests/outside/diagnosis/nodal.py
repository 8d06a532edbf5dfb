"""Nodal analysis of a bench with a resistor standard, written from docs/diagnosis.md with forty digits and a plain solution
of linear equations: nothing is eliminated in any clever way.

Deviations of resistances are natural logarithms, as in the crate's `State`; contacts and ranges count from 0.
"""

import mpmath as mp

mp.mp.dps = 40
ROWS = ["Source", "Return", "SenseHigh", "SenseLow"]


def fault_of(fault):
    """`"good"`, `{"leak": [0, 1]}` and so on to a name and its arguments."""
    if isinstance(fault, str):
        return fault, []
    ((name, arguments),) = fault.items()
    return name, arguments if isinstance(arguments, list) else [arguments]


class Network:
    """Conductances and current sources between named nodes; `None` is ground."""

    def __init__(self):
        self.places = {}
        self.branches = []
        self.sources = []

    def place(self, node):
        return None if node is None else self.places.setdefault(node, len(self.places))

    def resistor(self, a, b, ohm, emf=0):
        """A resistor with a voltage in series that raises `a` against `b`."""
        siemens = 1 / mp.mpf(ohm)
        self.branches.append((self.place(a), self.place(b), siemens))
        if emf:
            self.current(b, a, siemens * mp.mpf(emf))

    def current(self, out_of, into, ampere):
        self.sources.append((self.place(out_of), self.place(into), mp.mpf(ampere)))

    def solve(self):
        n = len(self.places)
        g, b = mp.zeros(n, n), mp.zeros(n, 1)
        for i, j, siemens in self.branches:
            for k, other in ((i, j), (j, i)):
                if k is not None:
                    g[k, k] += siemens
                    if other is not None:
                        g[k, other] -= siemens
        for out_of, into, ampere in self.sources:
            if out_of is not None:
                b[out_of] -= ampere
            if into is not None:
                b[into] += ampere
        x = mp.lu_solve(g, b)
        return lambda node: mp.mpf(0) if node is None else x[self.places[node]]


def reading(question, one):
    """What the two meters show in one reading."""
    bench, state = question["bench"], question["state"]
    name, arguments = fault_of(question["fault"])
    ends = [int(c) - 1 for c in one["configuration"].replace(",", "")]
    size = mp.mpf(state["size"])

    def circuit(source_current):
        network = Network()
        scale = size if name == "all-scaled" else 1
        for k, (i, j, ohm) in enumerate(question["resistors"]):
            off = size if name == "resistor-off" and arguments == [k] else 1
            network.resistor(f"s{i}", f"s{j}", ohm * scale * off * mp.exp(state["resistors"][k]))
        for k in range(4):
            contact = k
            if name == "leads-swapped" and k in arguments:
                contact = sum(arguments) - k
            ohm = bench["matrix"]["open_ohm"] if name == "contact-open" and arguments == [k] else bench["lead"]["ohm"]
            network.resistor(f"c{k}", f"s{contact}", ohm * mp.exp(state["leads"][k]))
        guarded = bench["guard"]
        insulation = bench["cable"]["guarded_insulation_ohm" if guarded else "insulation_ohm"]
        for k in range(4):
            network.resistor(f"r{k}", None, insulation * mp.exp(state["insulation"][k]))
            network.resistor(f"c{k}", None, insulation * mp.exp(state["insulation"][4 + k]))
        for r in range(4):
            for c in range(4):
                closed = ends[r] == c
                if arguments == [ROWS[r], c]:
                    closed = {"crosspoint-open": False, "crosspoint-closed": True}.get(name, closed)
                kind = "closed" if closed else "open"
                ohm = bench["matrix"][f"{kind}_ohm"] * mp.exp(state[kind][r][c])
                network.resistor(f"r{r}", f"c{c}", ohm, state["emf_v"][r][c] if closed else 0)
        terminals = [f"r{k}" for k in range(4)]
        if name == "row-open":
            k = ROWS.index(arguments[0])
            terminals[k] = "apart"
            network.resistor("apart", f"r{k}", 100 * bench["matrix"]["open_ohm"])
        source, back, high, low = terminals
        if name == "current-rows-exchanged":
            source, back = back, source
        if name == "voltmeter-reversed":
            high, low = low, high
        network.resistor(source, None, bench["source"]["output_ohm"] * mp.exp(state["output"]))
        buffers = None if name == "buffers-out" else bench["buffers"]
        if buffers:
            network.resistor(high, None, buffers["input_ohm"] * mp.exp(state["inputs"][0]))
            network.resistor(low, None, buffers["input_ohm"] * mp.exp(state["inputs"][1]))
        else:
            network.resistor(high, low, bench["voltmeter"]["input_ohm"] * mp.exp(state["inputs"][0]))
            if bench["voltmeter"]["low_to_ground_ohm"] is not None:
                ohm = bench["voltmeter"]["low_to_ground_ohm"] * mp.exp(state["inputs"][1])
                network.resistor(low, None, ohm)
        if name == "loading":
            network.resistor(high, low, size)
        if name == "leak":
            network.resistor(f"s{arguments[0]}", f"s{arguments[1]}", size)
        if name == "leak-to-ground":
            network.resistor(f"s{arguments[0]}", None, size)
        burden = mp.mpf(bench["ammeter"]["shorted_ohm" if name == "ammeter-shorted" else "burden_ohm"])
        network.resistor(back, None, burden)
        network.current(None, high, state["bias_a"][0])
        network.current(None, low, state["bias_a"][1])
        network.current(None, source, source_current)
        x = network.solve()
        return x(source), x(high) - x(low), x(back) / burden

    sign = -1 if name == "source-reversed" else 1
    asked = sign * (one["commanded"] * mp.exp(state["source_gain"]) + mp.mpf(state["source_offset_a"]))
    limit = size if name == "compliance-low" else one["voltage_limit"] * mp.exp(state["limit"])
    at_source, volts, amperes = circuit(asked)
    need = abs(at_source) / limit
    if need > 1:
        at_nothing = circuit(0)[0]
        driven = (limit * mp.sign(at_source) - at_nothing) / ((at_source - at_nothing) / asked)
        _, volts, amperes = circuit(driven)
    ranges = [r["full_scale"] for r in bench["voltmeter"]["ranges"]]
    volt = next(k for k, full in enumerate(ranges) if full >= one["voltage_range"] * (1 - 1e-9))
    ranges = [r["full_scale"] for r in bench["ammeter"]["ranges"]]
    ampere = next(k for k, full in enumerate(ranges) if full >= one["current_range"] * (1 - 1e-9))
    gain = size if name == "voltmeter-gain" else 1
    ammeter = {"ammeter-shorted": 0, "ammeter-reversed": -1}.get(name, 1)
    return (
        volts * gain * mp.exp(state["volt_gain"][volt]) + mp.mpf(state["volt_offset_v"][volt]),
        amperes * ammeter * mp.exp(state["ampere_gain"][ampere]) + mp.mpf(state["ampere_offset_a"][ampere]),
        need,
        at_source,
    )
