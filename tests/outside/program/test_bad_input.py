"""Wrong input of every kind: told with file, line, column, key, reason and remedy, all at once, exit 2, nothing
touched."""

import json
import socket
import sqlite3
import threading

import pytest
from children import DEMO, edited

BENCH, LOW = DEMO / "bench.toml", DEMO / "standard-low.toml"
FILM, RECIPE = DEMO / "film.toml", DEMO / "film-recipe.toml"
DIALECTS = DEMO.parent / "dialects"
SOURCE, MATRIX = DIALECTS / "current-source.toml", DIALECTS / "switch-matrix.toml"

# Document, what is replaced, by what, and what must then be said: key and a part of the reason or the remedy.
WRONG = [
    (BENCH, 'role = "voltmeter"', 'role = "volt meter"', "instrument[1].role", '"voltmeter"'),
    (BENCH, 'role = "ammeter"', "role = 3", "instrument[2].role", "expected a text"),
    (BENCH, 'name = "source"', 'name = "voltmeter"', "instrument[1].name", "give each its own"),
    (BENCH, 'name = "source"\n', "", "instrument[0]", "`name` is missing"),
    (BENCH, "frequency_hz = 50", "frequency_hz = 5", "mains.frequency_hz", "out of bounds"),
    (BENCH, "voltage_v = 20.0", "voltage_v = nan", "limits.voltage_v", "expected a number"),
    (BENCH, "voltage_v = 20.0", "voltage_v = inf", "limits.voltage_v", "expected a number"),
    (BENCH, "voltage_v = 20.0", "voltage_v = 120.0", "limits.voltage_v", "hazardous_voltage_acknowledged"),
    (BENCH, "current_a = 0.01", 'current_a = "10 mA"', "limits.current_a", "a number in A"),
    (BENCH, "current_a = 0.01", "current_ma = 10", "limits", "did you mean `current_a`?"),
    (BENCH, "power_w = 0.005", "power_w = -1", "limits.power_w", "out of bounds"),
    (BENCH, "return_low = 2", "return_low = 1", "wiring.rows.return_low", "short the source"),
    (BENCH, "sense_low = 4", "sense_low = 3", "wiring.rows.sense_low", "tie two terminals together"),
    (BENCH, "sense_low = 4", "sense_low = 4.5", "wiring.rows.sense_low", "a whole number"),
    (BENCH, "columns = [1, 2, 3, 4]", "columns = [1, 2, 3, 3]", "wiring.columns[3]", "contacts 3 and 4"),
    (BENCH, "columns = [1, 2, 3, 4]", "columns = [1, 2, 3]", "wiring.columns", "only 3 contacts"),
    (BENCH, 'crosspoint = "5!1"', 'crosspoint = "1!1"', "wiring.buffers.crosspoint", "joins an instrument"),
    (BENCH, "insulation_ohm = 1e11\n", "insulation_ohm = 1e99\n", "wiring.cable.insulation_ohm", "out of bounds"),
    (BENCH, "::5026::", "::70000::", "instrument[1].resource", "port from 1 to 65535"),
    (BENCH, "::5026::SOCKET", "::5026", "instrument[1].resource", "SOCKET"),
    (BENCH, "TCPIP::127.0.0.1::5027::SOCKET", "GPIB0::7::INSTR", "instrument[2].resource", "not carried"),
    (BENCH, "TCPIP::127.0.0.1::5027::SOCKET", "127.0.0.1:5027", "instrument[2].resource", "TCPIP::192.0.2.7"),
    (BENCH, 'dialect = "ammeter"', 'dialect = "voltmeter"', "instrument[2].dialect", "a dialect for a voltmeter"),
    (BENCH, 'dialect = "ammeter"', 'dialect = "amperes"', "instrument[2].dialect", "no dialect"),
    (BENCH, 'dialect = "ammeter"', 'dialect = "no-such.toml"', "", "cannot be read"),
    (SOURCE, "{level_a}", "{name}", "commands.set_level", "could carry a separator"),
    (SOURCE, ":SOURce:CURRent {level_a}", ":SOURce:CURRent", "commands.set_level", "does not appear"),
    (SOURCE, "OUTPut:STATe OFF", "OUTPut:STATe OFF\\n*RST", "commands.output_off", "could end or split"),
    (SOURCE, "OUTPut:STATe OFF", "OUTPut:STATe?", "commands.output_off", "must not ask"),
    (MATRIX, '"{row}!{column}"', '"{row},{column}"', "crosspoint", "could split the command"),
    (LOW, '["a", "b", 10e3]', '["a", "b", 0]', "model.resistors[0][2]", "out of bounds"),
    (LOW, '["a", "b", 10e3]', '["a", "b"]', "model.resistors[0]", "[node, node, number]"),
    (LOW, '["a", "b", 10e3]', '["a", "a", 10e3]', "model.resistors[0]", "does nothing"),
    (LOW, 'contacts = ["a", "b", "c", "d"]', 'contacts = ["a", "b", "c", "e"]', "contacts[3]", "no resistor joins"),
    (LOW, 'contacts = ["a", "b", "c", "d"]', 'contacts = ["a", "b", "c", "a"]', "contacts[3]", "already contact 1"),
    (LOW, "tolerance = 0.001", "tolerance = 1", "model.tolerance", "out of bounds"),
    (FILM, "thickness_u_m = 6e-9", "thickness_u_m = 6e-7", "thickness_u_m", "as uncertain as"),
    (FILM, "thickness_m = 480e-9", "thickness_nm = 480", "thickness_nm", "unknown key"),
    (FILM, 'type = "film"', 'type = "foil"', "model.type", '"network" or "film"'),
    (FILM, "[41.0, 28.0, 55.0, 33.0]", "[41.0, 28.0]", "model.contact_ohm", "write four"),
    (RECIPE, "current_a = 1e-4", "current_a = 1e-400", "current_a", "out of bounds"),
    (RECIPE, 'reversal = "+--+"', 'reversal = "+"', "reversal", "not a pattern"),
    (RECIPE, "temperature_k = 295.0", "temperature_k = -3", "temperature_k", "out of bounds"),
    (RECIPE, '"standard"', '["12,43", "13,32"]', "resistivity.configurations[1]", "uses a contact twice"),
    (RECIPE, "fields_t = [0.5, -0.5]", "fields_t = [0.5]", "hall.fields_t[0]", "both signs"),
    (RECIPE, "fields_t = [0.5, -0.5]", "fields_t = []", "hall.fields_t", "both signs"),
    (RECIPE, "time_constants = 14", "", "settling", "exactly one of time_s and time_constants"),
    (RECIPE, 'kind = "recipe"', 'kind = "recipee"', "kind", '"recipe"'),
    (RECIPE, 'kind = "recipe"\n', "", "", "`kind` is missing"),
    (RECIPE, 'kind = "recipe"', "kind = ", "", "write the document in TOML"),
]


