"""What a reading may differ from the truth, and how likely a good tool exceeds it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from hilkit.readings import Bound, Trace
from tests.external.recovery_run import Findings, Seen

__all__ = ["Z", "Check", "checks_of", "false_failure_rate", "line_scatter", "table_tolerance_db"]

Z = 6.5
"""Standard deviations that are allowed where they are more than the tolerance of the table."""

CONFIDENT_Z = 1.645
"""One-sided 95 % point of the normal law: what a bound at that confidence has on top of its estimate."""

BOUND_UNDER_DB = 10.0
STEP_DB = 0.02
FREQUENCY_RBW = 0.005

CHAIN_DB = 0.01
"""Allowance in dB for what moves between the truth and its reading, or is shared by neither: the amplifier's
droop (at most 0.005 dB), the loss table between its points (under 0.002 dB), and the analyser's own third
order at -20 dBm and an intercept of 13 dBm (0.004 dB of compression)."""

TURNS_S = 0.01
"""Simulated time in s that the lines to and from the instruments take beside poll and sweep: 1 ms each."""

SETUP_S = 0.06
"""The same where a sweep has to be set up first, setting by setting."""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One reading against its truth, in the unit of the reading.

    ``low`` and ``high`` are the least and the most that reading less truth may be. ``tail`` bounds the
    probability that statistics alone carry a good reading outside; 0 where nothing is random. ``sd`` is the
    expected standard deviation of a line's reading.
    """

    key: str
    quantity: str
    value: float
    truth: float
    low: float
    high: float
    tail: float = 0.0
    sd: float = 0.0
    beyond_bound: bool | None = None

    @property
    def error(self) -> float:
        """Reading less truth."""
        return self.value - self.truth

    @property
    def held(self) -> bool:
        """True when the reading lies within what is allowed."""
        return self.low <= self.error <= self.high

    def __str__(self) -> str:
        return (
            f"{self.key}: read {self.value:.4f}, true {self.truth:.4f}, error {self.error:+.4f}, "
            f"allowed {self.low:+.4f} to {self.high:+.4f}"
        )


def table_tolerance_db(snr_db: float) -> float:
    """Return the tolerance in dB for a line that far above the floor, at 150 samples a point or more."""
    for least_db, tolerance_db in ((30.0, 0.1), (20.0, 0.2), (15.0, 0.4)):
        if snr_db >= least_db:
            return tolerance_db
    return 0.7


def line_scatter(snr: float, samples: float) -> tuple[float, float]:
    """Return the standard deviation of a line's power in units of the floor, and how heavy its tails are.

    Least squares with the weights of the statistics, for line and floor unknown, over 51 points a fifth of a
    Gaussian filter apart, each the mean of ``samples`` independent powers: a mean of such powers of a line S
    and a floor of 1 has the variance (1 + 2 S)/samples. For the tails see ``tail``.
    """
    form = np.exp2(-4 * np.square(np.linspace(-5, 5, 51)))
    terms = np.stack([form, np.ones_like(form)]) * np.sqrt(samples / (1 + 2 * snr * form))
    share = np.linalg.inv(terms @ terms.T)[0] @ terms * np.sqrt(samples / (1 + 2 * snr * form))
    sd = math.sqrt(float(np.sum(share**2 * (1 + 2 * snr * form)) / samples))
    return sd, float(np.abs(share).max()) / samples / sd


def tail(distance: float, sd: float, heaviness: float) -> float:
    """Bound the probability that a weighted mean of powers lies ``distance`` or more above its expectation.

    Bernstein's inequality, exp(-t^2 / (2 (1 + h t))) with t in standard deviations. It holds for a sum of
    independent powers of a line in Gaussian noise: the logarithm of the moment generating function of one of
    them, less its mean, is -ln(1 - u n) - u n + s u^2 n / (1 - u n) for line s and noise n, which is at most
    (n^2 + 2 n s) u^2 / (2 (1 - u n)). ``heaviness`` h is the largest n of the sum in standard deviations of it.
    """
    t = distance / sd
    return math.exp(-t * t / (2 * (1 + heaviness * t)))


def false_failure_rate(checks: list[Check]) -> float:
    """Return a bound of the probability that any of the checks fails by chance: the sum of all tails."""
    return sum(check.tail for check in checks)


def checks_of(findings: Findings) -> Iterator[Check]:
    """Yield every check of a job."""
    yield from _times(findings)
    for phase in ("uncorrected", "corrected"):
        yield from _placement(findings, phase)
        for name, multiple in (("image", -1), ("lo_leakage", 0)):
            yield _line(findings, findings.of("retune", name, phase), multiple, at_hz=findings.job.to_hz)
    yield from _sweep(findings)
    yield from _retuned(findings)


