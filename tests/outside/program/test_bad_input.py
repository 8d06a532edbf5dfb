"""Wrong documents and tables: told with file, line, column, key, reason and remedy, all at once, and nothing touched."""

import json
import os
import re
import socket
from dataclasses import dataclass
from pathlib import Path

import pytest
from children import DEMO

DIALECTS = DEMO.parent / "dialects"
PORTS = [5025, 5026, 5027, 5028]
TEXTS = {
    "bench": (DEMO / "bench.toml").read_text(),
    "sample": (DEMO / "standard-low.toml").read_text(),
    "film": (DEMO / "film.toml").read_text(),
    "recipe": (DEMO / "film-recipe.toml").read_text(),
    "source-dialect": (DIALECTS / "current-source.toml").read_text(),
    "matrix-dialect": (DIALECTS / "switch-matrix.toml").read_text(),
}


@dataclass
class Wrong:
    """A document with one or more changes, and where each fault should be found."""

    document: str
    changes: list
    # (text at which the fault begins, key, pattern of the reason); the text is looked for in the changed document.
    faults: list
    # A fault that shows only when documents are put together is not one that `check` can see.
    alone: bool = True


def wrong(document, old, new, at, key, reason, **more):
    return Wrong(document, [(old, new)], [(at, key, reason)], **more)


VOLTMETER_AT = '"TCPIP::127.0.0.1::5026::SOCKET"'

