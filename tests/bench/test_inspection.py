"""An inspection shows the whole bench, what is wrong and what to do, and changes no setting."""

from __future__ import annotations

import datetime as dt
import re
import socket
from pathlib import Path

import pytest

from hilkit.bench import Bench, InspectionReport, bench_lock, inspect
from hilkit.bench.inspection import Finding, InstrumentLook, _look_at
from hilkit.bench.interlocks import Seen
from hilkit.clock import VirtualClock
from hilkit.errors import BenchBusyError
from hilkit.reports import inspection_block
from hilkit.sim.profile import Fault
from tests.bench.pier import LAB, Lines, pier, simulated


def look_at(
    bench: Bench, *faults: Fault, lines: Lines | None = None, self_test: bool = False
) -> InspectionReport:
    """Inspect the simulated bench as a run has left it: the analyser on the reference of the bench file."""
    manager, clock = simulated(faults)
    analyser = manager.open_resource("TCPIP0::127.0.0.1::5025::SOCKET")
    analyser.write_raw(b":SENS:ROSC:SOUR EXT\n")
    analyser.close()
    clock.sleep(10.0)
    return inspect(bench, manager, clock, lines or Lines(), LAB, self_test=self_test)


def test_a_bench_in_order_has_nothing_wrong(tmp_path: Path) -> None:
    report = look_at(pier(tmp_path))
    assert report.ok
    assert report.findings == []
    assert report.bench == "simulated pier"
    assert report.simulation == "simulated_pier"
    assert [look.name for look in report.instruments] == ["analyser", "pad", "relay", "supply", "radio"]
    analyser, *_, radio = report.instruments
    assert "SA7000 SA-70311" in analyser.identity
    assert analyser.expected == "SA7000 SA-70311"
    assert analyser.calibration == "due 2047-06-30"
    assert radio.reference == "locked"
    assert radio.calibration == "no date given"


SELECT, CONTACT = ":INSTrument:NSELect", ":SENSe:DIGital:DATA? "


def test_an_inspection_only_asks(tmp_path: Path) -> None:
    lines = Lines()
    look_at(pier(tmp_path), lines=lines)
    assert lines.sent()
    for text in lines.sent():
        asks = ("about", "clockin", "rf 1", "rf 2", "trim 1", "trim 2", "warmth")
        assert text.endswith("?") or text in asks or text.startswith((SELECT, CONTACT)), text
        assert "*TST?" not in text
    assert [text for text in lines.sent() if text.startswith(f"{SELECT} ")][-1] == f"{SELECT} 1", (
        "as it was found"
    )


def test_a_self_test_is_run_only_where_the_driver_calls_it_harmless(tmp_path: Path) -> None:
    lines = Lines()
    report = look_at(pier(tmp_path), lines=lines, self_test=True)
    tests = {look.name: look.self_test for look in report.instruments}
    for spec in (*pier(tmp_path).instruments.values(), pier(tmp_path).radio_spec):
        harmless = spec.dialect.self_test is not None and spec.dialect.self_test.harmless
        assert tests[spec.name] == ("passed" if harmless else "not declared harmless, not run")
        assert ("*TST?" in lines.sent(spec.name)) is harmless


def test_paths_show_what_they_cover_and_their_loss_at_the_band_edges(tmp_path: Path) -> None:
    bench = pier(tmp_path)
    first, second = look_at(bench).paths
    assert (first.channel, first.name, second.channel) == (1, "tx1", 2)
    assert first.coverage_hz == (1.7e9, 2.5e9)
    assert [edge for edge, _ in first.losses] == [1805e6, 1880e6, 2300e6, 2400e6]
    assert first.losses[0][1] == pytest.approx(bench.path(1).loss_db(1805e6))


def test_a_band_that_a_path_does_not_cover_is_wrong(tmp_path: Path) -> None:
    report = look_at(pier(tmp_path, ("2.5 GHz: 19.8 dB", "2.35 GHz: 19.8 dB")))
    assert not report.ok
    assert report.paths[0].losses[-1] == (2400e6, None)
    finding = report.findings[0]
    assert (finding.weight, finding.about) == ("wrong", "path tx1")
    assert "no loss at 2.4 GHz" in finding.sentence
    assert "measure this element" in finding.what_to_do


