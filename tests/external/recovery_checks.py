"""Each reading of a job against the truth, and what it may differ by."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from hilkit.readings import Bound, Trace
from tests.external.recovery_noise import Noise, Z, db, tail
from tests.external.recovery_run import Findings, Seen

__all__ = ["Check", "checks_of", "complaints", "false_failure_rate"]

OWED_DB = 12.0
"""From that distance to the floor on, a line has to be read as a value, 2 dB above where bounds begin."""

CLEAR_DB = 9.0
"""Up to that distance from the floor, a line is a bound whatever its noise does: 1 dB is 10 deviations."""

STEP_DB = 0.02
FREQUENCY_RBW = 0.005

CHAIN_DB = 0.01
"""Allowance in dB for what moves between the truth and its reading, or is shared by neither: the amplifier's
droop (at most 0.005 dB), the loss table between its points (under 0.002 dB), and the analyser's own third
order at -20 dBm and an intercept of 13 dBm (0.004 dB of compression)."""

TURNS_S = 0.01
"""Simulated time in s of the lines to and from the radio within one look: 1 ms each."""

CLASSES = ((30.0, "30 dB and more"), (20.0, "20 to 30 dB"), (15.0, "15 to 20 dB"), (-99.0, "10 to 15 dB"))

SWEPT_AS = {-1: "image", 0: "lo_leakage", -3: "third_harmonic", 3: "plus_three"}


@dataclass(frozen=True, kw_only=True)
class Check:
    """One reading against its truth, in the unit of the reading.

    ``low`` and ``high`` are the least and the most that reading less truth may be. ``tail`` bounds the
    probability that statistics alone carry a good reading outside; 0 where nothing is random. For a line,
    ``sd`` is the expected standard deviation and ``systematic`` what of ``low`` and ``high`` is not scatter.
    ``under_truth`` says of a bound whether it lies under the truth; ``None`` for a line so near to 10 dB
    above the floor that a low reading alone makes it a bound, and for what repeats another reading.
    """

    key: str
    quantity: str
    value: float
    truth: float
    low: float
    high: float
    tail: float = 0.0
    sd: float = 0.0
    systematic: float = 0.0
    under_truth: bool | None = None

    @property
    def error(self) -> float:
        """Reading less truth."""
        return self.value - self.truth

    @property
    def share(self) -> float:
        """The part of what is allowed that the error takes up; 0 where it is no part but all or nothing."""
        limit = self.high if self.error > 0 else self.low
        return self.error / limit if limit else 0.0

    @property
    def held(self) -> bool:
        """True when the reading lies within what is allowed."""
        return self.low <= self.error <= self.high

    def __str__(self) -> str:
        return (
            f"{self.key}: read {self.value:.4f}, true {self.truth:.4f}, error {self.error:+.4f}, "
            f"allowed {self.low:+.4f} to {self.high:+.4f}"
        )


def false_failure_rate(checks: list[Check]) -> float:
    """Return a bound of the probability that any of the checks fails by chance: the sum of all tails."""
    return sum(check.tail for check in checks)


def checks_of(findings: Findings) -> Iterator[Check]:
    """Yield every check of a job."""
    yield from _times(findings)
    for phase in ("uncorrected", "corrected"):
        yield from _placement(findings, phase)
        for name, multiple in (("image", -1), ("lo_leakage", 0)):
            yield _line(findings, findings.of("retune", name, phase), multiple, findings.job.to_hz)
    yield from _sweep(findings)
    yield from _retuned(findings)


def complaints(findings: Findings) -> set[str]:
    """Return the names of the readings of a job that are not as they should be."""
    return {check.key.split(" (")[0] for check in checks_of(findings) if not check.held}


# tone placement


def _placement(findings: Findings, phase: str) -> Iterator[Check]:
    carrier_hz = findings.job.carrier_hz

    def seen(name: str) -> Seen:
        return findings.of("tone_placement", name, phase)

    for multiple, name in SWEPT_AS.items():
        yield _line(findings, seen(name), multiple, carrier_hz)
    second, free = seen("second_harmonic"), seen("spurious_free_range")
    lines = second.truth.lines_dbm
    yield _line(findings, second, max(2, -2, key=lines.__getitem__), carrier_hz)
    lines = free.truth.lines_dbm
    highest = max((m for m in lines if m != 1), key=lines.__getitem__)
    # The trace of this reading is the overview; its noise is that of the line's own sweep.
    free = replace(free, trace=seen(SWEPT_AS.get(highest, "image")).trace)
    yield _line(findings, free, highest, carrier_hz, sign=-1)
    yield _level(findings, seen("tone_level"))
    yield _frequency(findings, seen("tone_frequency_error"), seen("image"), carrier_hz)


def _noise(findings: Findings, seen: Seen, multiple: int, carrier_hz: float) -> Noise:
    """The line as it truly stands at the analyser, over the floor that the trace shows."""
    frequency_hz = carrier_hz + multiple * findings.job.offset_hz
    loss_db = findings.bench.path(findings.job.channel).loss_db(frequency_hz, pad_db=seen.truth.pad_db)
    level_dbm = seen.truth.lines_dbm[multiple] - loss_db
    return Noise(10 ** ((level_dbm - _floor_dbm(seen.trace)) / 10), seen.trace.samples_per_point)


def _floor_dbm(trace: Trace) -> float:
    """Mean power of the outer points of a narrow sweep, 3 filter widths and more from its middle."""
    outer = np.abs(trace.frequency_hz - trace.frequency_hz.mean()) > 3 * trace.rbw_hz
    return db(float(np.mean(10 ** (trace.level_dbm[outer] / 10))))


def _scale(findings: Findings) -> float:
    """The scale error that the profile states, as dB per dB."""
    return abs(float(findings.job.analyser.scale_error_per_10db.db)) / 10


def _line(findings: Findings, seen: Seen, multiple: int, carrier_hz: float, *, sign: int = 1) -> Check:
    """A line in dBc, or with ``sign`` -1 its distance in dB; a bound is good when the truth is under it."""
    truth_dbc = seen.truth.lines_dbm[multiple] - seen.truth.lines_dbm[1]
    value_dbc = sign * seen.measured.value
    noise = _noise(findings, seen, multiple, carrier_hz)
    systematic_db = CHAIN_DB + _scale(findings) * abs(truth_dbc)
    exact = seen.measured.bound is Bound.EXACT
    if exact:
        low_db, high_db, beyond = -noise.allowed_db, noise.allowed_db, noise.beyond(noise.allowed_db)
    else:
        low_db = noise.lowest_bound_db(noise.snr * 10 ** ((value_dbc - truth_dbc) / 10))
        high_db = noise.highest_bound_db() if noise.snr_db < OWED_DB else -math.inf
        beyond = 2 * tail(Z * noise.sd, noise.sd, noise.heaviness)
    distance = next(text for least, text in CLASSES if noise.snr_db >= least)
    return Check(
        key=f"{seen.key} ({'' if exact else 'bound, '}{noise.snr_db:.1f} dB above the floor)",
        quantity=f"line, {distance}" if exact else "bound",
        value=value_dbc,
        truth=truth_dbc,
        low=low_db - systematic_db,
        high=high_db + systematic_db,
        tail=beyond,
        sd=noise.sd_db,
        systematic=systematic_db,
        under_truth=truth_dbc > value_dbc if not exact and noise.snr_db < CLEAR_DB and sign > 0 else None,
    )


def _level(findings: Findings, seen: Seen) -> Check:
    """The tone at the port, less the level error that a calibration of the analyser's range would show."""
    job = findings.job
    noise = _noise(findings, seen, 1, job.carrier_hz)
    loss_db = findings.bench.path(job.channel).loss_db(job.carrier_hz + job.offset_hz, pad_db=job.pad_db)
    truth = seen.truth.lines_dbm[1]
    down_db = abs(truth - loss_db - seen.trace.reference_level_dbm)
    allowed_db = noise.allowed_db + CHAIN_DB + _scale(findings) * down_db
    return Check(
        key=seen.key,
        quantity="tone level",
        value=seen.measured.value - seen.analyser_error_db,
        truth=truth,
        low=-allowed_db,
        high=allowed_db,
        tail=noise.beyond(noise.allowed_db),
    )