CASES = {
    # types, units as text, numbers that are none
    "a number with its unit as text": wrong("recipe", "current_a = 1e-4", 'current_a = "100 uA"', '"100 uA"', "current_a", "a number in A"),
    "a text for a number": wrong("bench", "frequency_hz = 50", 'frequency_hz = "fifty"', '"fifty"', "mains.frequency_hz", "number"),
    "a number for a text": wrong("bench", 'name = "demonstration bench"', "name = 7", "7", "name", "a text"),
    "a text for a flag": wrong("bench", "guard = true", 'guard = "yes"', '"yes"', "wiring.guard", "true or false"),
    "a list for a table": wrong("recipe", "[settling]\ntime_constants = 14", "settling = [14]\n", "[14]", "settling", "a table"),
    "not a number": wrong("recipe", "current_a = 1e-4", "current_a = nan", "nan", "current_a", "."),
    "infinity": wrong("bench", "voltage_v = 20.0", "voltage_v = inf", "inf", "limits.voltage_v", "."),
    "minus infinity": wrong("sample", "33e3]", "-inf]", "-inf", "model.resistors[3][2]", "."),
    "a huge number": wrong("recipe", "voltage_limit_v = 2.0", "voltage_limit_v = 1e308", "1e308", "voltage_limit_v", "out of bounds"),
    "a number that overflows": wrong("recipe", "temperature_k = 295.0", "temperature_k = 1e999", "1e999", "temperature_k", "."),
    "an integer that overflows": wrong("bench", "seed = 20", "seed = 99999999999999999999999", "9999", "simulation.seed", "."),
    "a negative current": wrong("recipe", "current_a = 1e-4", "current_a = -1e-4", "-1e-4", "current_a", "out of bounds"),
    "zero kelvin": wrong("recipe", "temperature_k = 295.0", "temperature_k = 0", "0\n", "temperature_k", "out of bounds"),
    "a negative resistance": wrong("sample", '["b", "c", 15e3]', '["b", "c", -15e3]', "-15e3", "model.resistors[1][2]", "out of bounds"),
    "half a contact": wrong("bench", "columns = [1, 2, 3, 4]", "columns = [1, 2, 3.5, 4]", "3.5", "wiring.columns[2]", "whole"),
    "a date": wrong("recipe", "aperture_plc = 1", "aperture_plc = 2025-01-01", "2025-01-01", "aperture_plc", "number"),
    # unknown and missing
    "an unknown key": wrong("bench", "[mains]", "colour = 1\n[mains]", "colour", "colour", "unknown"),
    "a key misspelt in a table": Wrong("bench", [("power_w = 0.005", "powr_w = 0.005")], [("powr_w", "limits.powr_w", "unknown"), ("[limits]", "limits", "`power_w` is missing")]),
    "a missing part": wrong("bench", "[mains]\nfrequency_hz = 50\n", "", None, "", "`mains` is missing"),
    "a missing limit": wrong("bench", "current_a = 0.01\n", "", "[limits]", "limits", "`current_a` is missing"),
    "two ways to settle": wrong("recipe", "time_constants = 14\n", "time_constants = 14\ntime_s = 1\n", "[settling]", "settling", "exactly one"),
    "a range that ends elsewhere": wrong("recipe", "temperature_k = 295.0", "temperatures_k = { from = 300, to = 280, step = 7 }", "7 }", "temperatures_k.step", "do not end at 280"),
    "nothing to measure": Wrong("recipe", [('[resistivity]\nconfigurations = "standard"\n', ""), ("[hall]", "[gone]")], [("gone]", "gone", "unknown"), (None, "", "measures nothing")]),
    "no kind": wrong("sample", 'kind = "sample"\n', "", None, "", "kind"),
    "another kind": wrong("sample", 'kind = "sample"', 'kind = "recipe"', '"recipe"', "kind", ".", alone=False),
    "a role twice": Wrong("bench", [('role = "ammeter"', 'role = "voltmeter"')], [('"voltmeter"\nresource = "TCPIP::127.0.0.1::5027', "instrument[2].role", "second voltmeter"), (None, "", "has no ammeter")]),
    "an unknown role": wrong("bench", 'role = "ammeter"', 'role = "thermometer"', '"thermometer"', "instrument[2].role", "not known"),
    # wiring
    "rows that short the source": wrong("bench", "return_low = 2", "return_low = 1", "1   ", "wiring.rows.return_low", "short the source"),
    "sense rows tied together": wrong("bench", "sense_low = 4", "sense_low = 3", "3\n\n[wiring.buffers]", "wiring.rows.sense_low", "tie two terminals"),
    "a contact twice in the wiring": wrong("bench", "columns = [1, 2, 3, 4]", "columns = [1, 2, 2, 4]", "2, 4]", "wiring.columns[2]", "both on column 2"),
    "three contacts wired": wrong("bench", "columns = [1, 2, 3, 4]", "columns = [1, 2, 3]", "[1, 2, 3]", "wiring.columns", "only 3"),
    "buffers on a contact's crosspoint": wrong("bench", 'crosspoint = "5!1"', 'crosspoint = "3!1"', '"3!1"', "wiring.buffers.crosspoint", "joins an instrument"),
    "a crosspoint that is none": wrong("bench", 'crosspoint = "5!1"', 'crosspoint = "5!1);*RST"', '"5!1);*RST"', "wiring.buffers.crosspoint", "not a crosspoint"),
    "a contact twice in a configuration": wrong("recipe", 'configurations = "standard"', 'configurations = ["12,41"]', '"12,41"', "resistivity.configurations[0]", "twice"),
    "a node twice": wrong("sample", 'contacts = ["a", "b", "c", "d"]', 'contacts = ["a", "b", "b", "d"]', '"b", "d"]\n', "contacts[2]", "already contact 2"),
    "a node that no resistor joins": wrong("sample", 'contacts = ["a", "b", "c", "d"]', 'contacts = ["a", "b", "c", "e"]', '"e"', "contacts[3]", "no resistor joins"),
    "a resistor to itself": wrong("sample", '["c", "d", 22e3]', '["c", "c", 22e3]', '["c", "c", 22e3]', "model.resistors[2]", "does nothing"),
    "a resistor with two values": wrong("sample", '["c", "d", 22e3]', '["c", "d", 22e3, 1]', '["c", "d", 22e3, 1]', "model.resistors[2]", "."),
    # resources
    "a resource without port": wrong("bench", VOLTMETER_AT, '"TCPIP::127.0.0.1::SOCKET"', '"TCPIP::127.0.0.1::SOCKET"', "instrument[1].resource", "."),
    "a port out of range": wrong("bench", VOLTMETER_AT, '"TCPIP::127.0.0.1::70000::SOCKET"', '"TCPIP::127.0.0.1::70000', "instrument[1].resource", "."),
    "port zero": wrong("bench", VOLTMETER_AT, '"TCPIP::127.0.0.1::0::SOCKET"', '"TCPIP::127.0.0.1::0::', "instrument[1].resource", "."),
    "a bus that is not carried": wrong("bench", VOLTMETER_AT, '"GPIB0::12::INSTR"', '"GPIB0', "instrument[1].resource", "not carried"),
    "no resource at all": wrong("bench", VOLTMETER_AT, '"over there"', '"over there"', "instrument[1].resource", "."),
    "the same resource twice": wrong("bench", VOLTMETER_AT, '"TCPIP::127.0.0.1::5025::SOCKET"', '"TCPIP::127.0.0.1::5025::SOCKET"\ndialect = "voltmeter"', "instrument[1].resource", "same resource"),
    "a dialect that is not shipped": wrong("bench", 'dialect = "voltmeter"', 'dialect = "voltmetre"', '"voltmetre"', "instrument[1].dialect", "no dialect"),
    "a dialect of another role": wrong("bench", 'dialect = "voltmeter"', 'dialect = "ammeter"', '"ammeter"\nidentity = "*VIRTUAL VOLT', "instrument[1].dialect", "for a"),
    # limits
    "hazardous voltage unacknowledged": wrong("bench", "voltage_v = 20.0", "voltage_v = 100.0", "100.0", "limits.voltage_v", "hazardous"),
    "more current than the sample may have": Wrong("recipe", [("current_a = 1e-4", "current_a = 5e-3")], [("5e-3", "current_a", "above the sample's limit"), ("2.0\n", "voltage_limit_v", "times .* above the bench's limit|times .* above the sample's limit")], alone=False),
    "more voltage than the sample may have": wrong("recipe", "voltage_limit_v = 2.0", "voltage_limit_v = 15", "15", "voltage_limit_v", "above the sample's limit", alone=False),
    "more current and voltage than the bench": Wrong("recipe", [("current_a = 1e-4", "current_a = 0.02"), ("voltage_limit_v = 2.0", "voltage_limit_v = 30")], [("0.02", "current_a", "limit"), ("30", "voltage_limit_v", "limit"), ("30", "voltage_limit_v", "times")], alone=False),
    "a contact that is not there": wrong("recipe", 'configurations = "standard"', 'configurations = ["12,35"]', '"12,35"', "resistivity.configurations[0]", "only 4", alone=False),
    # dialects
    "a value that could carry a separator": wrong("source-dialect", "CURRent {level_a}", "CURRent {name}", '":SOURce:CURRent {name}"', "commands.set_level", "could carry a separator"),
    "a template over two lines": wrong("source-dialect", ":OUTPut:STATe OFF", ":OUTPut:STATe OFF\\n:OUTPut:STATe ON", '":OUTPut:STATe OFF\\n', "commands.output_off", "cannot stand in a command"),
    "a command that asks": wrong("source-dialect", '":OUTPut:GUARd ON"', '":OUTPut:GUARd ON;*IDN?"', '":OUTPut:GUARd ON;*IDN?"', "commands.guard_on", "must not ask"),
    "a set command without its value": wrong("source-dialect", "CURRent {level_a}", "CURRent 1", '":SOURce:CURRent 1"', "commands.set_level", "does not appear"),
    "crosspoints that split the command": wrong("matrix-dialect", 'crosspoint = "{row}!{column}"', 'crosspoint = "{row};{column}"', '"{row};{column}"', "crosspoint", "split"),
    "no command to switch off": wrong("source-dialect", 'output_off = ":OUTPut:STATe OFF"\n', "", "[commands]", "commands", "`output_off` is missing"),
    # several at once
    "four faults": Wrong(
        "bench",
        [("frequency_hz = 50", "frequency_hz = 5000"), ("power_w = 0.005", "power_w = true"), ('dialect = "ammeter"', "dialect = 3"), ("insulation_ohm = 1e11", "insulation_ohm = 1"), ],
        [("5000", "mains.frequency_hz", "bounds"), ("true\n", "limits.power_w", "number"), ("3\nid", "instrument[2].dialect", "a text"), ("1\nguarded_cap", "wiring.cable.insulation_ohm", "bounds")],
    ),
}  # fmt: skip
SYNTAX = {
    "a bracket left open": ("columns = [1, 2, 3, 4]", "columns = [1, 2, 3, 4"),
    "a quote left open": ('name = "demonstration bench"', 'name = "demonstration bench'),
    "a key twice": ("frequency_hz = 50", "frequency_hz = 50\nfrequency_hz = 60"),
    "a table twice": ("[mains]", "[limits]\n[mains]"),
    "a decimal comma": ("voltage_v = 20.0", "voltage_v = 20,0"),
    "a key without a value": ("guard = true", "guard ="),
    "a control character": ("demonstration bench", "demonstration\x01bench"),
}


