"""The radio's control line as a byte stream (invented; see hilkit/sim/radio_port.py)."""

from __future__ import annotations

from hilkit.clock import VirtualClock
from tests.sim.standin import Console, Talk, radio


def test_a_line_is_echoed_answered_and_followed_by_the_prompt(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console()))
    assert talk.ask("about") == "about\nanswer to about\nph> "


def test_carriage_returns_are_tolerated(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console()))
    assert talk.ask("about\r") == "about\nanswer to about\nph> "


def test_an_empty_line_brings_a_fresh_prompt(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console()))
    assert talk.ask("") == "\nph> "


def test_lines_may_come_in_pieces_and_several_at_once(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console()))
    talk.device.receive(b"ab")
    assert talk.read() == ""
    talk.device.receive(b"out\nrf 1\n")
    assert talk.read() == "about\nanswer to about\nph> rf 1\nanswer to rf 1\nph> "


def test_the_console_talks_between_echo_and_answer_and_by_itself(clock: VirtualClock) -> None:
    console = Console(news=["~ 1.000 fan slow"])
    talk = Talk(radio(clock, console))
    assert talk.ask("about") == "about\n~ 1.000 fan slow\nanswer to about\nph> "
    console.news = ["~ 2.000 warm"]
    assert talk.device.pending
    assert talk.read() == "~ 2.000 warm"


def test_a_unit_that_boots_hears_nothing(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console(booting=True)))
    assert talk.ask("about") == ""


def test_bytes_that_are_no_text_are_echoed_as_replacement(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console()))
    talk.device.receive(b"\xff\n")
    assert talk.device.take(100).decode().startswith("�\n")


def test_one_client_at_a_time(clock: VirtualClock) -> None:
    port = radio(clock, Console())
    assert not port.refuses
    device = port.connect()
    assert port.refuses
    device.close()
    assert not port.refuses


def test_after_a_client_vanished_the_port_is_held_for_seconds(clock: VirtualClock) -> None:
    port = radio(clock, Console(), hold_s=3)
    port.connect().close(clean=False)
    assert port.refuses
    clock.sleep(2.9)
    assert port.refuses
    clock.sleep(0.2)
    assert not port.refuses


def test_an_old_connection_that_ends_late_does_not_end_the_new_one(clock: VirtualClock) -> None:
    port = radio(clock, Console(), hold_s=0)
    old = port.connect()
    old.lost = True
    assert not port.refuses
    port.connect()
    old.close()
    assert port.refuses
