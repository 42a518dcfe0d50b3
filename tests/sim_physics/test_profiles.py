"""The shipped profile, the random ones, and what is said of a profile that does not hold together."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import FileProblems, Problem
from hilkit.files import library, schema
from hilkit.sim.profile import Profile, ProfileFile, load_profile
from hilkit.sim.random_profile import random_profile
from hilkit.sim.world import World

TEXT = (library() / "sim_profiles" / "simulated_pier.yaml").read_text(encoding="utf-8")


def mistakes(folder: Path, *changes: tuple[str, str]) -> list[Problem]:
    """Return what is wrong with the shipped profile after texts in it were replaced."""
    text = TEXT
    for old, new in changes:
        assert old in text, f"{old!r} is not in the shipped profile"
        text = text.replace(old, new, 1)
    shutil.copy(library() / "sim_profiles" / "measured_line.s2p", folder)
    file = folder / "mine.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        load_profile(file)
    return list(caught.value.problems)


def test_the_shipped_profile_loads_by_name() -> None:
    profile = load_profile("simulated_pier")
    assert profile.name == "simulated pier"
    assert set(profile.file.paths) == {"tx1", "tx2"}


def test_every_key_has_a_place_in_the_schema() -> None:
    assert "radio" in schema(ProfileFile)["properties"]


@pytest.mark.parametrize(
    ("old", "new", "marked", "said"),
    [
        ("pad: pad,", "pad: pat,", "pat", "did you mean pad?"),
        ("analyser: analyser", "analyser: scope", "scope", "a analyser"),
        ("channel: 1", "channel: 7", "7", "a channel of the radio"),
        ("close: 101", "close: 109", "109", "relay has no channel 109"),
        ("relay: relay,", "relay: rely,", "rely", "did you mean relay?"),
        ("settle_time: 1.3 s", "settle_time: 1.3", "1.3", "a unit is missing"),
        ("settle_time: 1.3 s", "settle_time: -1.3 s", "-1.3 s", "a time is not negative"),
        ("kind: cable", "kind: cabel", "cabel", "did you mean cable?"),
        ("noise_density: -150 dBm/Hz", "noise_density: -150 dBm", "-150 dBm", "a power density"),
        ("seed: 417", "seed: -1", "-1", "0 or more"),
        ("measured_line.s2p", "measured_lime.s2p", "measured_lime.s2p", "did you mean measured_line.s2p?"),
        ("step: 1 dB", "step: 0 dB", "0 dB", "a step is above zero"),
    ],
)
def test_what_does_not_fit_together_is_told_at_its_place(
    tmp_path: Path, old: str, new: str, marked: str, said: str
) -> None:
    (problem,) = mistakes(tmp_path, (old, new))
    assert problem.line_text[problem.column - 1 :].startswith(marked)
    assert said.replace("a analyser", "an analyser") in problem.render()


def test_all_that_does_not_fit_together_is_told_at_once(tmp_path: Path) -> None:
    found = mistakes(
        tmp_path,
        ("pad: pad,", "pad: pat,"),
        ("channel: 1", "channel: 7"),
        ("seed: 417", "seed: 5"),
        ("measured_line.s2p", "no.s2p"),
    )
    assert len(found) == 3


def test_two_instruments_at_one_address_and_no_address_are_told_at_the_address(tmp_path: Path) -> None:
    first, second = re.findall(r"resource: (\S+)", TEXT)[:2]
    (taken,) = mistakes(tmp_path, (second, first))
    assert taken.message == "'radio' already stands at this resource"
    assert taken.line_text[taken.column - 1 :].startswith(first)
    (unreadable,) = mistakes(tmp_path, (second, "x"))
    assert unreadable.message == "this is no VISA resource name"


def test_a_range_upside_down_is_told_at_one_of_its_ends(tmp_path: Path) -> None:
    (problem,) = mistakes(tmp_path, ("high: 63 dB", "high: -1 dB"))
    assert (problem.message, problem.seen) == ("low is above high", "low 0 dB, high -1 dB")
    (band,) = mistakes(tmp_path, ("{low: 1805 MHz, high: 1880 MHz}", "{low: 1880 MHz, high: 1805 MHz}"))
    assert band.message == "low is above high"


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("{instrument: analyzer, kind: silence}", "did you mean analyser?"),
        ("{instrument: analyser, kind: delay}", "add delay: 3 s"),
        ("{instrument: analyser, kind: stuck_relay}", "this kind for relay"),
        ("{instrument: relay, kind: silence, delay: 3 s}", "`delay` does not go with kind silence"),
    ],
)
def test_a_fault_that_could_never_strike_is_told(tmp_path: Path, fault: str, said: str) -> None:
    (problem,) = mistakes(tmp_path, ("profile:", f"faults: [{fault}]\nprofile:"))
    assert said in problem.render()
    assert "faults:" in problem.line_text


def test_the_same_generator_state_draws_the_same_bench() -> None:
    assert random_profile(np.random.default_rng(5)) == random_profile(np.random.default_rng(5))
    assert random_profile(np.random.default_rng(5)) != random_profile(np.random.default_rng(6))


def test_random_benches_have_products_in_the_promised_ranges(tmp_path: object) -> None:
    rng = np.random.default_rng(20261125)
    for _ in range(20):
        world = World(Profile(file=random_profile(rng), folder=library() / "sim_profiles"), VirtualClock())
        for line in ("clockin external", "lo 1 2350000000", "trim 1 5"):
            world.radio.handle_line(line)
        world.clock.sleep(3)
        world.radio.handle_line("tune 1")
        world.clock.sleep(2)
        assert world.radio.handle_line("tune 1 ?") == "tune 1 good"
        for line in ("play 1 tone 7500000 -6", "play 1 start", "rf 1 on", "mend 1 on"):
            world.radio.handle_line(line)
        world.clock.sleep(5)
        assert world.radio.handle_line("mend 1") == "mend 1 settled 100"
        lines = {line.order: line.level_dbm for line in world.truth_port_lines(1)}
        tone = lines[1]
        assert tone < 24
        # Unequal cubics add up to 7 % of the third harmonic three times over to the image, hence the wider
        # range.
        assert -75 < lines[-1] - tone < -42
        assert -70 < lines[0] - tone < -42
        assert -66.5 < lines[-3] - tone < -43.5