# lines


def _placement(findings: Findings, phase: str) -> Iterator[Check]:
    job = findings.job
    for name, multiple in (("image", -1), ("lo_leakage", 0), ("third_harmonic", -3), ("plus_three", 3)):
        yield _line(findings, findings.of("tone_placement", name, phase), multiple, at_hz=job.carrier_hz)
    second = findings.of("tone_placement", "second_harmonic", phase)
    lines = second.truth.lines_dbm
    yield _line(findings, second, max(2, -2, key=lines.__getitem__), at_hz=job.carrier_hz)
    free = findings.of("tone_placement", "spurious_free_range", phase)
    highest = max((m for m in lines if m != 1), key=lines.__getitem__)
    # The trace of this reading is the overview; its noise is that of the line's own sweep.
    same = findings.of("tone_placement", _NAMES.get(highest, "image"), phase).trace
    yield _line(findings, replace(free, trace=same), highest, at_hz=job.carrier_hz, sign=-1)
    yield _level(findings, findings.of("tone_placement", "tone_level", phase))
    near = findings.of("tone_placement", "image", phase)
    yield _frequency(findings, findings.of("tone_placement", "tone_frequency_error", phase), near, job.carrier_hz)


_NAMES = {-1: "image", 0: "lo_leakage", -3: "third_harmonic", 3: "plus_three", 2: "second_harmonic", -2: "second_harmonic"}


@dataclass(frozen=True)
class _Noise:
    """A line of power ``snr`` over a floor of 1, read from ``samples`` a point."""

    snr: float
    samples: float

    @property
    def snr_db(self) -> float:
        return 10 * math.log10(self.snr)

    @cached_property
    def scatter(self) -> tuple[float, float]:
        return line_scatter(self.snr, self.samples)

    @property
    def sd(self) -> float:
        return self.scatter[0]

    @property
    def heaviness(self) -> float:
        return self.scatter[1]

    @property
    def sd_db(self) -> float:
        return 10 / math.log(10) * self.sd / self.snr

    @property
    def sd_rbw(self) -> float:
        """Standard deviation of the centre in filter widths, from the points within one width of it."""
        offset = np.linspace(-1, 1, 11)
        form = np.exp2(-4 * np.square(offset))
        slope = self.snr * form * (8 * math.log(2) * offset)
        return 1 / math.sqrt(float(np.sum(slope**2 * self.samples / (1 + 2 * self.snr * form))))

    def beyond(self, allowed_db: float) -> float:
        """Bound the probability that the line reads more than ``allowed_db`` too high or too low."""
        up, down = 10 ** (allowed_db / 10) - 1, 1 - 10 ** (-allowed_db / 10)
        return sum(tail(part * self.snr, self.sd, self.heaviness) for part in (up, down))


def _noise(findings: Findings, seen: Seen, multiple: int, at_hz: float, pad_db: float) -> _Noise:
    frequency_hz = at_hz + multiple * findings.job.offset_hz
    loss_db = findings.bench.path(findings.job.channel).loss_db(frequency_hz, pad_db=pad_db)
    level_dbm = seen.truth.lines_dbm[multiple] - loss_db
    return _Noise(10 ** ((level_dbm - _floor_dbm(seen.trace)) / 10), seen.trace.samples_per_point)


def _floor_dbm(trace: Trace) -> float:
    """Mean power of the outer points of a narrow sweep, 3 filter widths and more from its middle."""
    outer = np.abs(trace.frequency_hz - trace.frequency_hz.mean()) > 3 * trace.rbw_hz
    return 10 * math.log10(float(np.mean(10 ** (trace.level_dbm[outer] / 10))))


def _line(findings: Findings, seen: Seen, multiple: int, *, at_hz: float, sign: int = 1) -> Check:
    """A line in dBc, or a distance in dB (``sign`` -1); a bound is good when the truth is under it."""
    truth_dbc = seen.truth.lines_dbm[multiple] - seen.truth.lines_dbm[1]
    noise = _noise(findings, seen, multiple, at_hz, findings.job.pad_db)
    exact = seen.measured.bound is Bound.EXACT
    systematic_db = CHAIN_DB + abs(_scale(findings) * truth_dbc)
    value_dbc = sign * seen.measured.value
    key = seen.key
    if exact:
        allowed_db = max(table_tolerance_db(noise.snr_db), Z * noise.sd_db)
        return Check(
            key=f"{key} ({noise.snr_db:.1f} dB above the floor)",
            quantity=f"line, {_class(noise.snr_db)}",
            value=value_dbc,
            truth=truth_dbc,
            low=-allowed_db - systematic_db,
            high=allowed_db + systematic_db,
            tail=noise.beyond(allowed_db),
            sd=noise.sd_db,
        )
    allowance = (Z - CONFIDENT_Z) * noise.sd
    bound = noise.snr * 10 ** ((value_dbc - truth_dbc) / 10)
    low_db = -10 * math.log10(1 + allowance / bound) - systematic_db
    # A bound where a value was owed, or one that says nothing, is no answer either.
    owed = noise.snr_db > BOUND_UNDER_DB + 2.0
    high_db = 0.0 if owed else 10 * math.log10(1 + (Z + CONFIDENT_Z + 1) * noise.sd / noise.snr) + systematic_db
    return Check(
        key=f"{key} (bound, {noise.snr_db:.1f} dB above the floor)",
        quantity="bound",
        value=value_dbc,
        truth=truth_dbc,
        low=low_db,
        high=high_db,
        tail=2 * tail(Z * noise.sd, noise.sd, noise.heaviness),
        beyond_bound=truth_dbc > value_dbc,
    )


