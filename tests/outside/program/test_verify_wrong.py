"""What `verify` says of a bench on which something is wrong: faults told to a simulated bench over its control socket, each
known by another way than the program's own."""

import json

import pytest
from children import DEMO
from test_control import Control

LOW = DEMO / "standard-low.toml"

# Fault, the class that names it, a word of its sentence.
WRONG = [
    ("wiring exchanged 1 3", {"leads-swapped": [0, 2]}, "contacts 1 and 3 are exchanged"),
    ("wiring open 2", {"contact-open": 1}, "contact 2 is open"),
    ("standard resistor 3 1.2", {"edge": 2}, "22000 Ω"),
    ("wiring leak 2 4 1e6", {"diagonal-leak": [1, 3]}, "contacts 2 and 4"),
    ("ammeter reversed", "ammeter-sign", "ammeter"),
    ("source limited 0.2", "compliance-low", "voltage limit"),
]


@pytest.fixture
def proved(simulate, quadrille, tmp_path):
    """`proved(faults…)`: what a program and a person are told of a bench with these faults, and the journal."""

    def prove(*faults, options=(), repeat=True):
        served = simulate(LOW, "--control", "127.0.0.1:0")
        control = Control(served)
        journal = tmp_path / "journal.sqlite"
        arguments = ["verify", "--bench", served.bench, "--sample", LOW, "--journal", journal, *options]
        answers = []
        for form in (["--json"], []) if repeat else (["--json"],):
            control.ask("clear")
            for fault in faults:
                control.ask(f"inject {fault}")
            answers.append(quadrille(*arguments, *form))
        return answers, quadrille("runs", "--journal", journal)

    return prove


@pytest.mark.parametrize("fault, name, words", WRONG)
def test_a_single_fault_is_named_with_what_to_do(proved, fault, name, words):
    (machine, person), _ = proved(fault)
    assert (machine.code, person.code) == (1, 1), machine.err + person.out
    verdict = json.loads(machine.out)
    told = verdict["diagnosis"]
    assert told["ranked"][0]["class"] == name
    assert told["conclusion"] == "accuses" and told["good"] < 0.01
    assert told["readings"] == 72
    assert words in told["ranked"][0]["sentence"] and told["next"] not in ("", "nothing")
    # The same words for a person, whose lines are broken where they are full.
    shown = " ".join(person.out.split())
    assert words in shown and f"Do next: {told['next']}" in shown
    assert person.out.strip().splitlines()[-1].startswith("NOT proved: ")
    told_lines = person.out[person.out.index("What 72 readings") :].splitlines()
    assert all(len(line) < 100 for line in told_lines)


def test_the_size_of_a_fault_is_told(proved):
    (machine,), _ = proved("standard resistor 3 1.2", repeat=False)
    factor = json.loads(machine.out)["diagnosis"]["ranked"][0]["size"]["factor"]
    assert factor == pytest.approx(1.2, abs=0.003)
    (machine,), _ = proved("wiring leak 2 4 1e6", repeat=False)
    assert json.loads(machine.out)["diagnosis"]["ranked"][0]["size"]["ohm"] == pytest.approx(1e6, rel=0.02)


def test_a_second_run_reads_everything_and_says_to_which_proof_it_belongs(proved):
    (machine,), runs = proved("wiring exchanged 1 3", repeat=False)
    verdict = json.loads(machine.out)
    assert len(verdict["runs"]) >= 2 and verdict["run"] == verdict["runs"][0]
    assert [line.split()[1] for line in runs.out.splitlines()] == ["verify"] * len(verdict["runs"])
    assert "72 readings" in runs.out and "16 readings" in runs.out


def test_one_wild_reading_is_read_again_and_the_bench_is_proved(proved):
    (machine, person), _ = proved("voltmeter wild 0.3 once after 10")
    assert (machine.code, person.code) == (0, 0), person.out
    assert len(machine.json["read_again"]) == 1
    assert "Read again" in person.out


def test_two_faults_at_once_are_none_of_these(proved):
    (machine, person), _ = proved("wiring exchanged 1 3", "standard resistor 2 1.5")
    assert (machine.code, person.code) == (1, 1)
    assert json.loads(machine.out)["diagnosis"]["conclusion"] == "none-of-these"
    assert "NONE OF THESE" in person.out


def test_a_fault_that_the_eight_do_not_show_is_found_where_everything_is_read(proved):
    fault = "wiring leak 1 3 30e6"
    (machine,), _ = proved(fault, repeat=False)
    assert machine.code == 0 and machine.json["diagnosis"] is None
    (machine,), _ = proved(fault, options=["--thorough"], repeat=False)
    assert machine.code == 1
    assert json.loads(machine.out)["diagnosis"]["ranked"][0]["class"] == {"diagonal-leak": [0, 2]}


def test_what_the_standard_can_show_is_told_with_the_proof(proved):
    (machine, person), _ = proved(options=["--thorough"])
    assert (machine.code, person.code) == (0, 0), person.out
    limits = {json.dumps(limit["fault"]): limit["size"] for limit in machine.json["standard"]["limits"]}
    # Half a per cent of a resistor with a tolerance of 0.1 % must not be too small to see.
    assert 1.0 < limits['{"resistor-off": 0}']["factor"] < 1.005
    assert limits['{"leak": [0, 2]}']["ohm"] > 30e6
    assert "What all configurations of this standard show" in person.out


def test_a_standard_that_cannot_tell_its_leads_apart_is_warned_of_before_it_is_read(simulate, quadrille, tmp_path):
    equal = tmp_path / "equal.toml"
    equal.write_text(
        LOW.read_text().replace("10e3", "15e3").replace("22e3", "15e3").replace("33e3", "15e3")
    )
    served = simulate(equal)
    answer = quadrille(
        "verify", "--bench", served.bench, "--sample", equal, "--journal", tmp_path / "journal.sqlite"
    )
    assert answer.code == 0, answer.out
    warned = " ".join(answer.err.split())
    assert "cannot tell apart" in warned and warned.index("cannot tell apart") < warned.index("Run 1")
