"""The radio on a console in memory, and on a child process."""

import sys
import time
from collections import deque
from pathlib import Path

import pytest

from hilkit.clock import VirtualClock, WallClock
from hilkit.errors import IdentityError, LinkError, RefusedError, ReplyError
from hilkit.files import Lab
from hilkit.instruments import LineConsole, LineTransport, ProcessLines, Radio, load_dialect, open_instrument
from tests.instruments.bench import SOCKET, FakeBench, Lines

CONSOLE = str(Path(__file__).with_name("console_program.py"))
ANSWERS = {
    "about": "about model=PH2-220 serial=PH2-000417 build=4.2.0",
    "awake": "awake seconds=123.4 starts=3",
    "clockin": "clockin external seeking",
    "clockin internal": "ok",
    "rf 1": "rf 1 on",
    "rf 2": "rf 2 off",
    "lo 1": "lo 1 1842500000 slewing",
    "trim 1": "trim 1 12.50",
    "trim 1 32": "sorry 12 trim out of range 0 to 31.5",
    "play 1": "play 1 tone 7500000 -6.0 running",
    "tune 1 ?": "tune 1 busy 40",
    "mend 1": "mend 1 learning 45",
    "mend 2": "mend 2 off",
    "warmth": "warmth 41.3",
}


class ConsoleInMemory(LineTransport):
    """Echoes, answers, prompts; ``before`` and ``between`` are noise around the echo."""

    address = "memory"

    def __init__(self, clock: VirtualClock, echo: bool = True) -> None:
        self.clock = clock
        self.answers: dict[str, str | None] = dict(ANSWERS)
        self.before: list[str] = []
        self.between: list[str] = []
        self.echo = echo
        self.prompt = ""
        self.lines: deque[str] = deque()
        self.sent: list[str] = []
        self.recovered = 0
        self.closed = False

    def send(self, text: str) -> None:
        self.sent.append(text)
        self.lines.extend(self.before)
        if self.echo:
            self.lines.append(self.prompt + text)
        self.lines.extend(self.between)
        answer = self.answers.get(text, "ok")
        if answer is not None:
            self.lines.extend(answer.split("\n"))
        self.prompt = "ph> "

    def receive(self, timeout_s: float) -> str | None:
        if self.lines:
            return self.lines.popleft()
        self.clock.advance(timeout_s)
        return None

    def recover(self) -> None:
        self.recovered += 1
        self.lines.clear()

    def close(self) -> None:
        self.closed = True


def radio() -> tuple[ConsoleInMemory, Radio, Lines]:
    clock = VirtualClock()
    dialect = load_dialect("radio_head", Lab(None))
    transport, transcript = ConsoleInMemory(clock), Lines()
    assert dialect.line is not None
    console = LineConsole(
        transport, dialect.line, name="radio", clock=clock, timeout_s=3.0, transcript=transcript
    )
    return transport, Radio(console, dialect), transcript


def test_everything_that_can_be_asked_is_read_by_its_pattern() -> None:
    _, unit, _ = radio()
    identity = unit.identity()
    assert (identity.model, identity.serial, identity.firmware) == ("PH2-220", "PH2-000417", "4.2.0")
    assert (unit.uptime_s(), unit.boot_count(), unit.temperature_c()) == (123.4, 3, 41.3)
    assert unit.reference_state() == "seeking"
    assert (unit.rf(1), unit.rf(2)) == (True, False)
    assert (unit.carrier(1), unit.synthesiser_state(1)) == (1842.5e6, "slewing")
    assert unit.attenuation(1) == 12.5
    assert unit.attenuation_range() == (0.0, 31.5, 0.5)
    assert unit.stream(1) == "tone 7500000 -6.0 running"
    assert unit.calibration_state(1) == "running"
    state = unit.corrections_state(1)
    assert (state.state, state.progress_percent) == ("learning", 45.0)
    assert unit.corrections_state(2).progress_percent is None
    assert unit.errors() == []


def test_settings_are_sent_in_the_radios_words_and_read_back() -> None:
    transport, unit, _ = radio()
    unit.set_rf(1, True)
    unit.set_carrier(1, 1842.5e6)
    unit.set_attenuation(1, 12.5)
    unit.play_tone(1, 7.5e6, -6.0)
    unit.start_stream(1)
    unit.set_corrections(1, True)
    unit.calibrate(1)
    unit.restart_synthesiser(1)
    assert transport.sent == [
        "rf 1 on", "rf 1", "lo 1 1842500000", "lo 1", "trim 1 12.5", "trim 1",
        "play 1 tone 7500000 -6", "play 1",
        "play 1 start", "play 1", "mend 1 on", "mend 1", "tune 1", "lo 1 restart",
    ]  # fmt: skip