@pytest.mark.parametrize("path, right, wrong, key, reason", WRONG, ids=lambda x: str(x)[-40:])
def test_a_wrong_document_is_told_with_its_place(quadrille, tmp_path, path, right, wrong, key, reason):
    document = edited(path, tmp_path, (right, wrong))
    answer = quadrille("check", document)
    assert answer.code == 2 and answer.out == ""
    assert f"{document}:" in answer.err or "cannot be read" in answer.err
    assert f": {key}: " in answer.err or key == ""
    assert reason in answer.err
    told = json.loads(quadrille("check", document, "--json").out)["faults"]
    assert any(fault["key"] == key or key == "" for fault in told)
    for fault in told:
        assert fault["line"] >= 1 and fault["column"] >= 1 and fault["problem"] and fault["remedy"]


def test_a_fault_stands_where_a_person_would_put_the_cursor(quadrille, tmp_path):
    document = tmp_path / "sample.toml"
    document.write_text('kind = "sample"\nname = "x"\nthickness_m = "thin"\n')
    assert f"{document}:3:15: thickness_m: " in quadrille("check", document).err


def test_faults_of_several_documents_are_told_at_once(quadrille, tmp_path):
    bench = edited(BENCH, tmp_path, ("sense_low = 4", "sense_low = 3"), ("::5027::SOCKET", "::x::SOCKET"))
    sample = edited(FILM, tmp_path, ("thickness_m", "thicknes_m"))
    recipe = edited(RECIPE, tmp_path, ("current_a = 1e-4", "current_a = 1"), ('"+--+"', '"++"'))
    answer = quadrille("rehearse", "--bench", bench, "--sample", sample, "--recipe", recipe)
    assert answer.code == 2
    for part in ["sense_low", "unknown key `thicknes_m`", "reversal"]:
        assert part in answer.err


LIMITS = [
    ("current_a = 1e-4", "current_a = 2e-2", "current_a", "limit of 1 mA"),
    ("voltage_limit_v = 2.0", "voltage_limit_v = 15", "voltage_limit_v", "limit of 10 V"),
    ("current_a = 1e-4", "current_a = 1e-3\nvoltage_range_v = 500", "voltage_range_v", "at most 1e2"),
    ("voltage_limit_v = 2.0", "voltage_limit_v = 9\nrepeats = 2", "voltage_limit_v", "above the sample's limit of"),
    ('"standard"', '["12,43", "23,15"]', "resistivity.configurations[1]", "contact 5"),
]


