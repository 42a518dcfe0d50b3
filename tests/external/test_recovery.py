"""Tone placement, power sweep and retune over loopback sockets find what is truly there on random benches.

No source outside: the truth is the simulated chain itself, shown by a noiseless long FFT of it (numpy's), by
the true frequency of its synthesiser and by the times of its profile. No formula for an image or a harmonic
is used, and the simulator shares none with the analysis.

Tolerances
    A line in dBc, by its distance from the floor, at 200 independent samples a point: 0.7 dB from 10 dB on,
    0.4 dB from 15 dB, 0.2 dB from 20 dB, 0.1 dB from 30 dB. Nearer than 10 dB the answer has to be an upper
    bound, and from 12 dB on it must not be one; the truth lies under the bound plus Z - 1.645 standard
    deviations (1.645 are in a bound of 95 % confidence already), and the bound is no higher than an estimate
    that is Z deviations too high would make it. Level of the tone: 0.1 dB once the level error is off that a
    calibration of the analyser's range would show. Attenuator errors 0.02 dB. Frequency 0.005 RBW against
    the analyser's reference. Times: one look (a poll interval, and a sweep with its settings where one is
    part of the look). Where Z standard deviations are more than the tolerance, they take its place. What a
    profile states comes on top: the scale error times the distance in dB, and ``CHAIN_DB``. Path errors do
    not enter, because the bench file is written from the true path with the pad where the steps begin.

False failures
    The bound for one check is Bernstein's (``recovery_noise.tail``). Allowances are at least Z = 7 standard
    deviations, and the tails are no heavier than h = 0.05 (``line_scatter`` at 150 samples and no line at
    all; stronger lines are lighter), so a check fails by chance in 2 exp(-Z^2 / (2 (1 + Z h))) = 2.7e-8 of
    all runs. 20 random benches and 4 given ones with 225 checks each make 5400 checks and 1.5e-4; the count
    of bounds that lie under the truth adds 2e-4. That is 0.035 %, under the 0.1 % at which a run may fail
    by chance. The sum for the very checks of a run, most of which allow far more than Z deviations, is
    asserted as well; it is about 3e-7 without that count. The mean of the weak lines is one check more.

Every run draws new benches. The seed is printed and stands in each failure; ``HILKIT_RECOVERY_SEED`` repeats
its benches, settings and errors. Over sockets the number of looks while something settles depends on the
machine, so that the noise behind them may differ.
"""

from __future__ import annotations

import os
from collections import defaultdict
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from scipy import stats

from hilkit.errors import HilkitError
from tests.external.recovery_bench import draw_job, other_analyser
from tests.external.recovery_checks import Check, checks_of, complaints, false_failure_rate
from tests.external.recovery_noise import Z
from tests.external.recovery_run import run_job

BENCHES = 20
LONG_BENCHES = 200
MOST_FALSE_FAILURES = 1e-3
COUNT_TAIL = 2e-4

QUANTITIES = (
    "line, 10 to 15 dB",
    "line, 15 to 20 dB",
    "line, 20 to 30 dB",
    "line, 30 dB and more",
    "bound",
    "tone level",
    "tone frequency, in RBW",
    "attenuator",
    "attenuator across a move of the pad",
    "level change",
    "old_frequency_level is a bound",
    "no reset",
    "time: reference_lock_time",
    "time: lock_time",
    "time: calibration_time",
    "time: ready_after",
    "time: corrections_time",
)

WEAK = ("line, 10 to 15 dB", "line, 15 to 20 dB")


@dataclass
class Recovery:
    """All checks of one run, with the seed that repeats its benches."""

    seed: int
    checks: list[Check] = field(default_factory=list)

    @property
    def repeat(self) -> str:
        return f"HILKIT_RECOVERY_SEED={self.seed} repeats these benches"

    @property
    def bounds(self) -> list[bool]:
        """Of every bound that counts, whether it lies under the truth."""
        return [check.under_truth for check in self.checks if check.under_truth is not None]

    @property
    def most_under_truth(self) -> float:
        """What that count exceeds with ``COUNT_TAIL``: each has 5 % at most, and they are independent."""
        return float(stats.binom.isf(COUNT_TAIL, len(self.bounds), 0.05))

    def table(self) -> str:
        by_quantity: dict[str, list[Check]] = defaultdict(list)
        for check in self.checks:
            by_quantity[check.quantity].append(check)
        lines = [f"{len(self.checks)} checks, {self.repeat}"]
        for quantity, checks in sorted(by_quantity.items()):
            most = max(checks, key=lambda check: abs(check.error))
            share = max(check.share for check in checks)
            lines.append(
                f"  {quantity:36} {len(checks):6} checks, largest error {most.error:+9.4f}, "
                f"at most {100 * share:3.0f} % of what is allowed"
            )
        lines.append(
            f"  {sum(self.bounds)} of {len(self.bounds)} bounds lie under the truth; false failures by "
            f"chance: at most {false_failure_rate(self.checks):.1e} for all checks together"
        )
        return "\n".join(lines)