@pytest.fixture(scope="module")
def listeners():
    """Where the instruments would be: nobody may connect."""
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in PORTS]
    for each in sockets:
        each.setblocking(False)
    yield sockets
    for each in sockets:
        each.close()


def nobody_came(listeners):
    for each in listeners:
        with pytest.raises(BlockingIOError):
            each.accept()


class Desk:
    """The documents of a laboratory in a folder, one of them to be spoilt."""

    def __init__(self, quadrille, folder, listeners):
        self.quadrille, self.folder, self.listeners = quadrille, folder, listeners
        self.journal = folder / "journal.sqlite"
        self.paths = {name: folder / f"{name}.toml" for name in TEXTS}
        for name, text in TEXTS.items():
            self.write(name, text)

    def write(self, name, text):
        if name == "bench":
            for port, listener in zip(PORTS, self.listeners):
                text = text.replace(f"::{port}::", f"::{listener.getsockname()[1]}::")
            # A dialect of the laboratory's own, so that one that is wrong is read with the bench.
            for role in ("source", "matrix"):
                shipped = {"source": "current-source", "matrix": "switch-matrix"}[role]
                text = text.replace(f'dialect = "{shipped}"', f'dialect = "{role}-dialect.toml"')
        data = text if isinstance(text, bytes) else text.encode()
        self.paths[name].write_bytes(data)
        return text

    def commands(self, name, *, alone=True):
        """Every command that reads a document."""
        bench, sample, film, recipe = (self.paths[n] for n in ("bench", "sample", "film", "recipe"))
        check = [["check", self.paths[name]]] if alone else []
        journal = ["--journal", self.journal]
        predict = ["predict", "--sample", sample]
        verify = ["verify", "--bench", bench, "--sample", sample, *journal]
        run = ["--bench", bench, "--sample", sample if name == "sample" else film, "--recipe", recipe]
        rehearse, measure = ["rehearse", *run], ["measure", *run, *journal]
        simulate = ["simulate", "--bench", bench, "--sample", sample, "--listen", "127.0.0.1:0"]
        reduce = ["reduce", "--sample", sample, self.folder / "readings.csv"]
        return check + {
            "recipe": [rehearse, measure],
            "sample": [predict, verify, rehearse, measure, simulate],
            "film": [rehearse, measure],
        }.get(name, [verify, rehearse, measure, simulate])

    def nothing_was_touched(self):
        nobody_came(self.listeners)
        if self.journal.exists():
            assert self.quadrille("runs", "--journal", self.journal, "--json").json["runs"] == []

    def refused(self, arguments):
        """Faults of a command that must be refused, for a person and for a program; they are the same."""
        person = self.quadrille(*arguments, timeout=20)
        machine = self.quadrille(*arguments, "--json", timeout=20)
        for answer in (person, machine):
            assert answer.code == 2, (arguments, answer)
            assert "panicked" not in answer.err + answer.out
            assert "Traceback" not in answer.err
        assert person.out == ""
        assert person.err == machine.err
        faults = json.loads(machine.out)["faults"]
        assert faults
        for fault in faults:
            assert fault["problem"] and fault["remedy"]
            place = f"{fault['document']}:{fault['line']}:{fault['column']}: "
            key = f"{fault['key']}: " if fault["key"] else ""
            assert f"{place}{key}{fault['problem']}; {fault['remedy']}\n" in person.err + "\n", fault
        self.nothing_was_touched()
        return faults