def _class(snr_db: float) -> str:
    return next(text for least, text in _CLASSES if snr_db >= least)


_CLASSES = ((30.0, "30 dB and more"), (20.0, "20 to 30 dB"), (15.0, "15 to 20 dB"), (-99.0, "10 to 15 dB"))


def _scale(findings: Findings) -> float:
    """The scale error that the profile states, as dB per dB."""
    return float(findings.job.analyser.scale_error_per_10db.db) / 10


def _level(findings: Findings, seen: Seen) -> Check:
    """The tone at the port, less the level error that a calibration of the analyser's range would show."""
    job = findings.job
    noise = _noise(findings, seen, 1, job.carrier_hz, job.pad_db)
    loss_db = findings.bench.path(job.channel).loss_db(job.carrier_hz + job.offset_hz, pad_db=job.pad_db)
    truth = seen.truth.lines_dbm[1]
    down_db = truth - loss_db - seen.trace.reference_level_dbm
    allowed = max(table_tolerance_db(noise.snr_db), Z * noise.sd_db)
    systematic = CHAIN_DB + abs(_scale(findings) * down_db)
    return Check(
        key=seen.key,
        quantity="tone level",
        value=seen.measured.value - seen.analyser_error_db,
        truth=truth,
        low=-allowed - systematic,
        high=allowed + systematic,
        tail=noise.beyond(allowed),
    )


def _frequency(findings: Findings, seen: Seen, near: Seen, carrier_hz: float) -> Check:
    """The tone against the reference that radio and analyser share: its own error does not show.

    ``near`` is a reading whose sweep is wide enough to show the floor, which is narrower filters' in proportion.
    """
    job = findings.job
    house = job.profile.file.reference.error.value
    rbw_hz = seen.trace.rbw_hz
    there = _noise(findings, near, 1, carrier_hz, job.pad_db)
    noise = _Noise(there.snr * near.trace.rbw_hz / rbw_hz, seen.trace.samples_per_point)
    allowed_hz = FREQUENCY_RBW * rbw_hz
    return Check(
        key=seen.key,
        quantity="tone frequency, in RBW",
        value=seen.measured.value / rbw_hz,
        truth=(seen.truth.tone_hz / (1 + house) - carrier_hz - job.offset_hz) / rbw_hz,
        low=-FREQUENCY_RBW,
        high=FREQUENCY_RBW,
        tail=2 * math.exp(-0.5 * (allowed_hz / (noise.sd_rbw * rbw_hz)) ** 2),
    )


# power sweep


def _sweep(findings: Findings) -> Iterator[Check]:
    levels = findings.series("power_sweep", "level")
    setting = np.array([seen.measured.index for seen in levels], dtype=float)
    truth = np.array([seen.truth.lines_dbm[1] for seen in levels])
    noises = [
        _noise(findings, seen, 1, findings.job.carrier_hz, seen.truth.pad_db) for seen in levels
    ]
    moves = np.cumsum([0, *(np.diff([seen.truth.pad_db for seen in levels]) != 0)])
    steps = np.diff(truth) + np.diff(setting)
    sums = truth - truth[0] + setting - setting[0]
    for seen, noise in zip(levels, noises, strict=True):
        yield _swept_level(findings, seen, noise)
    for index, seen in enumerate(findings.series("power_sweep", "step_error"), start=1):
        moved = int(moves[index] - moves[index - 1])
        span_db = float(abs(truth[index] - truth[index - 1]))
        yield _code(findings, seen, float(steps[index - 1]), noises[: index + 1][-2:], moved, span_db)
    for index, seen in enumerate(findings.series("power_sweep", "cumulative_error")):
        used = [noises[0], noises[index]]
        span_db = float(abs(truth[index] - truth[0]))
        yield _code(findings, seen, float(sums[index]), used, int(moves[index]), span_db)
    ends = [max(noises, key=lambda noise: noise.sd_db)] * 2
    every, span_db = int(moves[-1]), float(np.ptp(truth))
    for name, true in (("monotonicity", float(np.min(-np.diff(truth)))), ("range_covered", span_db)):
        yield _code(findings, findings.of("power_sweep", name), true, ends, every, span_db)
    drift = findings.of("power_sweep", "return_drift")
    yield _code(findings, drift, float(drift.truth.lines_dbm[1] - truth[0]), [noises[0]] * 2, 0, 0.0)