@pytest.mark.parametrize("right, wrong, key, reason", LIMITS)
def test_a_recipe_beyond_a_limit_is_told_at_its_own_line(quadrille, tmp_path, right, wrong, key, reason):
    sample = edited(FILM, tmp_path, ("power_w = 0.002", "power_w = 0.0005"))
    recipe = edited(RECIPE, tmp_path, (right, wrong))
    for command in (["rehearse", "--bench", BENCH, "--sample", sample, "--recipe", recipe], ["check", BENCH, sample, recipe]):
        answer = quadrille(*command)
        assert answer.code == 2
        assert f"{recipe}:" in answer.err and f"{key}: " in answer.err and reason in answer.err


@pytest.fixture
def listening():
    """A port that notes who connects."""
    server = socket.create_server(("127.0.0.1", 0))
    came = []

    def accept():
        while True:
            try:
                came.append(server.accept()[1])
            except OSError:
                return

    threading.Thread(target=accept, daemon=True).start()
    yield server.getsockname()[1], came
    server.close()


def test_wrong_documents_touch_neither_instruments_nor_journal(quadrille, tmp_path, listening):
    port, came = listening
    bench = edited(BENCH, tmp_path, ("::5025::", f"::{port}::"))
    recipe = edited(RECIPE, tmp_path, ("current_a = 1e-4", "current_a = 5"))
    journal = tmp_path / "journal.sqlite"
    answer = quadrille(
        "measure", "--bench", bench, "--sample", FILM, "--recipe", recipe, "--journal", journal
    )
    assert answer.code == 2 and "current_a" in answer.err
    assert came == []
    assert not journal.exists() or sqlite3.connect(journal).execute("SELECT count(*) FROM run").fetchone() == (0,)


FILES = [
    ("empty.toml", b"", "`kind` is missing"),
    ("binary.toml", bytes(range(256)), "cannot be read"),
    ("deep.toml", b"a = " + b"[" * 3000, "TOML"),
]


@pytest.mark.parametrize("name, content, reason", FILES)
def test_odd_files_are_told(quadrille, tmp_path, name, content, reason):
    path = tmp_path / name
    path.write_bytes(content)
    answer = quadrille("check", path)
    assert answer.code == 2 and reason in answer.err and "panicked" not in answer.err


def test_a_missing_file_and_a_folder_are_told(quadrille, tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        for command in (["check", path], ["predict", "--sample", path], ["reduce", "--sample", FILM, path]):
            answer = quadrille(*command)
            assert answer.code == 2 and "cannot be read" in answer.err, command


HEADER = "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v\n"
TABLES = [
    (HEADER + "0,300,0,1,2,3,4,1e-3,1 mV\n", ":2:22: voltage_v: "),
    (HEADER + "0,300,0,1,2,3,4,1e-3,nan\n", ":2:22: voltage_v: "),
    (HEADER + "0,300,0,1,2,3,2,1e-3,1\n", ":2:9: source_in: "),
    (HEADER + "0,300,0,0,2,3,4,1e-3,1\n", ":2:9: source_in: "),
    (HEADER + "0,300,0,1.5,2,3,4,1e-3,1\n", ":2:9: source_in: "),
    (HEADER + "0,-300,0,1,2,3,4,1e-3,1\n", ":2:3: temperature_k: "),
    (HEADER + "0,300,0,1,2,3,4,1e-3\n", ":2:1: "),
    (HEADER + "0,300,0,1,2,3,4,1,5e-3,1\n", ":2:1: "),
    (HEADER.replace("field_t,", "") + "0,300,1,2,3,4,1e-3,1\n", ":1:1: field_t: "),
    (HEADER.replace("voltage_v", "voltage_mv"), ":1:82: voltage_mv: "),
    (HEADER, "there are no readings"),
    ("", "is missing"),
    ("not a table", "unknown column"),
]


@pytest.mark.parametrize("table, place", TABLES)
def test_faults_of_a_table_are_told_with_line_and_column(quadrille, tmp_path, table, place):
    path = tmp_path / "readings.csv"
    path.write_text(table)
    answer = quadrille("reduce", "--sample", FILM, path)
    assert answer.code == 2 and place in answer.err and "panicked" not in answer.err


def test_all_faults_of_a_table_are_told_at_once(quadrille, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "x,300,0,1,2,3,4,1e-3,1\n0,y,0,1,2,3,4,1e-3,1\n0,300,z,1,2,3,4,1e-3,1\n")
    answer = quadrille("reduce", "--sample", FILM, path, "--json")
    assert answer.code == 2
    assert [fault["line"] for fault in json.loads(answer.out)["faults"]] == [2, 3, 4]


def test_no_journal_is_made_by_asking_for_one(quadrille, tmp_path):
    journal = tmp_path / "none.sqlite"
    for command in (["runs"], ["export", "1"]):
        answer = quadrille(*command, "--journal", journal)
        assert answer.code == 2 and "there is no journal" in answer.err
        assert not journal.exists()


def test_a_command_line_that_is_wrong_is_told(quadrille):
    for command in (["measure"], ["predict", "--sample", LOW, "--field-t", "x"], ["no-such-command"], ["export", "one"]):
        assert quadrille(*command).code == 2
