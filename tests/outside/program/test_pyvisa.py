"""A VISA client that shares no code with the program talks to the simulated devices, on sockets and serial lines."""

import time

import pytest
import pyvisa
from children import DEMO, edited, network


@pytest.fixture
def square(tmp_path):
    """Four equal resistors: between neighbours 10 kohm beside 30 kohm, 7.5 kohm (Ohm's law)."""
    return network(tmp_path, [("a", "b", 10e3), ("b", "c", 10e3), ("c", "d", 10e3), ("d", "a", 10e3)])


@pytest.fixture
def gigohms(tmp_path):
    ring = [("a", "b", 10e9), ("b", "c", 10e9), ("c", "d", 10e9), ("d", "a", 10e9)]
    return network(tmp_path, ring, current_a=1e-6)


@pytest.fixture
def visa():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def opened(visa, served, write_termination="\n"):
    """The four devices by name."""
    names = ["source", "voltmeter", "ammeter", "matrix"]
    termination = {"read_termination": "\n", "write_termination": write_termination, "timeout": 10_000}
    return [visa.open_resource(served.resource(name), **termination) for name in names]


def no_errors(*devices):
    for device in devices:
        assert device.query("SYST:ERR?").startswith("0,"), device.resource_name


def crosspoints(answer):
    assert answer.startswith("(@") and answer.endswith(")"), answer
    return set(answer[2:-1].split(","))


def connect_neighbours(matrix, *more):
    """Current through contacts 1 and 2, voltage between the same two."""
    closed = ["1!1", "2!2", "3!1", "4!2", *more]
    matrix.write("ROUT:OPEN:ALL")
    matrix.write(f"ROUT:CLOS (@{','.join(closed)})")
    assert crosspoints(matrix.query("ROUT:CLOS:STAT?")) == set(closed)


def settled(voltmeter):
    """Readings until two agree within 0.1 %."""
    end = time.monotonic() + 20
    before = float(voltmeter.query("READ?"))
    while time.monotonic() < end:
        now = float(voltmeter.query("READ?"))
        if abs(now - before) <= 1e-3 * abs(now):
            return now
        before = now
    raise AssertionError("the voltage does not settle")


# pyvisa's own default for writing is a carriage return and a line feed.
@pytest.mark.parametrize("write_termination", ["\n", "\r\n"])
def test_the_sequence_of_the_manual_reads_a_square_of_four_ten_kilohms(visa, simulate, square, write_termination):
    served = simulate(square)
    source, voltmeter, ammeter, matrix = opened(visa, served, write_termination)
    for device in (source, voltmeter, ammeter, matrix):
        assert len(device.query("*IDN?").split(",")) == 4  # IEEE 488.2, 10.14: four fields
        device.write("*CLS;*RST")
    ammeter.write("INP OFF")
    connect_neighbours(matrix)
    assert matrix.query("ROUT:CLOS? (@1!1,1!2)") in {"1,0", "1, 0"}
    source.write("SOUR:CURR:RANG 1E-3")
    source.write("SOUR:VOLT:LIM 5")
    source.write("SOUR:CURR 100E-6")
    voltmeter.write("SENS:VOLT:DC:RANG 1")
    ammeter.write("SENS:CURR:DC:RANG 1E-3")
    ammeter.write("INP ON")
    assert float(source.query("SOUR:VOLT:LIM?")) == pytest.approx(5)
    assert float(source.query("SOUR:CURR?")) == pytest.approx(1e-4)
    assert source.query("OUTP?") == "0"
    source.write("OUTP ON")
    assert source.query("*OPC?") == "1"
    assert source.query("OUTP?") == "1"
    # Common practice, no source: neighbouring corners show 7.5 kohm; source and meters of the dialects are within 0.1 %.
    assert settled(voltmeter) == pytest.approx(0.75, rel=2e-3)
    assert float(ammeter.query("READ?")) == pytest.approx(1e-4, rel=1e-3)
    source.write("SOUR:CURR -100E-6")
    assert settled(voltmeter) == pytest.approx(-0.75, rel=2e-3)
    assert float(ammeter.query("READ?")) == pytest.approx(-1e-4, rel=1e-3)
    no_errors(source, voltmeter, ammeter, matrix)
    source.write("SOUR:CURR 0")
    source.write("OUTP OFF")
    assert source.query("OUTP?") == "0"
    ammeter.write("INP OFF")
    matrix.write("ROUT:OPEN:ALL")
    assert matrix.query("ROUT:CLOS:STAT?") == "(@)"
    no_errors(source, voltmeter, ammeter, matrix)
    assert served.complaints() == []


