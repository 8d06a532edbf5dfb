"""Faults by hand and from a seed: the control socket over plain sockets, what a VISA client sees of a fault, and what a
run makes of it."""

import json
import signal
import socket
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
import pyvisa
from children import DEMO, edited, readings_shown, short_recipe

BENCH, FILM, LOW = DEMO / "bench.toml", DEMO / "film.toml", DEMO / "standard-low.toml"
ROLES = ["source", "voltmeter", "ammeter", "matrix"]


class Control:
    """A conversation with a simulated bench, one line and its block at a time."""

    def __init__(self, served):
        ready = json.loads(served.out.so_far()[0])
        host, _, port = ready["control"].rpartition(":")
        assert host == "127.0.0.1"
        self.address = (host, int(port))
        self.connection = socket.create_connection(self.address, timeout=20)
        self.stream = self.connection.makefile("rb")

    def send(self, line):
        """The block's lines, and whether it ended well."""
        self.connection.sendall(line if isinstance(line, bytes) else line.encode() + b"\n")
        return self.block()

    def block(self):
        lines = []
        while True:
            line = self.stream.readline().decode()
            assert line.endswith("\n"), f"closed within a block: {lines}"
            line = line.rstrip("\n")
            if line == "ok" or line.startswith("error: "):
                return lines, line
            lines.append(line)

    def ask(self, line):
        lines, end = self.send(line)
        assert end == "ok", end
        return lines

    def is_refused(self, line):
        lines, end = self.send(line)
        assert lines == [] and end.startswith("error: "), (lines, end)
        return end

    def is_closed(self):
        return self.stream.readline() == b""


@pytest.fixture
def controlled(simulate):
    def begin(sample=FILM, *options, **more):
        served = simulate(sample, "--control", "127.0.0.1:0", *options, **more)
        return served, Control(served)

    return begin


@pytest.fixture
def visa():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def opened(visa, served, name, timeout=10_000):
    return visa.open_resource(served.resource(name), read_termination="\n", write_termination="\n", timeout=timeout)


# The words.


def test_every_word_that_help_lists_is_understood(controlled):
    _, control = controlled()
    words = [line.split("  ")[0] for line in control.ask("help")]
    assert {word.split()[0] for word in words} >= {"help", "list", "faults", "inject", "clear", "field", "status"}
    for word in words:
        control.ask(word.replace("FAULT", "voltmeter late 3").replace("B", "-0.25").replace(" K", " 291.5"))
    assert control.is_closed()  # `quit` was the last of them


# Longer ones first: none is a part of a later one that it would spoil.
PLACES = [
    ("range SIZE", "range 0.01"), ("CONTACT CONTACT", "3 2"), ("CONTACT", "4"), ("ROW ROW", "sense-low source"), ("ROW", "return"), ("COUNT", "2"),
    ("FACTOR", "1.25"), ("SIZE", "0.5"), ("VOLT", "0.5"), ("OHM", "2500"), (" S", " 1.5"), (" N", " 4"),
]  # fmt: skip


def test_every_fault_that_is_listed_can_be_injected_and_is_in_force_until_it_is_cleared(controlled):
    _, control = controlled(DEMO / "standard-low.toml")
    forms = [line.split("  ")[0] for line in control.ask("list")]
    assert len(forms) >= 22 and not any("thermostat" in form for form in forms)
    for form in forms:
        text = form.replace("INSTRUMENT", "ammeter")
        for place, value in PLACES:
            text = text.replace(place, value)
        text = text.replace("R!C", "1!2", 1).replace("R!C", "1!3") + " until cleared"
        assert control.ask(f"inject {text}") == [f"in force: {text}"]
    assert [line.split(";")[0].split(" until")[0].split(" ")[1] for line in control.ask("faults")] == [
        form.split(" ")[1] for form in forms
    ]
    assert control.ask("clear") == [f"cleared: {len(forms)}"]
    assert control.ask("faults") == []


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("fly", "help lists"),
        ("help me", "help lists"),
        ("field", "teslas"),
        ("field x", "teslas"),
        ("field nan", "finite"),
        ("temperature", "kelvins"),
        ("temperature -3", "above zero"),
        ("temperature nan", "above zero"),
        ("inject thermostat stalls", "no temperature-controller"),
        ("inject", "name an instrument"),
        ("inject thermometer silent", "thermometer"),
        ("inject voltmeter explode", "explode"),
        ("inject voltmeter late", "seconds"),
        ("inject voltmeter late 1e9", "seconds"),
        ("inject matrix stuck-open 9!9", "9!9"),
        ("inject voltmeter late 3 once more", "too much"),
        ("\x00\x01\x1b[2J", "not understood"),
        ("é" * 400, "not understood"),
        ("x" * 100_000, "longer than"),
        (b"\xff\xfe\n", "no text"),
    ],
)
def test_what_is_not_understood_is_refused_in_one_line_and_changes_nothing(controlled, line, reason):
    served, control = controlled()
    end = control.is_refused(line)
    assert reason in end and end.isprintable()
    assert control.ask("faults") == []
    assert served.complaints() == []