@pytest.mark.parametrize(
    ("days", "weight", "calibration"), [(-1, "wrong", "overdue since"), (0, "note", "within 30 days"),
                                        (30, "note", "within 30 days"), (31, None, "due")],
)  # fmt: skip
def test_a_calibration_date_is_looked_at(
    tmp_path: Path, days: int, weight: str | None, calibration: str
) -> None:
    due = VirtualClock().utc().date() + dt.timedelta(days=days)
    report = look_at(pier(tmp_path, ("2047-06-30", str(due))))
    assert calibration in report.instruments[0].calibration
    assert [finding.weight for finding in report.findings] == ([weight] * 2 if weight else [])
    assert report.ok is (weight != "wrong")


def test_another_instrument_is_wrong_but_does_not_hide_the_rest(tmp_path: Path) -> None:
    report = look_at(pier(tmp_path, ("serial: AT-0092", "serial: AT-0093")))
    assert not report.ok
    assert [finding.about for finding in report.findings] == ["pad"]
    assert "serial 'AT-0092' answers" in report.findings[0].sentence
    assert all(look.reached for look in report.instruments)


def test_an_instrument_that_is_not_there_is_wrong_but_does_not_hide_the_rest(tmp_path: Path) -> None:
    report = look_at(pier(tmp_path, ("127.0.0.1::5027", "127.0.0.1::5999")))
    assert [look.reached for look in report.instruments] == [True, True, False, True, True]
    (finding,) = (each for each in report.findings if each.about == "relay")
    assert (finding.weight, finding.about) == ("wrong", "relay")
    assert finding.what_to_do


def test_a_silent_instrument_is_wrong_but_does_not_hide_the_rest(tmp_path: Path) -> None:
    silent = Fault(instrument="pad", kind="silence", count=1000)
    report = look_at(pier(tmp_path), silent)
    assert {finding.about for finding in report.findings} == {"pad"}
    assert [look.name for look in report.instruments if look.identity] == [
        "analyser",
        "relay",
        "supply",
        "radio",
    ]


def test_an_address_behind_which_nobody_listens_does_not_answer_and_is_one_finding(tmp_path: Path) -> None:
    """Over PyVISA-py, which opens a socket that was refused and only fails when something is sent."""
    import pyvisa

    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    bench = pier(tmp_path, ("127.0.0.1::5026", f"127.0.0.1::{port}"))
    manager = pyvisa.ResourceManager("@py")
    look, findings = _look_at(
        bench.instruments["pad"], bench, manager, VirtualClock(), Lines(), self_test=False
    )
    manager.close()
    text = "\n".join(line.text for line in inspection_block(_report(look, findings), width=200))
    assert "pad: DOES NOT ANSWER" in text
    assert "errors " not in text
    assert text.count("wrong: ") == 1
    assert f"wrong: pad: cannot send '*IDN?' to TCPIP0::127.0.0.1::{port}::SOCKET: the connection was" in text


def test_swapped_addresses_are_one_finding_for_each_of_the_two(tmp_path: Path) -> None:
    swap = (
        ("127.0.0.1::5026", "127.0.0.1::9"),
        ("127.0.0.1::5100", "127.0.0.1::5026"),
        ("127.0.0.1::9", "127.0.0.1::5100"),
    )
    report = look_at(pier(tmp_path, *swap))
    text = "\n".join(line.text for line in inspection_block(report, width=200))
    assert sorted(each.about for each in report.findings if each.weight == "wrong") == ["pad", "radio"]
    assert "pad: answers" not in text
    assert "radio: answers" not in text
    assert "pad: pad:" not in text
    assert "radio: radio:" not in text


