"""A plan is rehearsed on the user's own bench file: nothing is opened, every dialect is exercised, and what
a real run would refuse is told."""

from __future__ import annotations

import datetime as dt
import json
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest
import pyvisa

from hilkit.bench import bench_lock, load_bench
from hilkit.files import Lab
from hilkit.record import Record
from tests.cli.calls import Call as Called
from tests.cli.calls import call
from tests.testing.rehearsal.files import make_lab

Rehearse = Callable[..., Called]


@pytest.fixture
def rehearse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Rehearse:
    """Return what rehearses a plan of the lab with changes, while every door to the outside fails loudly."""

    def refuse(what: str) -> Callable[..., NoReturn]:
        def fail(*arguments: Any, **options: Any) -> NoReturn:
            raise AssertionError(f"{what} was touched: {arguments[:3]}")

        return fail

    monkeypatch.chdir(tmp_path)
    for name in ("connect", "connect_ex", "bind", "sendto"):
        monkeypatch.setattr(socket.socket, name, refuse("a socket"))
    monkeypatch.setattr(socket, "create_connection", refuse("a socket"))
    monkeypatch.setattr(socket, "getaddrinfo", refuse("the name service"))
    monkeypatch.setattr(subprocess.Popen, "__init__", refuse("a child process"))
    monkeypatch.setattr("hilkit.cli.common.visa_manager", refuse("a VISA library"))
    real = pyvisa.ResourceManager.__new__

    def only_simulated(kind: type, library: Any = "") -> Any:
        assert str(getattr(library, "library_path", library)).startswith("hilkit-simulated"), library
        return real(kind, library)

    monkeypatch.setattr(pyvisa.ResourceManager, "__new__", only_simulated)

    def run(*arguments: str, changes: tuple[tuple[str, str], ...] = ()) -> Called:
        make_lab(tmp_path, *changes)
        return call(capsys, "rehearse", *arguments)

    return run


def test_a_foreign_bench_is_rehearsed_to_its_verdicts_without_anything_being_opened(
    rehearse: Rehearse, tmp_path: Path
) -> None:
    """GPIB, a radio behind a program, an amplifier, no switch and no pad, commands of nobody else."""
    done = rehearse("quay")
    assert done.code == 0, done.out + done.err
    assert "looks wrong" not in done.out
    assert "verdict: pass" in done.out
    assert done.out.count("REHEARSAL of quay west") == 2
    assert "a rehearsal cannot find" in done.out
    folder = next((tmp_path / "runs").iterdir())
    assert folder.name.endswith("-quay-rehearsal")
    stored = Record.open(folder)
    assert stored.simulated
    assert stored.bench_name == "quay west (rehearsal)"
    transcript = (folder / "transcript.txt").read_text(encoding="utf-8")
    assert "REHEARSAL of quay west: every answer below is simulated" in transcript.splitlines()[0]
    for text in (
        "radio -> src3 wave test_a -12",
        "sa -> CF 3500 MHZ",
        "sa -> TRA?",
        "sa <- Simulated,OA-3000,77",
    ):
        assert text in transcript, text
    assert 'name="simulated" value="true"' in (folder / "junit.xml").read_text(encoding="utf-8")


def test_levels_stand_beside_ratings_and_below_the_prediction(rehearse: Rehearse) -> None:
    """26.7 dBm less 40 dB and 11 dB more of drive: the radio gives 0.3 dB less than its 30 dBm, 3 dB down."""
    done = rehearse("quay")
    row = next(line for line in done.out.splitlines() if line.startswith("  booster ") and "0/10" in line)
    numbers = [float(word) for word in row.split() if word.replace(".", "").lstrip("-").isdigit()]
    average, peak, predicted, spare = numbers
    assert average == pytest.approx(30 - 0.3 - 3 - 12 - 40, abs=0.3)
    assert predicted - 3 < peak <= predicted
    assert predicted == pytest.approx(30 - 3 - 39.7, abs=0.05)
    assert spare == pytest.approx(10 - peak, abs=0.06)


def test_a_bench_over_usb_hislip_and_a_serial_line_is_rehearsed(rehearse: Rehearse, tmp_path: Path) -> None:
    plan = (
        "plan: shed\nbench: shed\nsteps:\n"
        "  - bring_up: {channel: 1, carrier: 1950 MHz, reference: external, limits: {calibrated: {min: 1}}}\n"
        "  - power_sweep: {channel: 1, carrier: 1950 MHz, offset: 2 MHz, from: 0 dB, to: 4 dB, step: 1 dB,\n"
        "                  limits: {step_error: {within: 0.2 dB}}}\n"
    )
    (tmp_path / "sequences").mkdir()
    (tmp_path / "sequences" / "shed.yaml").write_text(plan, encoding="utf-8")
    done = rehearse("shed")
    assert "verdict: pass" in done.out, done.out + done.err
    assert "looks wrong" not in done.out


def test_the_addresses_of_the_real_bench_may_be_in_use_meanwhile(rehearse: Rehearse, tmp_path: Path) -> None:
    """A run at work holds the lock of its bench; a rehearsal touches nothing and needs none."""
    bench = load_bench(make_lab(tmp_path) / "benches" / "quay.yaml", Lab(tmp_path))
    with bench_lock(bench):
        assert rehearse("quay", "--only", "bring_up").code == 0