def test_hostile_clients_harm_nobody(controlled):
    served, control = controlled()
    for noise in (b"\xff" * 3_000_000, b"\n" * 100_000, b"inject voltmeter silent", b"", b"field 0.1\n" * 10_000):
        with socket.create_connection(control.address, timeout=10) as connection:
            try:
                connection.sendall(noise)
            except OSError:
                pass  # it may hang up
    idle = [socket.create_connection(control.address, timeout=10) for _ in range(100)]
    assert control.ask("faults") == []  # half a line is none
    for connection in idle:
        connection.close()
    assert served.ask("voltmeter", "*IDN?").startswith("QUADRILLE,VIRTUAL VOLTMETER")


def test_faults_without_end_are_refused(controlled):
    _, control = controlled()
    ends = [control.send("inject source reset")[1] for _ in range(300)]
    assert ends[0] == "ok" and "clear them" in ends[-1]


def test_a_web_page_cannot_command_through_a_browser(controlled):
    _, control = controlled()
    request = "POST / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\ninject source stays-on\r\n"
    control.connection.sendall(request.encode())
    assert control.block()[1].startswith("error: ")
    try:
        assert control.is_closed()
    except ConnectionResetError:
        pass
    other = socket.create_connection(control.address, timeout=10)
    other.sendall(b"faults\n")
    assert other.recv(100) == b"ok\n"
    other.close()


@pytest.mark.parametrize("address", ["0.0.0.0:0", "192.0.2.1:5000", "[::]:0", "127.0.0.1", "nowhere:1"])
def test_the_control_socket_is_for_this_machine_alone(quadrille, address):
    answer = quadrille("simulate", "--bench", BENCH, "--sample", FILM, "--listen", "127.0.0.1:0", "--control", address)
    assert answer.code == 2 and "127.0.0.1" in answer.err


def test_the_same_words_are_understood_on_standard_input(controlled):
    served, control = controlled()
    served.type("inject voltmeter cut 4")
    served.err.wait_for("^in force: voltmeter cut 4 once$")
    assert len(control.ask("faults")) == 1
    served.type("quit")
    assert served.finish() == 0


# What a client sees.


def test_a_late_answer_is_a_timeout_and_the_next_client_gets_its_own(visa, controlled):
    served, control = controlled()
    voltmeter = opened(visa, served, "voltmeter", timeout=500)
    control.ask("inject voltmeter late 2")
    with pytest.raises(pyvisa.VisaIOError) as error:
        voltmeter.query("*IDN?")
    assert error.value.error_code == pyvisa.constants.StatusCode.error_timeout
    voltmeter.close()
    assert opened(visa, served, "voltmeter").query("SYST:VERS?") == "1999.0"


def test_on_a_serial_line_a_late_answer_comes_to_the_next_question(visa, controlled, tmp_path):
    old = '"TCPIP::127.0.0.1::5026::SOCKET"'
    served, control = controlled(bench=edited(BENCH, tmp_path, (old, '"ASRL/dev/ttyS0::INSTR"')))
    voltmeter = opened(visa, served, "voltmeter", timeout=500)
    control.ask("inject voltmeter late 0.8")
    with pytest.raises(pyvisa.VisaIOError):
        voltmeter.query("*IDN?")
    voltmeter.timeout = 5000
    assert "VOLTMETER" in voltmeter.query("SYST:VERS?")