def _frequency(findings: Findings, seen: Seen, near: Seen, carrier_hz: float) -> Check:
    """The tone against the analyser's reference: an error of one that the radio shares does not show.

    ``near`` is a reading with a sweep wide enough to show the floor, which falls with the filter's width.
    """
    job, rbw_hz = findings.job, seen.trace.rbw_hz
    there = _noise(findings, near, 1, carrier_hz)
    noise = Noise(there.snr * near.trace.rbw_hz / rbw_hz, seen.trace.samples_per_point)
    shown_hz = seen.truth.tone_hz / (1 + job.analyser_reference_error) - carrier_hz - job.offset_hz
    return Check(
        key=seen.key,
        quantity="tone frequency, in RBW",
        value=seen.measured.value / rbw_hz,
        truth=shown_hz / rbw_hz,
        low=-FREQUENCY_RBW,
        high=FREQUENCY_RBW,
        tail=2 * math.exp(-0.5 * (FREQUENCY_RBW / noise.sd_rbw) ** 2),
    )


# power sweep


def _sweep(findings: Findings) -> Iterator[Check]:
    levels = findings.series("power_sweep", "level")
    setting = np.array([seen.measured.index for seen in levels], dtype=float)
    truth = np.array([seen.truth.lines_dbm[1] for seen in levels])
    noises = [_noise(findings, seen, 1, findings.job.carrier_hz) for seen in levels]
    moves = np.cumsum([0, *(np.diff([seen.truth.pad_db for seen in levels]) != 0)])

    def code(seen: Seen, true: float, first: int, last: int) -> Check:
        moved = int(moves[last] - moves[first])
        span_db = abs(float(truth[last] - truth[first]))
        return _code(findings, seen, true, (noises[first], noises[last]), moved, span_db)

    for seen in levels:
        yield _level(findings, seen)
    errors = truth + setting
    for at, seen in enumerate(findings.series("power_sweep", "step_error"), start=1):
        yield code(seen, float(errors[at] - errors[at - 1]), at - 1, at)
    for at, seen in enumerate(findings.series("power_sweep", "cumulative_error")):
        yield code(seen, float(errors[at] - errors[0]), 0, at)
    yield code(findings.of("power_sweep", "range_covered"), float(np.ptp(truth)), 0, -1)
    yield code(findings.of("power_sweep", "monotonicity"), float(-np.diff(truth).max()), 0, -1)
    drift = findings.of("power_sweep", "return_drift")
    yield code(drift, drift.truth.lines_dbm[1] - float(truth[0]), 0, 0)


