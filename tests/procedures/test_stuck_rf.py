"""RF that stays on where it was switched off in mid-run stops the run, so that it is cut."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import SafetyStop
from tests.procedures.rig import TONE, Rig, by_key, failed_checks, rig


def disobey(pier: Rig) -> None:
    """Let the radio take RF up, and answer without doing so where it is to take it down."""
    channel = pier.world.radio.channels[1]
    obeyed = channel.set_rf
    channel.set_rf = lambda now_s, on: obeyed(now_s, on) if on else None


def test_a_tone_that_stays_above_off_level_stops_the_run(tmp_path: Path) -> None:
    with rig(tmp_path) as pier:
        pier.bring_up()
        disobey(pier)
        with pytest.raises(
            SafetyStop, match=r"its tone is still at the port with .* above off_level, -30 dBm"
        ):
            pier.run("tone_placement", **TONE, corrections=False)
        assert not pier.session.state(1).rf_on, "RF is not commanded on again"


def test_without_off_level_a_stuck_switch_is_named_among_what_may_be(tmp_path: Path) -> None:
    with rig(tmp_path, ("off_level: -30 dBm\n", "")) as pier:
        pier.bring_up()
        disobey(pier)
        image = by_key(pier.run("tone_placement", **TONE, corrections=False))["image", "uncorrected"]
    assert "RF off" in failed_checks(image)
    assert any("or RF of the radio is on still" in each.sentence for each in image.evidence)