@pytest.fixture
def desk(quadrille, tmp_path, listeners):
    return Desk(quadrille, tmp_path, listeners)


def test_the_documents_themselves_are_right(desk):
    assert desk.quadrille("check", *desk.paths.values()).code == 0


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_document_is_told_where_and_why(desk, name):
    case = CASES[name]
    text = TEXTS[case.document]
    for old, new in case.changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    text = desk.write(case.document, text)
    for arguments in desk.commands(case.document, alone=case.alone):
        faults = desk.refused(arguments)
        assert len(faults) == len(case.faults), faults
        assert [fault["document"] for fault in faults] == [str(desk.paths[case.document])] * len(faults)
        left = list(faults)
        for at, key, reason in case.faults:
            mine = [f for f in left if f["key"] == key and re.search(reason, f["problem"])]
            assert mine, (key, reason, left)
            left.remove(mine[0])
            if at is None:
                assert (mine[0]["line"], mine[0]["column"]) == (1, 1)
                continue
            for port, listener in zip(PORTS, desk.listeners):
                at = at.replace(f"::{port}", f"::{listener.getsockname()[1]}")
            assert (mine[0]["line"], mine[0]["column"]) == place_of(text, at), (name, mine[0])


def place_of(text, at):
    """The first place of a text that begins a value."""
    for match in re.finditer(re.escape(at), text):
        before = text[: match.start()]
        if before == "" or before[-1] in "\n= [,":
            return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
    raise AssertionError(f"{at!r} is nowhere")