def recover(seed: int, benches: int) -> Recovery:
    found = Recovery(seed)
    for number in range(benches):
        job = draw_job(seed, number)
        try:
            checks = list(checks_of(run_job(job)))
        except HilkitError as error:
            raise AssertionError(f"bench {number} broke off; {found.repeat}: {error}\n{job}") from error
        found.checks += [replace(check, key=f"bench {number}: {check.key}") for check in checks]
    return found


def a_seed() -> int:
    given = os.environ.get("HILKIT_RECOVERY_SEED")
    return int(given) if given else int.from_bytes(os.urandom(4), "big")


@pytest.fixture(scope="module")
def recovery() -> Recovery:
    return recover(a_seed(), BENCHES)


def failures(found: Recovery, quantity: str | None = None) -> str:
    failed = [c for c in found.checks if not c.held and quantity in (None, c.quantity)]
    return "\n".join([found.repeat, *map(str, failed)]) if failed else ""


def test_the_seed_and_what_was_found_are_printed(recovery, capsys):
    with capsys.disabled():
        print(f"\n{recovery.table()}")
    assert {check.quantity for check in recovery.checks} <= set(QUANTITIES)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_truth_of_every_random_bench_is_recovered(recovery, quantity):
    assert failures(recovery, quantity) == ""


def test_a_good_tool_fails_here_less_than_once_in_a_thousand_runs(recovery):
    rate = false_failure_rate(recovery.checks) + COUNT_TAIL
    assert rate < MOST_FALSE_FAILURES, recovery.repeat


def test_weak_lines_have_no_bias(recovery):
    # A floor left in stays within the tolerance of each (0.4 dB at 10 dB), but shows in their mean.
    weak = [check for check in recovery.checks if check.quantity in WEAK and "free_range" not in check.key]
    mean = np.mean([check.error / check.sd for check in weak])
    systematic = np.mean([check.systematic / check.sd for check in weak])
    assert abs(mean) <= Z / np.sqrt(len(weak)) + systematic, recovery.repeat


def test_bounds_lie_under_the_truth_no_more_often_than_their_confidence_says(recovery):
    assert sum(recovery.bounds) <= recovery.most_under_truth, recovery.repeat


def test_the_jobs_move_the_pad_and_reach_every_quantity(recovery):
    seen = {check.quantity for check in recovery.checks}
    assert {"bound", "attenuator across a move of the pad", "line, 30 dB and more"} <= seen
    assert sum("moves of the pad" in check.key for check in recovery.checks) >= BENCHES


@pytest.mark.long
def test_two_hundred_random_benches_are_recovered(capsys):
    found = recover(a_seed(), LONG_BENCHES)
    with capsys.disabled():
        print(f"\n{found.table()}")
    assert failures(found) == ""
    # Ten times as many checks: the sum for the very checks, not the worst case, holds the rate here.
    assert false_failure_rate(found.checks) + COUNT_TAIL < MOST_FALSE_FAILURES
    assert sum(found.bounds) <= found.most_under_truth, found.repeat
    weak = [check.error / check.sd for check in found.checks if check.quantity in WEAK]
    # Scatter as derived, with room for the scale error, which counts here; 1 +- 1/sqrt(2 n) without it.
    assert 0.7 < np.sqrt(np.mean(np.square(weak))) < 1.5, found.repeat


# What else a bench may be.


def test_a_retune_without_its_calibration_shows_a_bad_image_that_is_truly_there():
    job = draw_job(20, 2)
    steps = (
        ("bring_up", job.bring_up),
        ("tone_placement", job.placement),
        ("retune", {**job.retune, "recalibrate": False}),
    )
    found = run_job(job, steps=steps)
    good = found.of("tone_placement", "image", "corrected").measured
    for phase in ("uncorrected", "corrected"):
        bad = found.of("retune", "image", phase)
        lines = bad.truth.lines_dbm
        assert bad.measured.value == pytest.approx(lines[-1] - lines[1], abs=0.15)
        assert bad.measured.value > good.value + 10.0
        assert bad.measured.value > -35.0
    held = {each.name: each.held for each in found.of("retune", "image", "corrected").measured.evidence}
    assert held["corrections settled"] is False
    assert all(seen.measured.name != "calibration_time" for seen in found.seen if seen.step == "retune")


def test_an_analyser_on_its_own_reference_shows_the_difference_of_the_references():
    job = replace(draw_job(23, 1), reference="internal")
    found = run_job(job)
    assert complaints(found) == set()
    error = found.of("tone_placement", "tone_frequency_error", "corrected").measured
    assert error.value == pytest.approx(-job.analyser.reference_error.value * job.carrier_hz, rel=0.03)
    assert "internal reference" in error.note


def test_the_contrary_analyser_gives_the_same_readings():
    job = other_analyser(draw_job(21, 3), filter_shape="four_pole")
    generic = run_job(job)
    contrary = run_job(other_analyser(job, dialect="contrary"), driver="signal_analyser_contrary")
    assert complaints(generic) == set()
    assert complaints(contrary) == set()
    checks = {check.key.split(" (")[0]: check for check in checks_of(generic)}
    for check in checks_of(contrary):
        same = checks[check.key.split(" (")[0]]
        if check.quantity != "bound":
            assert abs(check.value - same.value) <= check.high + same.high, (check, same)
