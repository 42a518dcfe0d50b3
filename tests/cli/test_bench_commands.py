"""``hilkit inspect``, ``talk`` and ``serve``: at the bench, before the first plan."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from hilkit.bench import load_bench, resource_lock
from hilkit.cli import serve_command
from hilkit.cli.serve_command import open_to, served_bench
from hilkit.files import Lab
from tests.cli.calls import call


def test_inspect_shows_who_answers_and_finds_nothing_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    done = call(capsys, "inspect", "simulated_pier")
    assert done.code == 0, done.text
    assert done.out.startswith("SIMULATED BENCH simulated_pier")
    assert "analyser: answers" in done.out
    assert "TCPIP0::127.0.0.1::5025::SOCKET (driver signal_analyser)" in done.out
    assert "SA-70311" in done.out
    assert "loss known from 1700 MHz to 2500 MHz" in done.out
    assert "wrong:" not in done.out


def test_inspect_says_what_is_wrong_and_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = Lab(None)
    source = lab.find("bench", "simulated_pier")
    text = source.read_text(encoding="utf-8").replace("SA-70311", "SA-1").replace("2047-06-30", "2020-01-01")
    path = tmp_path / "wrong.yaml"
    path.write_text(text.replace("measured_line.s2p", "line.s2p"), encoding="utf-8")
    (tmp_path / "line.s2p").write_bytes((source.parent / "measured_line.s2p").read_bytes())
    done = call(capsys, "inspect", path)
    assert done.code == 3
    assert "wrong: analyser: serial 'SA-70311' answers" in done.out
    assert "its calibration ran out on 2020-01-01" in done.out
    assert "    do: " in done.out


def talk(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, text: str, *args: str
) -> tuple[int, str, str]:
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    done = call(capsys, "talk", *args)
    return done.code, done.out, done.err


def test_talk_asks_sets_and_shows_the_error_queue(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """-113 "Undefined header": SCPI-99, volume 2, clause 21.8.9."""
    lines = ":FREQ:CENT 2 GHZ\n\n:FREQ:CENT?\nFOO\n"
    code, out, err = talk(capsys, monkeypatch, lines, "analyser", "--simulate", "simulated_pier")
    assert float(out.strip()) == 2e9
    assert err.startswith('error: -113,"Undefined header')
    assert code == 3


def test_talk_that_meets_no_error_is_exit_0(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, err = talk(
        capsys, monkeypatch, "*IDN?\n", "TCPIP::127.0.0.1::5025::SOCKET", "--simulate", "simulated_pier"
    )
    assert (code, err) == (0, "")
    assert "SA7000" in out


def test_talk_shows_a_block_as_what_it_is(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = ":FORM REAL,32\n:INIT:CONT OFF\n:INIT\n:TRAC? TRACE1\n*IDN?\n"
    _, out, _ = talk(capsys, monkeypatch, lines, "analyser", "--simulate", "simulated_pier")
    assert out.splitlines()[0] == "(a block of binary data, not shown)"
    assert "SA7000" in out.splitlines()[1]


def test_talk_raw_speaks_to_a_radio(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = talk(capsys, monkeypatch, "about\n", "radio", "--raw", "--simulate", "simulated_pier")
    assert code == 0
    assert "about model=PH2-220 serial=PH2-000417" in out


def test_talk_says_how_a_resource_is_written(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = talk(capsys, monkeypatch, "", "10.0.0.7:5025")
    assert code == 2
    assert err.startswith("hilkit: 10.0.0.7:5025: this is no VISA resource name\n")
    assert "  next: write TCPIP::10.0.0.7::5025::SOCKET\n" in err


def test_talk_names_the_instruments_of_a_simulated_bench(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = talk(capsys, monkeypatch, "", "analyzer", "--simulate", "simulated_pier")
    assert code == 2
    assert "its instruments are analyser, pad, relay, radio" in err


def test_a_served_bench_file_reaches_the_served_addresses(tmp_path: Path) -> None:
    lab = Lab(None)
    source = lab.find("bench", "simulated_pier")
    resources = {
        name: f"TCPIP0::127.0.0.1::{port}::SOCKET"
        for port, name in enumerate(("analyser", "pad", "relay", "supply", "radio"), start=41000)
    }
    path = tmp_path / "served.yaml"
    text, data_files = served_bench(source, resources)
    assert data_files == ["measured_line.s2p"]
    path.write_text(text, encoding="utf-8")
    (tmp_path / data_files[0]).write_bytes((source.parent / data_files[0]).read_bytes())
    bench = load_bench(path, lab)
    assert bench.simulation is None
    assert {spec.name: spec.resource for spec in (*bench.instruments.values(), bench.radio_spec)} == resources
    before = load_bench(source, lab)
    assert bench.path(1).loss_db(1.85e9) == before.path(1).loss_db(1.85e9)
    assert bench.ratings == before.ratings


def test_serve_is_reached_over_the_wire_and_ends_on_request(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "served.yaml"
    program = [sys.executable, "-c", "from hilkit.cli import main; main()", "serve", "simulated_pier"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    server = subprocess.Popen(
        [*program, "--port-base", "0", "--write-bench", str(bench)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )
    try:
        assert server.stdout is not None
        for line in server.stdout:
            if line.startswith("SIMULATED BENCH"):
                break
        done = call(capsys, "inspect", bench)
        assert done.code == 0, done.text
        assert "SIMULATED" not in done.out
        assert "SA-70311" in done.out
    finally:
        server.send_signal(signal.SIGINT)
        rest, _ = server.communicate(timeout=10)
    assert rest.strip() == "ended"
    assert server.returncode == 0


def test_serve_does_not_write_over_a_bench_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("bench: mine\n", encoding="utf-8")
    done = call(capsys, "serve", "simulated_pier", "--port-base", "0", "--write-bench", path)
    assert done.code == 2
    assert path.read_text(encoding="utf-8") == "bench: mine\n"


def test_serve_looks_for_the_folder_of_the_bench_file_before_it_serves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "nodir" / "x.yaml"
    done = call(capsys, "serve", "simulated_pier", "--port-base", "0", "--write-bench", target)
    assert done.code == 2
    assert done.out == ""
    assert f"there is no folder {target.parent}" in done.err


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "::1", "localhost"])
def test_a_bench_served_to_this_computer_alone_warns_of_nothing(host: str) -> None:
    """RFC 1122, clause 3.2.1.3 (g), and RFC 4291, clause 2.5.3: loopback addresses."""
    assert open_to(host) == ""


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "bench.example"])
def test_a_bench_served_to_others_says_so(host: str) -> None:
    assert open_to(host).startswith(f"OPEN TO OTHERS: whoever reaches {host} over the network")


def test_serve_listens_on_this_computer_unless_told() -> None:
    option = next(each for each in serve_command.command.params if each.name == "host")
    assert option.default == "127.0.0.1"


def test_serve_on_an_address_of_another_computer_speaks_of_the_host(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """192.0.2.0/24 belongs to nobody: RFC 5737, clause 3."""
    done = call(capsys, "serve", "simulated_pier", "--host", "192.0.2.1", "--port-base", "0")
    assert done.code == 3
    assert "name an address of this computer with --host" in done.err
    assert "--port-base" not in done.err.partition("next:")[2]


def test_the_bench_file_of_a_served_simulation_says_in_its_name_what_it_is(tmp_path: Path) -> None:
    lab = Lab(None)
    source = lab.find("bench", "simulated_pier")
    path = tmp_path / "served.yaml"
    text, data_files = served_bench(source, {})
    path.write_text(text, encoding="utf-8")
    for name in data_files:
        (tmp_path / name).write_bytes((source.parent / name).read_bytes())
    assert load_bench(path, lab).name == f"{load_bench(source, lab).name} (served simulation)"


def test_talk_is_refused_while_a_run_holds_the_instrument(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    address = "TCPIP0::127.0.0.1::2::SOCKET"
    with resource_lock(address, "for the night bench"):
        code, _, err = talk(capsys, monkeypatch, "*IDN?\n", "TCPIP::127.0.0.1::2::SOCKET")
    assert code == 3
    assert f"{address} is held by" in err
    assert ", for the night bench" in err


def test_talk_to_a_console_of_lines_hints_at_raw(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = talk(capsys, monkeypatch, "about\n", "radio", "--simulate", "simulated_pier")
    assert code == 3
    assert "use --raw" in err


def test_talk_without_a_line_says_that_nothing_was_sent(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = talk(capsys, monkeypatch, "", "analyser", "--simulate", "simulated_pier")
    assert code == 0
    assert "nothing was sent" in err
