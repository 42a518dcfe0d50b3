"""The bench as assembled from a profile."""

from __future__ import annotations

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.analyser import Analyser
from hilkit.sim.bench import SimulatedBench, canonical_resource
from hilkit.sim.contrary import ContraryAnalyser
from hilkit.sim.profile import Profile, load_profile
from hilkit.sim.world import World
from tests.sim.standin import Row, Talk


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile("simulated_pier")


def changed(profile: Profile, **update: object) -> Profile:
    return Profile(file=profile.file.model_copy(update=update), folder=profile.folder)


def test_every_instrument_of_the_profile_stands_on_the_bench(profile: Profile, clock: VirtualClock) -> None:
    bench = SimulatedBench(World(profile, clock))
    assert list(bench.instruments) == [
        "analyser",
        "pad",
        "relay",
        "generator",
        "power_meter",
        "supply",
        "radio",
    ]
    assert bench.at(bench.resource_of("pad")) is bench.instruments["pad"]
    assert bench.at("TCPIP0::nowhere::1::SOCKET") is None


def test_identities_are_those_of_the_profile(profile: Profile, clock: VirtualClock) -> None:
    bench = SimulatedBench(World(profile, clock))
    identity = profile.file.pads["pad"].identity
    answer = Talk(bench.instruments["pad"]).ask("*IDN?").split(",")
    assert answer == [identity.maker, identity.model, identity.serial, identity.firmware]


def test_the_dialect_of_the_profile_decides_which_analyser_stands_there(
    profile: Profile, clock: VirtualClock
) -> None:
    analyser = profile.file.analysers["analyser"].model_copy(update={"dialect": "contrary"})
    bench = SimulatedBench(World(changed(profile, analysers={"analyser": analyser}), clock))
    assert isinstance(bench.instruments["analyser"], ContraryAnalyser)
    plain = SimulatedBench(World(profile, clock)).instruments["analyser"]
    assert type(plain) is Analyser


def test_the_front_ends_move_the_world(profile: Profile, clock: VirtualClock) -> None:
    world = World(profile, clock)
    bench = SimulatedBench(world)
    Talk(bench.instruments["pad"]).write(":INP:ATT 12")
    Talk(bench.instruments["relay"]).write(":ROUT:CLOS (@102)")
    Talk(bench.instruments["radio"]).write("trim 1 12.5")
    assert world.pads["pad"].read() == 12
    assert set(world.relays["relay"].closed) == {102}
    assert world.radio.channels[1].trim_db == 12.5


def test_faults_of_the_profile_and_of_the_caller_both_strike(profile: Profile, clock: VirtualClock) -> None:
    own = Row(kind="silence", instrument="pad", when="*IDN?")
    more = Row(kind="refusal", instrument="pad", when=":INP")
    bench = SimulatedBench(World(changed(profile, faults=(own,)), clock), faults=[more])
    talk = Talk(bench.instruments["pad"])
    assert talk.ask("*IDN?") == ""
    talk.write(":INP:ATT 3")
    assert talk.errors() == ['-200,"Execution error"']


def test_a_lost_lock_reaches_the_synthesisers(profile: Profile, clock: VirtualClock) -> None:
    bench = SimulatedBench(
        World(profile, clock), faults=[Row(kind="lost_lock", instrument="radio", when="awake")]
    )
    talk = Talk(bench.instruments["radio"])
    clock.sleep(1)
    assert "locked" in talk.ask("lo 1")
    talk.ask("awake")
    assert "lost" in talk.ask("lo 1")


def test_a_stuck_transmit_attenuator_answers_but_the_level_stays(
    profile: Profile, clock: VirtualClock
) -> None:
    world = World(profile, clock)
    row = Row(kind="stuck_attenuator", instrument="radio", when="trim 1 4")
    talk = Talk(SimulatedBench(world, faults=[row]).instruments["radio"])
    for line in ("play 1 tone 1000000 -10", "play 1 start", "rf 1 on", "trim 1 10", "trim 1 4"):
        talk.ask(line)
    assert "trim 1 4.00" in talk.ask("trim 1")
    clock.sleep(1)
    level = world.truth_port_lines(1)[0].level_dbm
    talk.ask("trim 1 5")
    clock.sleep(1)  # the glitch of the move is over
    assert world.truth_port_lines(1)[0].level_dbm == pytest.approx(level + 5, abs=0.3)


def test_a_radio_that_reboots_starts_once_more(profile: Profile, clock: VirtualClock) -> None:
    bench = SimulatedBench(
        World(profile, clock), faults=[Row(kind="reboot", instrument="radio", when="rf 1")]
    )
    talk = Talk(bench.instruments["radio"])
    before = talk.ask("awake").split("starts=")[1].split()[0]
    assert talk.ask("rf 1") == ""
    clock.sleep(profile.file.radio.boot_time.s + 0.1)
    after = talk.ask("awake").split("starts=")[1].split()[0]
    assert int(after) == int(before) + 1


def test_two_instruments_at_one_resource_are_refused(profile: Profile, clock: VirtualClock) -> None:
    pads = {"pad": profile.file.pads["pad"].model_copy(update={"resource": "TCPIP::127.0.0.1::5025::SOCKET"})}
    with pytest.raises(ValueError, match=r"two simulated instruments are called 'pad' or stand at TCPIP0::"):
        SimulatedBench(World(changed(profile, pads=pads), clock))


def test_a_fault_for_nobody_is_refused(profile: Profile, clock: VirtualClock) -> None:
    known = "analyser, pad, relay, generator, power_meter, supply, radio"
    with pytest.raises(ValueError, match=f"ordered for analyzer; there are {known}"):
        SimulatedBench(World(profile, clock), faults=[Row(kind="silence", instrument="analyzer")])


@pytest.mark.parametrize(
    ("short", "full"),
    [
        ("TCPIP::host::5025::SOCKET", "TCPIP0::host::5025::SOCKET"),
        ("TCPIP::host", "TCPIP0::host::inst0::INSTR"),
        ("GPIB::9", "GPIB0::9::INSTR"),
    ],
)
def test_resources_are_compared_in_full(short: str, full: str) -> None:
    # VPP-4.3, section 4.3.1: board, device name and class have defaults
    assert canonical_resource(short) == full


def test_a_resource_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError):
        canonical_resource("nonsense")