def picoamperes(visa, served, *, buffers):
    source, voltmeter, ammeter, matrix = opened(visa, served)
    ammeter.write("INP OFF")
    connect_neighbours(matrix, *(["5!1"] if buffers else []))
    source.write(":SOUR:CURR:RANG 1E-9;:SOUR:VOLT:LIM 5;:SOUR:CURR 100E-12")
    source.write("OUTP:GUAR ON")
    voltmeter.write("SENS:VOLT:DC:RANG 1;NPLC 5")
    ammeter.write("SENS:CURR:DC:RANG 1E-9;NPLC 5;:INP ON")
    source.write("OUTP ON")
    no_errors(source, voltmeter, ammeter, matrix)
    voltage, current = settled(voltmeter), float(ammeter.query("READ?"))
    source.write("OUTP OFF")
    return voltage, current


def test_gigohms_show_the_same_voltage_with_guard_and_buffers(visa, simulate, gigohms):
    voltage, current = picoamperes(visa, simulate(gigohms), buffers=True)
    # Guarded insulation and buffers of 1e15 ohm take nothing that matters from 7.5 Gohm.
    assert voltage == pytest.approx(0.75, rel=5e-3)
    assert current == pytest.approx(1e-10, rel=5e-3)


def test_gigohms_without_buffers_are_loaded_by_the_voltmeter(visa, simulate, gigohms):
    voltage, _ = picoamperes(visa, simulate(gigohms), buffers=False)
    # 7.5 Gohm beside the voltmeter's 10 Gohm: 4.286 Gohm; its bias current of up to 5 pA adds its own to 100 pA.
    assert voltage == pytest.approx(7.5 * 10 / 17.5 * 0.1, rel=0.06)


# Numbers of SCPI-1999, volume 2, 21.8 (from memory).
@pytest.mark.parametrize(
    ("device", "message", "number"),
    [
        ("source", "SOUR:CURENT 1", -113),
        ("source", "NONSENSE", -113),
        ("voltmeter", "OUTP ON", -113),
        ("source", "SOUR:CURR:RANG", -109),
        ("source", "SOUR:CURR", -109),
        ("matrix", "ROUT:CLOS", -109),
        ("source", "SOUR:VOLT:LIM 1E6", -222),
        ("source", "SOUR:CURR 1E3", -222),
        ("voltmeter", "SENS:VOLT:DC:NPLC 1E9", -222),
        ("matrix", "ROUT:CLOS (@9!9)", -222),
        ("matrix", "ROUT:CLOS (@1!1,7!7)", -222),
        ("source", "OUTP ON,OFF", -108),
        ("source", "SOUR:CURR 1 V", -131),
        ("source", 'SOUR:CURR "1"', -104),
        ("source", "*IDN", -113),
    ],
)
def test_a_wrong_command_leaves_the_number_of_the_standard_in_the_queue(simulate, square, device, message, number):
    served = simulate(square)
    answer = served.ask(device, "*CLS", message, "SYST:ERR?")
    assert int(answer.split(",")[0]) == number, answer
    assert '"' in answer


def test_an_empty_queue_says_so_and_an_overflowing_one_too(visa, simulate, square):
    source = opened(visa, simulate(square))[0]
    assert source.query("SYST:ERR?") == '0,"No error"'
    for _ in range(40):
        source.write("NONSENSE")
    numbers = []
    while (number := int(source.query("SYST:ERR?").split(",")[0])) != 0:
        numbers.append(number)
        assert len(numbers) < 40
    assert numbers[-1] == -350  # SCPI-1999: queue overflow replaces the last entry
    assert set(numbers[:-1]) == {-113}


def test_a_refused_list_closes_nothing(visa, simulate, square):
    matrix = opened(visa, simulate(square))[3]
    matrix.write("ROUT:CLOS (@1!1,2!2,7!7)")
    assert matrix.query("ROUT:CLOS:STAT?") == "(@)"


@pytest.mark.parametrize("name", ["source", "voltmeter", "ammeter", "matrix"])
def test_a_serial_line_is_served_on_a_pseudo_terminal(visa, simulate, square, tmp_path, name):
    port = {"source": 5025, "voltmeter": 5026, "ammeter": 5027, "matrix": 5028}[name]
    old = f'"TCPIP::127.0.0.1::{port}::SOCKET"'
    served = simulate(square, bench=edited(DEMO / "bench.toml", tmp_path, (old, '"ASRL/dev/ttyS0::INSTR"')))
    assert served.resource(name).startswith("ASRL/dev/pts/")
    source, voltmeter, ammeter, matrix = opened(visa, served)
    connect_neighbours(matrix)
    voltmeter.write("SENS:VOLT:DC:RANG 10")
    source.write(":SOUR:VOLT:LIM 5;:SOUR:CURR:RANG 1E-3;LEV 1E-4")
    ammeter.write("SENS:CURR:DC:RANG 1E-3;:INP ON")
    source.write("OUTP ON")
    assert settled(voltmeter) == pytest.approx(0.75, rel=2e-3)
    assert float(ammeter.query("READ?")) == pytest.approx(1e-4, rel=1e-3)
    no_errors(source, voltmeter, ammeter, matrix)
    source.write("OUTP OFF")
    assert source.query("OUTP?") == "0"