def _code(
    findings: Findings, seen: Seen, truth: float, ends: tuple[Noise, Noise], moved: int, span_db: float
) -> Check:
    """An error of the radio's attenuator: two readings, and two more for each move of the pad in between."""
    worst = max(ends, key=lambda noise: noise.sd_db)
    sd_db = worst.sd_db * math.sqrt(2 + 2 * moved)
    allowed_db = max(STEP_DB, Z * sd_db)
    systematic_db = _scale(findings) * span_db
    return Check(
        key=f"{seen.key} ({moved} moves of the pad)" if moved else seen.key,
        quantity="attenuator across a move of the pad" if moved else "attenuator",
        value=seen.measured.value,
        truth=truth,
        low=-allowed_db - systematic_db,
        high=allowed_db + systematic_db,
        tail=2 * tail(allowed_db, sd_db, worst.heaviness),
    )


# retune, times


def _retuned(findings: Findings) -> Iterator[Check]:
    image = findings.of("retune", "image", "uncorrected")
    yield _frequency(findings, findings.of("retune", "carrier_error"), image, findings.job.to_hz)
    change = findings.of("retune", "level_change")
    before = findings.of("tone_placement", "tone_level", "uncorrected")
    noise = _noise(findings, before, 1, findings.job.carrier_hz)
    yield Check(
        key=change.key,
        quantity="level change",
        value=change.measured.value,
        truth=change.truth.lines_dbm[1] - before.truth.lines_dbm[1],
        low=-noise.allowed_db - CHAIN_DB,
        high=noise.allowed_db + CHAIN_DB,
        tail=2 * noise.beyond(noise.allowed_db / 2),
    )
    quiet = findings.of("retune", "old_frequency_level").measured.bound is Bound.UPPER
    stayed = findings.of("retune", "resets").measured.value == 0.0
    for name, good in (("old_frequency_level is a bound", quiet), ("no reset", stayed)):
        yield Check(key=f"retune.{name}", quantity=name, value=float(good), truth=1.0, low=0.0, high=0.0)


def _times(findings: Findings) -> Iterator[Check]:
    radio, channel = findings.job.profile.file.radio, findings.job.radio_channel
    settle_s = channel.corrections.settle_time.s
    for step, name, true_s, poll_s in (
        ("bring_up", "reference_lock_time", radio.reference_lock_time.s, 0.1),
        ("bring_up", "calibration_time", radio.calibration_time.s, 0.1),
        ("tone_placement", "corrections_time", settle_s, 0.25),
        ("retune", "corrections_time", settle_s, 0.05),
        ("retune", "lock_time", channel.synthesiser.lock_time.s, 0.05),
        ("retune", "calibration_time", radio.calibration_time.s, 0.05),
        ("retune", "ready_after", _ready_s(findings), 0.05),
    ):
        seen = findings.of(step, name)
        swept_s = {"corrections_time": seen.sweep_s, "ready_after": seen.setup_s + seen.sweep_s}
        yield Check(
            key=seen.key,
            quantity=f"time: {name}",
            value=seen.measured.value,
            truth=true_s,
            low=-1e-6,
            high=poll_s + swept_s.get(name, 0.0) + TURNS_S,
        )


def _ready_s(findings: Findings) -> float:
    """Seconds from when the tone left its old place until it stood at the new one, at its level."""
    new = findings.of("retune", "ready_after").truth
    old = findings.of("tone_placement", "tone_level", "uncorrected").truth
    arrived = next(i for i, each in enumerate(findings.standings) if each.at(new))
    last = max(i for i, each in enumerate(findings.standings[:arrived]) if each.at(old))
    return findings.standings[arrived].time_s - findings.standings[last + 1].time_s
