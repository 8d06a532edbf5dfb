"""What `simulate` writes for others (`--bench-out`), and what it does with clients and models that ask for much."""

import socket

import pytest
from children import DEMO, edited

BENCH, FILM = DEMO / "bench.toml", DEMO / "film.toml"


def instruments(path):
    text = path.read_text()
    return [line for line in text.splitlines() if line.strip().startswith("resource")]


def test_the_bench_that_is_written_is_the_bench_with_other_resources(simulate, quadrille):
    served = simulate(FILM)
    assert quadrille("check", served.bench).code == 0
    rest = [line for line in served.bench.read_text().splitlines() if not line.startswith("resource")]
    assert rest == [line for line in BENCH.read_text().splitlines() if not line.startswith("resource")]
    written = instruments(served.bench)
    assert [device["resource"] in line for device, line in zip(served.devices.values(), written)] == [True] * 4


# A run on such a document would speak to the real instrument in the belief that it is simulated.
@pytest.mark.parametrize(
    "written",
    [
        '"TCPIP::127.0.0.1::5026::SOCKET"   # in the rack',
        "'TCPIP::127.0.0.1::5026::SOCKET'",
        '"TCPIP::127.0.0.1::5026::SOCKE\\u0054"',
        '"""TCPIP::127.0.0.1::5026::SOCKET"""',
    ],
)
def test_every_resource_is_replaced_however_it_is_quoted(simulate, tmp_path, written):
    bench = edited(BENCH, tmp_path, ('"TCPIP::127.0.0.1::5026::SOCKET"', written))
    served = simulate(FILM, bench=bench)
    assert "5026" not in served.bench.read_text()


def test_a_persons_own_bench_document_is_never_rewritten(start, tmp_path):
    bench = edited(BENCH, tmp_path)
    before = bench.read_text()
    served = start("simulate", "--bench", bench, "--sample", FILM, "--listen", "127.0.0.1:0", "--bench-out", bench)
    try:
        served.out.wait_for("is ready")
    except AssertionError:
        pass  # refused, which is right
    assert bench.read_text() == before


def test_a_bench_with_a_dialect_of_its_own_can_be_written_to_another_folder(simulate, quadrille, tmp_path):
    laboratory = tmp_path / "laboratory"
    laboratory.mkdir()
    (laboratory / "own.toml").write_text((DEMO.parent / "dialects" / "voltmeter.toml").read_text())
    bench = edited(BENCH, laboratory, ('dialect = "voltmeter"', 'dialect = "own.toml"'))
    served = simulate(FILM, bench=bench)
    answer = quadrille("check", served.bench)
    assert answer.code == 0, answer.err


def own_source(folder, *changes):
    """A bench whose source has a document of its own, the shipped one changed."""
    text = (DEMO.parent / "dialects" / "current-source.toml").read_text()
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / "own.toml").write_text(text)
    return edited(BENCH, folder, ('dialect = "current-source"', 'dialect = "own.toml"')), text


def test_a_device_speaks_the_document_that_the_bench_names(simulate, tmp_path):
    words = [
        ('":SOURce:CURRent {level_a}"', '"DRIVE {level_a} A"'),
        ('":SOURce:CURRent?"', '"DRIVE?"'),
        ('":SYSTem:ERRor?"', '"WRONG?"'),
    ]
    served = simulate(FILM, bench=own_source(tmp_path, *words)[0])
    served.ask("source", "DRIVE 25E-6 A;*OPC?")
    assert float(served.ask("source", "DRIVE?")) == 25e-6
    assert served.ask("source", "WRONG?").startswith("0,")
    # The rest of a message that is not understood is left: nothing is answered before the error is asked for.
    assert served.ask("source", ":SOURce:CURRent 1E-6;*OPC?", "WRONG?").startswith("-113,")
    assert float(served.ask("source", "DRIVE?")) == 25e-6


@pytest.mark.parametrize("command", ["rehearse", "simulate"])
def test_a_document_in_which_a_message_could_mean_two_things_is_bad_input(quadrille, tmp_path, command):
    bench, text = own_source(tmp_path, (":SOURce:CURRent:RANGe {range_a}", ":SOURce:CURRent {range_a}"))
    recipe = ["--recipe", DEMO / "film-recipe.toml"] if command == "rehearse" else ["--listen", "127.0.0.1:0"]
    answer = quadrille(command, "--bench", bench, "--sample", FILM, *recipe, timeout=20)
    line = 1 + text[: text.index("set_source_range")].count("\n")
    assert answer.code == 2
    assert f"own.toml:{line}:" in answer.err and "set_level" in answer.err, answer.err


def test_a_port_in_use_is_told_with_a_remedy(quadrille):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        answer = quadrille("simulate", "--bench", BENCH, "--sample", FILM, "--listen", f"127.0.0.1:{port}", timeout=20)
    assert answer.code == 3
    assert f"127.0.0.1:{port}" in answer.err and "--listen 127.0.0.1:0" in answer.err


@pytest.mark.parametrize("line", ["", "field", "field x", "field nan", "field inf", "field 1e300", "fly", "\x00", "f" * 100_000])
def test_what_is_typed_wrongly_changes_nothing(simulate, line):
    served = simulate(FILM)
    served.type(line)
    served.field(0.25)
    assert served.ask("source", "*IDN?").startswith("QUADRILLE,VIRTUAL CURRENT SOURCE")
    assert served.complaints() == []


def test_noise_from_a_client_does_not_end_the_service(simulate):
    served = simulate(FILM)
    for noise in (b"\xff\x00\xfe\n", b"A" * 3_000_000 + b"\n", b"(@" * 10_000 + b"\n", b"*IDN?", b"READ?\n" * 50, b'"\n', b"#9\n"):
        with socket.create_connection(("127.0.0.1", served.port("voltmeter")), timeout=10) as connection:
            try:
                connection.sendall(noise)
            except OSError:
                pass
    assert served.ask("voltmeter", "*CLS", "*IDN?").startswith("QUADRILLE,VIRTUAL VOLTMETER")