@pytest.mark.parametrize("name", ROLES)
def test_a_connection_is_reset_or_closed_once_and_can_be_opened_again(controlled, name):
    served, control = controlled()
    for fault, seen in (("reset", ConnectionResetError), ("closed", None)):
        control.ask(f"inject {name} {fault}")
        with socket.create_connection(("127.0.0.1", served.port(name)), timeout=10) as connection:
            connection.sendall(b"*IDN?\n")
            if seen:
                with pytest.raises(seen):
                    connection.recv(100)
            else:
                assert connection.recv(100) == b""
        assert "VIRTUAL" in served.ask(name, "*IDN?")
    assert control.ask("faults") == []


def test_a_socket_that_another_holds_refuses_or_is_silent(controlled):
    served, control = controlled()
    control.ask("inject voltmeter refused")
    time.sleep(0.2)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served.port("voltmeter")), timeout=10)
    control.ask("clear")
    time.sleep(0.2)
    assert "VOLTMETER" in served.ask("voltmeter", "*IDN?")
    control.ask("inject voltmeter held")
    time.sleep(0.2)
    with socket.create_connection(("127.0.0.1", served.port("voltmeter")), timeout=10) as connection:
        connection.sendall(b"*IDN?\n")
        connection.settimeout(0.5)
        with pytest.raises(TimeoutError):
            connection.recv(100)
        control.ask("clear")
        connection.settimeout(10)
        assert b"VOLTMETER" in connection.recv(100)


def test_a_reboot_forgets_every_setting_and_a_stranger_knows_none(controlled):
    served, control = controlled()
    assert float(served.ask("source", "SOUR:VOLT:LIM 5", "SOUR:VOLT:LIM?")) == 5.0
    control.ask("inject source reboot 0.3")
    with pytest.raises(AssertionError, match="closed"):
        served.ask("source", "SOUR:VOLT:LIM?")
    time.sleep(0.5)
    assert float(served.ask("source", "SOUR:VOLT:LIM?")) == 1e-3
    assert int(served.ask("source", "*ESR?")) & 128  # power on (IEEE 488.2)
    control.ask("inject source stranger")
    assert "VIRTUAL" not in served.ask("source", "*IDN?")
    assert served.ask("source", "*CLS", "OUTP ON", "SYST:ERR?").startswith("-113")
    control.ask("clear")
    assert served.ask("source", "OUTP?") == "0"
    assert any("source: a stranger told" in line for line in control.ask("complaints"))


def test_an_overflowing_queue_ends_in_its_own_error(controlled):
    served, control = controlled()
    control.ask("inject matrix overflow")
    numbers = [served.ask("matrix", "SYST:ERR?").split(",")[0]]
    while numbers[-1] != "0" and len(numbers) < 40:
        numbers.append(served.ask("matrix", "SYST:ERR?").split(",")[0])
    assert numbers[-2:] == ["-350", "0"]


# What a run makes of it.


class Run:
    """A measurement of sixteen readings on a bench that is told what to do."""

    def __init__(self, start, served, control, folder):
        self.served, self.control, self.folder = served, control, folder
        self.start = start
        self.journal = folder / "journal.sqlite"
        self.recipe = short_recipe(folder)

    def begin(self):
        documents = ["--bench", self.served.bench, "--sample", FILM, "--recipe", self.recipe]
        return self.start("measure", *documents, "--journal", self.journal, "--json")

    def with_fault(self, fault, after=3):
        """The run, ended, with a fault put in force when so many readings were shown."""
        run = self.begin()
        place = -1
        for _ in range(after):
            place, _ = run.err.wait_for(r"^ *\d+  \d+,\d+ [+-]", after=place + 1)
        self.control.ask(f"inject {fault}")
        run.finish()
        return run