def test_a_setting_that_is_not_taken_is_refused_with_both_values() -> None:
    _, unit, _ = radio()
    for call, says in (
        (lambda: unit.set_rf(1, False), "rf of channel 1 was not taken: sent off, read back on"),
        (
            lambda: unit.set_carrier(1, 1850e6),
            "carrier of channel 1 .* sent 1850000000 Hz, read back 1842500000 Hz",
        ),
        (lambda: unit.set_attenuation(1, 3.0), "sent 3 dB, read back 12.5 dB"),
        (
            lambda: unit.set_reference("internal"),
            "reference was not taken: sent internal, read back external",
        ),
        (lambda: unit.play_tone(1, 5e6, -6.0), "should play tone at 5000000 Hz at -6 dBFS"),
        (lambda: unit.play_tone(1, 7.5e6, -3.0), "should play tone at 7500000 Hz at -3 dBFS"),
        (lambda: unit.play_waveform(1, "nr20", -6.0), "should play waveform nr20"),
        (lambda: unit.stop_stream(1), "stream of channel 1 should be stopped"),
        (
            lambda: unit.set_corrections(1, False),
            "corrections of channel 1 should be off, they report 'learning'",
        ),
    ):
        with pytest.raises(RefusedError, match=says):
            call()


def test_an_error_line_is_refused_with_the_radios_words() -> None:
    transport, unit, _ = radio()
    transport.answers["trim 1 31.5"] = "sorry 12 trim out of range 0 to 30"
    with pytest.raises(RefusedError, match=r"'trim 1 31\.5' was refused: 12 trim out of range 0 to 30"):
        unit.set_attenuation(1, 31.5)


def test_a_value_outside_the_range_is_refused_before_it_is_sent() -> None:
    transport, unit, _ = radio()
    with pytest.raises(RefusedError, match="attenuation = 32 dB is out of range"):
        unit.set_attenuation(1, 32.0)
    with pytest.raises(RefusedError, match="is no name of a waveform"):
        unit.play_waveform(1, "nr20; reboot", -6.0)
    assert transport.sent == []


def test_noise_before_the_echo_and_between_echo_and_answer_does_not_confuse() -> None:
    transport, unit, transcript = radio()
    transport.before = ["~ fan 2100", "", "ph> ~ warmth 99.9"]
    transport.between = ["~ rf 1 off", "   ", "ph> ph> ~ late"]
    transport.prompt = "ph> ph> "
    assert unit.rf(1) is True
    assert unit.temperature_c() == 41.3
    assert ("radio", "<-", "~ rf 1 off") in transcript.entries


def test_an_answer_left_over_from_before_is_never_taken_for_this_one() -> None:
    transport, unit, _ = radio()
    transport.before = ["warmth 99.9", "sorry 3 too late", "ok"]
    assert unit.temperature_c() == 41.3


def test_a_strange_line_before_the_answer_is_passed_over() -> None:
    transport, unit, _ = radio()
    transport.between = ["watchdog fed"]
    assert unit.temperature_c() == 41.3


def test_an_answer_that_fits_no_pattern_is_shown() -> None:
    transport, unit, _ = radio()
    transport.answers["warmth"] = "warmth very\x07"
    with pytest.raises(
        ReplyError, match=r"'warmth' was answered with 'warmth very\\x07', which fits no reply pattern"
    ):
        unit.temperature_c()
    transport.answers["warmth"] = "\n".join(["warmth ?"] * 2000)
    with pytest.raises(ReplyError, match="fits no reply pattern"):
        unit.temperature_c()


def test_a_word_that_the_driver_file_does_not_know_is_shown() -> None:
    transport, unit, _ = radio()
    transport.answers["clockin"] = "clockin external drifting"
    with pytest.raises(ReplyError, match="'drifting', which is none of locked, seeking, absent"):
        unit.reference_state()
    transport.answers["play 1"] = "play 1 tone x -6.0 running"
    with pytest.raises(ReplyError, match="'x' should be a number"):
        unit.play_tone(1, 7.5e6, -6.0)


