"""The shipped profile, the random ones, and what is said of a profile that does not hold together."""

from __future__ import annotations

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import FileProblems
from hilkit.files import library, loads, schema, validate
from hilkit.sim.profile import Profile, ProfileFile, load_profile
from hilkit.sim.random_profile import random_profile
from hilkit.sim.world import World

TEXT = (library() / "sim_profiles" / "simulated_pier.yaml").read_text(encoding="utf-8")


def problems(text: str) -> str:
    with pytest.raises(FileProblems) as caught:
        validate(loads(text, "bench.yaml"), ProfileFile)
    return str(caught.value)


def test_the_shipped_profile_loads_by_name() -> None:
    profile = load_profile("simulated_pier")
    assert profile.name == "simulated pier"
    assert set(profile.file.paths) == {"tx1", "tx2"}


def test_every_key_has_a_place_in_the_schema() -> None:
    assert "radio" in schema(ProfileFile)["properties"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("pad: pad,", "pad: pat,", "'pat'"),
        ("analyser: analyser", "analyser: scope", "'scope'"),
        ("channel: 1", "channel: 7", "channel 7"),
        ("close: 101", "close: 109", "relay:109"),
        ("settle_time: 1.3 s", "settle_time: 1.3", "settle_time"),
        ("kind: cable", "kind: cabel", "cabel"),
        ("noise_density: -150 dBm/Hz", "noise_density: -150 dBm", "noise_density"),
    ],
)
def test_what_does_not_fit_together_is_named(old: str, new: str, said: str) -> None:
    assert old in TEXT
    assert said in problems(TEXT.replace(old, new, 1))


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