@pytest.mark.parametrize("name", SYNTAX)
def test_faults_of_syntax_are_told_with_their_line(desk, name):
    old, new = SYNTAX[name]
    text = desk.write("bench", TEXTS["bench"].replace(old, new, 1))
    lines = [k + 1 for k, line in enumerate(text.split("\n")) if new.split("\n")[0] in line]
    for arguments in desk.commands("bench"):
        faults = desk.refused(arguments)
        # TOML may notice what is left open at the end of the line, or on the next.
        assert any(line <= fault["line"] <= line + 2 for fault in faults for line in lines), (lines, faults)


FILES = {
    "an empty file": b"",
    "only a comment": b"# nothing here\n",
    "binary": bytes(range(256)) * 8,
    "not UTF-8": TEXTS["bench"].replace("demonstration", "d\xe9monstration").encode("latin-1"),
    "zeros": b"\0" * 4096,
    "a table of readings": b"time_s,temperature_k\n0,295\n",
    "one endless line": b"a" * 1_000_000,
    "deep brackets": b"x = " + b"[" * 20_000,
    "deep tables": b"[" + b"a." * 20_000 + b"a]\n",
    "UTF-16": TEXTS["bench"].encode("utf-16"),
}


@pytest.mark.parametrize("document", ["bench", "sample", "recipe", "source-dialect"])
@pytest.mark.parametrize("name", FILES)
def test_a_file_that_is_no_document_is_refused(desk, name, document):
    desk.paths[document].write_bytes(FILES[name])
    for arguments in desk.commands(document):
        faults = desk.refused(arguments)
        assert any(fault["document"] == str(desk.paths[document]) for fault in faults)


@pytest.mark.parametrize("document", ["bench", "sample", "recipe", "source-dialect"])
@pytest.mark.parametrize("what", ["missing", "a folder", "a dangling link"])
def test_a_path_that_leads_to_no_file_is_refused(desk, what, document):
    path = desk.paths[document]
    path.unlink()
    if what == "a folder":
        path.mkdir()
    elif what == "a dangling link":
        path.symlink_to(desk.folder / "nowhere")
    for arguments in desk.commands(document):
        faults = desk.refused(arguments)
        # A dialect that is not there is told at the line of the bench that names it.
        assert any(str(path) == fault["document"] or str(path) in fault["problem"] for fault in faults), faults


def test_faults_of_all_documents_are_told_at_once(desk):
    desk.write("bench", TEXTS["bench"].replace("frequency_hz = 50", "frequency_hz = 0"))
    desk.write("film", TEXTS["film"].replace("thickness_m = 480e-9", "thickness_m = -1"))
    desk.write("recipe", TEXTS["recipe"].replace("current_a = 1e-4", "current_a = 1e99"))
    (*_, measure) = desk.commands("recipe")
    documents = {Path(fault["document"]).stem for fault in desk.refused(measure)}
    assert documents == {"bench", "film", "recipe"}