def _swept_level(findings: Findings, seen: Seen, noise: _Noise) -> Check:
    job = findings.job
    loss_db = findings.bench.path(job.channel).loss_db(job.carrier_hz + job.offset_hz, pad_db=job.pad_db)
    truth = seen.truth.lines_dbm[1]
    down_db = truth - loss_db - seen.trace.reference_level_dbm
    allowed = max(table_tolerance_db(noise.snr_db), Z * noise.sd_db)
    systematic = CHAIN_DB + abs(_scale(findings) * down_db)
    return Check(
        key=seen.key,
        quantity="tone level",
        value=seen.measured.value - seen.analyser_error_db,
        truth=truth,
        low=-allowed - systematic,
        high=allowed + systematic,
        tail=noise.beyond(allowed),
    )


def _code(
    findings: Findings, seen: Seen, truth: float, ends: list[_Noise], moved: int, span_db: float
) -> Check:
    """An error of the radio's attenuator: two readings, and two more for each move of the pad in between."""
    sd_db = math.hypot(*(noise.sd_db for noise in ends), *([max(n.sd_db for n in ends)] * (2 * moved)))
    allowed = max(STEP_DB, Z * sd_db)
    systematic = abs(_scale(findings)) * span_db
    return Check(
        key=f"{seen.key} ({moved} moves of the pad in between)" if moved else seen.key,
        quantity="attenuator across a move of the pad" if moved else "attenuator",
        value=seen.measured.value,
        truth=truth,
        low=-allowed - systematic,
        high=allowed + systematic,
        tail=2 * tail(allowed, sd_db, max(noise.heaviness for noise in ends)),
    )


# retune, times


def _retuned(findings: Findings) -> Iterator[Check]:
    near = findings.of("retune", "image", "uncorrected")
    yield _frequency(findings, findings.of("retune", "carrier_error"), near, findings.job.to_hz)
    change = findings.of("retune", "level_change")
    before = findings.of("tone_placement", "tone_level", "uncorrected")
    noise = _noise(findings, before, 1, findings.job.carrier_hz, findings.job.pad_db)
    allowed = max(table_tolerance_db(noise.snr_db), Z * math.sqrt(2) * noise.sd_db)
    yield Check(
        key=change.key,
        quantity="level change",
        value=change.measured.value,
        truth=change.truth.lines_dbm[1] - before.truth.lines_dbm[1],
        low=-allowed - CHAIN_DB,
        high=allowed + CHAIN_DB,
        tail=2 * noise.beyond(allowed / 2),
    )
    old = findings.of("retune", "old_frequency_level")
    for name, value in (
        ("old_frequency_level is a bound", float(old.measured.bound is Bound.UPPER)),
        ("no reset", float(findings.of("retune", "resets").measured.value == 0.0)),
    ):
        yield Check(key=f"retune.{name}", quantity=name, value=value, truth=1.0, low=0.0, high=0.0)


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
        sweep_s = seen.sweep_s if name in _SWEPT else 0.0
        yield Check(
            key=seen.key,
            quantity=f"time: {name}",
            value=seen.measured.value,
            truth=true_s,
            low=0.0,
            high=poll_s + sweep_s + (SETUP_S if name == "ready_after" else TURNS_S),
        )


_SWEPT = ("corrections_time", "ready_after")


def _ready_s(findings: Findings) -> float:
    """Seconds from when the tone left its old place until it stood at the new one for good, at its level."""
    new = findings.of("retune", "ready_after").truth
    old = findings.of("tone_placement", "tone_level", "uncorrected").truth
    stands = [
        [abs(each.tone_hz - at.tone_hz) < 100 and abs(each.level_dbm - at.lines_dbm[1]) < 0.05 for at in (old, new)]
        for each in findings.standings
    ]
    arrived = next(i for i, (_, at_new) in enumerate(stands) if at_new)
    last = max(i for i, (at_old, _) in enumerate(stands[:arrived]) if at_old)
    return findings.standings[arrived].time_s - findings.standings[last + 1].time_s