MISTAKES = {
    "a reply pattern without room for the value": (
        (
            r"reply: 'freq{channel}=(?P<value>\d+\.\d+) MHz'",
            r"reply: 'freq{channel}=(?P<value>\d\d\.\d+) MHz'",
        ),
        "the reply pattern of carrier, ",
    ),
    "two patterns for one question that do not go together": (
        (r"reply: 'ref=\S+ pll=(?P<value>\S+)'", r"reply: 'lock=(?P<value>\S+)'"),
        "reference and reference_state ask the same, but no answer was found that all of them read",
    ),
    "a command that is spelt otherwise than its query": (
        ('centre: {set: "CF {value} MHZ"', 'centre: {set: "CX {value} MHZ"'),
        "centre is set by CX and asked by CF: two headers for one setting",
    ),
    "a header that is almost a known one": (
        (
            'points: {set: "MP {value}", ask: "MP?"',
            'points: {set: ":SENSe:SWEeep:POINts {value}", ask: ":SENSe:SWEeep:POINts?"',
        ),
        "points: SWEeep looks like SWEep misspelt",
    ),
    "one text for two settings": (
        ('corrections: {set: "dpd{channel} {value}"', 'corrections: {set: "pa{channel} {value}"'),
        "rf and corrections are set by one text",
    ),
    "a model that the driver does not know": (
        ("identity: 'OA-\\d{4}'", "identity: 'XX-\\d{4}'"),
        "the model OA-3000 of the bench file does not fit",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_a_dialect_shows(rehearse: Rehearse, mistake: str) -> None:
    change, sentence = MISTAKES[mistake]
    done = rehearse("quay", "--only", "bring_up", changes=(change,))
    told = " ".join(done.out.split())
    assert "what looks wrong in the driver files" in told
    assert sentence in told


def test_a_missing_word_ends_the_step_with_question_and_answer(rehearse: Rehearse) -> None:
    done = rehearse("quay", "--only", "bring_up", changes=(("running: RUN, ", ""),))
    assert done.code in (2, 3)
    assert "calibration_state" in done.out + done.err


def test_a_missing_capability_is_a_misfit_with_its_place(rehearse: Rehearse) -> None:
    change = ('  waveform: {set: "src{channel} wave {waveform} {level}"}\n', "")
    done = rehearse("quay", changes=(change,))
    assert done.code == 2
    assert "waveform" in done.err
    assert "nothing was rehearsed" in done.err


def test_a_level_over_a_rating_is_told_as_a_run_would_tell_it(rehearse: Rehearse) -> None:
    done = rehearse("quay", changes=(("{average: 0 dBm, peak: 10 dBm}", "{average: -20 dBm, peak: 0 dBm}"),))
    assert done.code == 2
    assert "is predicted at booster" in done.err


def test_what_a_real_run_would_refuse_or_warn_of_is_told(rehearse: Rehearse) -> None:
    due = dt.date.today() - dt.timedelta(days=3)
    changes = (
        ("reference: external}\nradio:", f"reference: external, calibration_due: {due}}}\nradio:"),
        ("bench: quay west\n", "bench: quay west\ncalibration_policy: refuse\n"),
    )
    done = rehearse("quay", changes=changes)
    told = " ".join(done.out.split())
    assert done.code == 3
    assert "A RUN ON THE REAL BENCH WOULD BE REFUSED - calibration_policy: path port c" in told
    assert f"the calibration of sa ran out on {due}" in told
    assert "bring_up" in told and "verdict: inconc" in told


def test_a_step_for_a_person_is_rehearsed_and_told(rehearse: Rehearse, tmp_path: Path) -> None:
    done = rehearse("path_verification", "--set", "channel=1")
    assert done.code == 0, done.out + done.err
    assert "somebody at the bench, and a terminal" in " ".join(done.out.split())


def test_a_rehearsal_is_the_same_again_with_the_same_seed(rehearse: Rehearse, tmp_path: Path) -> None:
    values = []
    for out in ("first", "second"):
        assert rehearse("quay", "--seed", "5", "--out", out).code == 0
        stored = Record.open(next((tmp_path / out).iterdir()))
        values.append([reading.value for step in stored.steps for reading in step.readings])
    assert values[0] == values[1]
    assert json.dumps(values[0])


def test_a_rehearsal_is_never_resumed_as_a_run(
    rehearse: Rehearse, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its readings are of a model: a run on the real bench must not carry them over."""
    assert rehearse("quay").code == 0
    folder = next((tmp_path / "runs").iterdir())
    done = call(capsys, "run", "quay", "--resume", folder)
    assert done.code == 2, done.out + done.err
    assert "what stands on the bench" in done.err


def test_a_radio_behind_a_program_that_nobody_could_stop_is_told(rehearse: Rehearse) -> None:
    done = rehearse(
        "quay", "--only", "bring_up", changes=(('safe_command: [ssh, unit7, pa, all, "off"]\n', ""),)
    )
    assert done.code == 3
    assert "RF cannot be switched off if a run with this radio dies" in " ".join(done.out.split())