def test_a_recipe_beyond_the_limits_leaves_no_journal_behind(desk):
    desk.write("recipe", TEXTS["recipe"].replace("voltage_limit_v = 2.0", "voltage_limit_v = 15"))
    (*_, measure) = desk.commands("recipe", alone=False)
    desk.refused(measure)
    assert not desk.journal.exists()


def test_a_byte_order_mark_and_carriage_returns_are_no_fault(desk):
    text = "\ufeff" + TEXTS["sample"].replace("\n", "\r\n")
    desk.paths["sample"].write_bytes(text.encode())
    assert desk.quadrille("check", desk.paths["sample"]).code == 0


HEADER = "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v"
ROW = "0.5,295,0,2,1,3,4,1e-4,0.0318"
TABLES = {
    # text, then (line, column, key) of each fault; columns count characters from 1
    "a decimal comma": (f"{HEADER}\n0,5,295,0,2,1,3,4,1e-4,0.0318\n", [(2, 1, "")]),
    "not a number": (f"{HEADER}\n{ROW}\n{ROW.replace('0.0318', 'NaN')}\n", [(3, 24, "voltage_v")]),
    "infinity": (f"{HEADER}\n{ROW.replace('1e-4', 'inf')}\n", [(2, 19, "current_a")]),
    "SCPI's not-a-number": (f"{HEADER}\n{ROW.replace('0.0318', '9.91E37')}\n", [(2, 24, "voltage_v")]),
    "a word": (f"{HEADER}\n{ROW.replace('295', 'room')}\n", [(2, 5, "temperature_k")]),
    "zero kelvin": (f"{HEADER}\n{ROW.replace('295', '0')}\n", [(2, 5, "temperature_k")]),
    "a contact twice": (f"{HEADER}\n{ROW.replace('2,1,3,4', '2,1,1,4')}\n", [(2, 11, "source_in")]),
    "contact zero": (f"{HEADER}\n{ROW.replace('2,1,3,4', '0,1,3,4')}\n", [(2, 11, "source_in")]),
    "half a contact": (f"{HEADER}\n{ROW.replace('2,1,3,4', '2,1,3.5,4')}\n", [(2, 15, "sense_high")]),
    "a field too few": (f"{HEADER}\n0.5,295,0\n", [(2, 1, "")]),
    "a column missing": (f"{HEADER.replace(',field_t', '')}\n0,295,2,1,3,4,1e-4,0.03\n", [(1, 1, "field_t")]),
    "an unknown column": (f"{HEADER},colour\n{ROW},red\n", [(1, len(HEADER) + 2, "colour")]),
    "a column twice": (f"{HEADER},field_t\n{ROW},0\n", [(1, len(HEADER) + 2, "field_t")]),
    "only a header": (f"{HEADER}\n", [(1, 1, "")]),
    "a negative uncertainty": (f"{HEADER},voltage_u_v\n{ROW},-1e-6\n", [(2, 31, "voltage_u_v")]),
    "an unknown condition": (f"{HEADER},condition\n{ROW},fine\n", [(2, 31, "condition")]),
    "two faults in one row": (f"{HEADER}\nx,295,0,2,1,3,4,y,0.03\n", [(2, 1, "time_s"), (2, 17, "current_a")]),
    "faults in several rows": (f"{HEADER}\n{ROW},\nx{ROW}\n{ROW}\n{ROW}0x\n", [(2, 1, ""), (3, 1, "time_s"), (5, 24, "voltage_v")]),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLES)
def test_a_wrong_table_is_told_with_line_and_column(desk, name):
    text, expected = TABLES[name]
    table = desk.folder / "readings.csv"
    table.write_text(text)
    faults = desk.refused(["reduce", "--sample", desk.paths["film"], table])
    assert [(fault["line"], fault["column"], fault["key"]) for fault in faults] == expected, faults
    assert {fault["document"] for fault in faults} == {str(table)}