def test_rf_that_was_left_on_is_shown_and_is_wrong(tmp_path: Path) -> None:
    manager, clock = simulated()
    radio = manager.open_resource("TCPIP0::127.0.0.1::5100::SOCKET")
    for line in (b"trim 1 6\n", b"rf 1 on\n"):
        radio.write_raw(line)
    radio.close()
    report = inspect(pier(tmp_path), manager, clock, Lines(), LAB)
    assert not report.ok
    text = "\n".join(line.text for line in inspection_block(report, width=200))
    assert "RF          channel 1: ON, attenuation 6 dB; channel 2: off, attenuation" in text
    assert "wrong: radio: RF of channel 1 is on, at attenuation 6 dB" in text


def _report(look: InstrumentLook, findings: list[Finding]) -> InspectionReport:
    return InspectionReport(bench="trial", simulation=None, instruments=[look], findings=findings)


def test_the_outputs_of_a_supply_are_shown_with_what_is_measured_at_them(tmp_path: Path) -> None:
    report = look_at(pier(tmp_path))
    (look,) = (each for each in report.instruments if each.name == "supply")
    (output,) = look.outputs
    assert re.fullmatch(
        r"1 \(radio\): ON, 1[12]\.\d\d V and \d\.\d\d A measured; 12 V set, at most 3 A", output
    )
    assert output in " ".join(" ".join(line.text for line in inspection_block(report, width=200)).split())


def test_an_output_that_a_protection_holds_off_is_wrong(tmp_path: Path) -> None:
    manager, clock = simulated(())
    supply = manager.open_resource("TCPIP0::127.0.0.1::5030::SOCKET")
    for command in (b":VOLT:PROT 5", b":VOLT:PROT:STAT ON"):
        supply.write_raw(command + b"\n")
    supply.close()
    clock.sleep(10.0)
    report = inspect(pier(tmp_path), manager, clock, Lines(), LAB)
    (look,) = (each for each in report.instruments if each.name == "supply")
    assert look.outputs[0].startswith("1 (radio): off, over-voltage protection has tripped")
    assert "the over-voltage protection has switched output 1 off" in [
        each.sentence for each in report.findings
    ]


def test_a_lost_reference_is_wrong(tmp_path: Path) -> None:
    report = look_at(
        pier(tmp_path), Fault(instrument="analyser", kind="lost_reference", when=":STATus:QUEStionable")
    )
    assert [(finding.weight, finding.about) for finding in report.findings] == [("wrong", "analyser")]
    assert report.findings[0].sentence == "it is not locked to its reference"
    assert report.instruments[0].reference == "external, not locked"


def test_an_analyser_on_another_reference_is_a_note_since_a_run_sets_it(tmp_path: Path) -> None:
    manager, clock = simulated()
    report = inspect(pier(tmp_path), manager, clock, Lines(), LAB)
    assert report.ok
    assert report.instruments[0].reference == "internal, locked"
    assert report.findings[0].sentence == "its reference is internal, the bench file wants external"


def test_entries_of_an_error_queue_are_shown_in_full_as_a_note(tmp_path: Path) -> None:
    manager, clock = simulated()
    bench = pier(tmp_path)
    with bench.connect(manager, clock, Lines(), LAB, prepare=False) as connected:
        connected.instruments["pad"].link.set(":INPut:ATTention 10")
    report = inspect(bench, manager, clock, Lines(), LAB)
    assert report.ok
    assert len(report.instruments[1].errors) == 1
    assert "-113" in report.instruments[1].errors[0]
    finding = next(finding for finding in report.findings if finding.about == "pad")
    assert finding.weight == "note"
    assert "-113" in finding.sentence
    assert "reading has emptied it" in finding.what_to_do


def test_a_bench_in_use_is_not_touched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    lines = Lines()
    bench = pier(tmp_path, ("simulation: simulated_pier\n", ""))
    with bench_lock(bench), pytest.raises(BenchBusyError):
        look_at(bench, lines=lines)
    assert lines.sent() == []


def test_an_interlock_that_cannot_be_read_asks_for_the_link_and_not_for_what_it_guards(
    tmp_path: Path,
) -> None:
    interlock = pier(tmp_path).interlocks["supply current"]
    assert "short" in Seen(interlock=interlock, value="9 A").next_step
    told = Seen(interlock=interlock, trouble="no answer within 3 s").next_step
    assert told == "check power, cable and address of supply, then run again"