@pytest.fixture
def measuring(start, controlled, tmp_path):
    served, control = controlled()
    return Run(start, served, control, tmp_path)


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("voltmeter late 5", "no answer in"),
        ("voltmeter reset", "reset"),
        ("ammeter closed", "closed the link"),
        ("source garbled", "no text"),
        ("source reboot 0.5", "closed the link"),
        ("matrix silent", "no answer in"),
        ("matrix overflow", "-350"),
        ("ammeter ignored", "reads back"),
        ("source twice 0", "nobody asked for"),
    ],
)
def test_a_fault_in_a_run_ends_it_at_rest_and_the_next_run_is_sound(measuring, fault, told):
    run = measuring.with_fault(fault)
    assert run.process.returncode == 3, run.complaint
    outcome = run.json["outcome"]
    assert outcome["failure"].startswith(f"{fault.split()[0]}: ") and told in outcome["failure"]
    assert outcome["output"] == "verified" and outcome["stand_down_failures"] == []
    measuring.served.is_at_rest()
    assert measuring.control.ask("faults") == []
    again = measuring.begin()
    assert again.finish() == 0, again.complaint
    assert len(readings_shown(again.err.all())) == 16
    assert measuring.served.complaints() == []


@pytest.mark.parametrize("fault", ["black-hole", "hang", "stays-on"])
def test_a_source_that_cannot_be_switched_off_is_told_by_exit_code_4_and_mended_by_the_next_run(measuring, fault):
    run = measuring.with_fault(f"source {fault}", after=15)
    assert run.process.returncode == 4, run.complaint
    assert run.json["outcome"]["output"] == ("commanded" if fault == "stays-on" else "unknown")
    assert "output: current is on" in measuring.control.ask("status")
    assert measuring.served.closed() != "(@)"
    measuring.control.ask("clear")
    again = measuring.begin()
    assert again.finish() == 0, again.complaint
    measuring.served.is_at_rest()
    assert "output: no current" in measuring.control.ask("status")


@pytest.mark.parametrize("role", ROLES)
def test_another_instrument_at_an_address_gets_no_command(measuring, role):
    measuring.control.ask(f"inject {role} stranger")
    run = measuring.begin()
    assert run.finish() == 3
    assert "SOMEBODY" in run.json["outcome"]["failure"]
    assert measuring.control.ask("complaints") == []


# Each of the three touches contacts and rows of its own: 2!3 carries the current back from contact 3.
@pytest.mark.parametrize("fault", ["stuck-open 2!3", "stuck-closed 2!3", "wrong-relay 4!1 4!3"])
def test_a_proof_finds_a_relay_that_does_not_do_what_it_is_told(controlled, quadrille, tmp_path, fault):
    served, control = controlled(LOW)
    documents = ["--bench", served.bench, "--sample", LOW, "--journal", tmp_path / "journal.sqlite"]
    control.ask(f"inject matrix {fault}")
    answer = quadrille("verify", *documents, "--json")
    assert answer.code == 1, answer.err
    wrong = [one["configuration"] for one in json.loads(answer.out)["configurations"] if not one["passed"]]
    assert wrong
    control.ask("clear")
    assert quadrille("verify", *documents).code == 0


# From a seed.


def struck(served):
    """The faults that were injected, in order."""
    lines = [json.loads(line) for line in served.out.so_far()[1:]]
    return [line["fault"] for line in lines if line.get("happened") == "injected"]


def test_a_seed_gives_the_same_faults_in_the_same_order(simulate):
    def night(seed):
        served = simulate(FILM, "--faults", seed, "--faults-per-minute", "600")
        served.out.wait_for("injected", after=12, patience_s=20)
        served.send(signal.SIGTERM)
        assert served.finish() == 0
        return struck(served)[:10]

    with ThreadPoolExecutor(3) as pool:
        first, again, other = pool.map(night, [11, 11, 12])
    assert first == again != other


def test_a_rate_needs_a_seed_and_must_be_one(quadrille):
    documents = ["simulate", "--bench", BENCH, "--sample", FILM]
    assert quadrille(*documents, "--faults-per-minute", "5").code == 2
    assert quadrille(*documents, "--faults", "1", "--faults-per-minute", "0").code == 2
    assert quadrille(*documents, "--faults", "one").code == 2