def test_silence_brings_the_link_back_in_step_and_is_a_link_error() -> None:
    transport, unit, _ = radio()
    transport.answers["warmth"] = None
    with pytest.raises(
        LinkError, match=r"radio: no answer to 'warmth' within 3 s at memory \(the link is back in step"
    ):
        unit.temperature_c()
    assert transport.recovered == 2
    assert transport.sent == ["warmth", "about", "warmth", "about"]
    transport.echo = False
    transport.answers["about"] = None
    with pytest.raises(LinkError, match=r"no echo to 'warmth' .* could not be brought back in step"):
        unit.temperature_c()


def test_another_radio_than_the_driver_file_expects_is_an_identity_error(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "mine.yaml").write_text(
        "driver: mine\nbase: radio_head\ninstrument_class: radio\nidentity: PH4\n", encoding="utf-8"
    )
    transport, unit, _ = radio()
    dialect = load_dialect("mine", Lab(tmp_path))
    with pytest.raises(IdentityError, match="does not fit 'PH4' of driver mine"):
        Radio(unit.console, dialect).identity()
    unit.close()
    assert transport.closed


# --- over VISA


def line_radio(answer: bytes = b"") -> tuple[FakeBench, Radio]:
    found = FakeBench(SOCKET)
    found.instrument.receive = lambda data: found.instrument.output.extend(
        b"~ noise\nph> " + data + (answer or b"warmth 41.3\n")
    )
    return found, found.open("radio_head")


def test_a_radio_can_be_reached_over_a_socket() -> None:
    _, unit = line_radio()
    assert unit.temperature_c() == 41.3
    assert unit.name == "analyser"


def test_a_socket_to_a_silent_radio_is_reopened_with_patience() -> None:
    """A radio's one control connection may be held for seconds after a kill: common practice, no source."""
    found, unit = line_radio()
    found.instrument.receive = lambda data: None
    found.manager.refusals.extend([ConnectionRefusedError(111, "refused")] * 4)
    with pytest.raises(LinkError, match="could not be brought back in step"):
        unit.temperature_c()
    assert found.instrument.opened == 2
    assert found.clock.now() >= 4.0


def test_half_a_line_is_kept_until_the_rest_comes() -> None:
    found, unit = line_radio(b"warmth 4")
    transport = unit.console.transport
    transport.send("warmth")
    assert [transport.receive(1.0) for _ in range(3)] == ["~ noise", "ph> warmth", None]
    found.instrument.output.extend(b"1.3\r\n")
    assert transport.receive(1.0) == "warmth 41.3"


# --- over a child process


def process(*arguments: str) -> Radio:
    return open_instrument(
        load_dialect("radio_head", Lab(None)),
        name="radio",
        clock=WallClock(),
        command=[sys.executable, CONSOLE, *arguments],
    )


def test_a_radio_can_be_reached_through_a_child_process_which_ends_with_it() -> None:
    unit = process()
    try:
        assert unit.identity().serial == "PH2-000417"
        assert unit.temperature_c() == 41.3
        child = unit.console.transport._process
        assert child.poll() is None
    finally:
        unit.close()
    assert child.poll() is not None


def test_a_child_that_ends_is_a_link_error_and_started_again() -> None:
    unit = process()
    try:
        with pytest.raises(LinkError, match=r"ended with code 3|closed its output"):
            unit.console.ask("die", lambda text: None)
        assert unit.temperature_c() == 41.3
    finally:
        unit.close()


def test_a_child_that_does_not_end_by_itself_is_killed() -> None:
    transport = ProcessLines([sys.executable, CONSOLE, "stubborn"], name="radio", kill_after_s=0.05)
    transport.send("about")
    assert transport.receive(5.0) is not None
    began = time.monotonic()
    transport.close()
    assert transport._process.poll() is not None
    assert time.monotonic() - began < 1.0


def test_silence_of_a_child_has_an_end() -> None:
    transport = ProcessLines([sys.executable, CONSOLE], name="radio")
    try:
        assert transport.receive(0.01) is None
    finally:
        transport.close()


def test_a_program_that_does_not_exist_is_a_link_error() -> None:
    with pytest.raises(LinkError, match="cannot start 'no-such-program-here 1'"):
        ProcessLines(["no-such-program-here", "1"], name="radio")
    with pytest.raises(ValueError, match="a command is a list"):
        ProcessLines("about; rm", name="radio")


def test_no_shell_stands_between() -> None:
    """What a shell would expand arrives as it is."""
    transport = ProcessLines([sys.executable, CONSOLE, "say", "$HOME;%PATH%|*"], name="radio")
    try:
        assert transport.receive(5.0) == "$HOME;%PATH%|*"
    finally:
        transport.close()