@pytest.mark.parametrize("between", ["# a comment\n", "\n", "# one\n\n# two\n"])
def test_a_line_is_counted_through_comments_and_empty_lines(desk, between):
    table = desk.folder / "readings.csv"
    table.write_text(f"{HEADER}\n{ROW}\n{between}x{ROW}\n")
    (fault,) = desk.refused(["reduce", "--sample", desk.paths["film"], table])
    assert fault["line"] == 3 + between.count("\n")


@pytest.mark.parametrize("name", ["an empty file", "binary", "zeros", "UTF-16", "one endless line"])
def test_a_file_that_is_no_table_is_refused(desk, name):
    table = desk.folder / "readings.csv"
    table.write_bytes(FILES[name])
    desk.refused(["reduce", "--sample", desk.paths["film"], table])


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["check"],
        ["measure"],
        ["measure", "--bench", "x"],
        ["predict", "--sample", "{film}", "--field-t", "much"],
        ["predict", "--sample", "{film}", "--field-t", "nan"],
        ["predict", "--sample", "{film}", "--field-t=inf"],
        ["verify", "--bench", "{bench}", "--sample", "{sample}", "--guard", "perhaps", "--journal", "{journal}"],
        ["rehearse", "--bench", "{bench}", "--sample", "{film}", "--recipe", "{recipe}", "--seed", "-1"],
        ["simulate", "--bench", "{bench}", "--sample", "{film}", "--listen", "everywhere"],
        ["simulate", "--bench", "{bench}", "--sample", "{film}", "--listen", "127.0.0.1:0", "--field-t", "nan"],
        ["simulate", "--bench", "{bench}", "--sample", "{film}", "--listen", "127.0.0.1:0", "--bench-out", "/nowhere/b.toml"],
        ["export", "first"],
        ["runs", "--journal", "{journal}"],
        ["export", "1", "--journal", "{journal}"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_a_wrong_command_line_is_refused(desk, arguments):
    names = {**desk.paths, "journal": desk.journal}
    answer = desk.quadrille(*(argument.format(**names) for argument in arguments), timeout=20)
    assert answer.code == 2, answer
    assert answer.err.strip() and "panicked" not in answer.err
    desk.nothing_was_touched()


@pytest.mark.parametrize("release", [[], ["--release-v", "50"], ["--release-v", "nan"], ["--release-v=-100"]])
def test_hazardous_voltage_needs_a_release_that_is_high_enough(desk, release):
    bench = TEXTS["bench"].replace("voltage_v = 20.0", "voltage_v = 100.0\nhazardous_voltage_acknowledged = true")
    desk.write("bench", bench.replace("power_w = 0.005", "power_w = 0.1"))
    desk.write("film", TEXTS["film"].replace("voltage_v = 10.0", "voltage_v = 100.0").replace("0.002", "0.1"))
    desk.write("recipe", TEXTS["recipe"].replace("voltage_limit_v = 2.0", "voltage_limit_v = 80.0"))
    (*_, measure) = desk.commands("recipe")
    answer = desk.quadrille(*measure, *release, timeout=20)
    assert answer.code == 2 and "--release-v" in answer.err, answer
    desk.nothing_was_touched()


@pytest.mark.parametrize("what", ["a folder", "no database", "in a folder that is not there", "read-only"])
def test_a_journal_that_cannot_be_kept_stops_before_anything_is_asked(desk, what):
    if what == "a folder":
        desk.journal.mkdir()
    elif what == "no database":
        desk.journal.write_text("dear diary\n" * 100)
    elif what == "in a folder that is not there":
        desk.journal = desk.folder / "nowhere" / "journal.sqlite"
    else:
        if os.geteuid() == 0:
            desk.journal = Path("/proc/journal.sqlite")  # root may write everywhere else
        else:
            desk.folder.chmod(0o500)
    (*_, measure) = desk.commands("recipe")
    answer = desk.quadrille(*measure, timeout=20)
    assert answer.code == 3, answer
    assert "journal" in answer.err and "panicked" not in answer.err
    nobody_came(desk.listeners)
    if what == "no database":
        assert desk.journal.read_text().startswith("dear diary")
