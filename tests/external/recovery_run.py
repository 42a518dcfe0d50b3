"""The steps run on a drawn bench over loopback sockets, each reading beside what the chain truly did."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from hilkit.bench import Bench
from hilkit.instruments import SweepSetup
from hilkit.procedures import find
from hilkit.readings import Measured, Trace
from hilkit.sim.receiver import SweepRequest
from hilkit.sim.world import World
from hilkit.testing import BenchOnTest, simulated_bench
from tests.external.recovery_bench import HALF_BAND_HZ, Job, bench_file

__all__ = ["Findings", "Seen", "Standing", "Truth", "port_lines_dbm", "run_job"]

Step = tuple[str, Mapping[str, Any]]

LONG, SHORT = 1 << 16, 1 << 12
NOTHING_DBM = -300.0


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What stood at the radio port when a reading came.

    ``lines_dbm`` are levels by multiple of the offset, ``tone_hz`` is the tone's frequency in true hertz, and
    ``pad_db`` the code at which the pad stood.
    """

    lines_dbm: Mapping[int, float]
    tone_hz: float
    pad_db: float

    def shifted(self, multiple: int, db: float) -> Truth:
        """Return the truth with one line higher by ``db``."""
        return replace(self, lines_dbm={**self.lines_dbm, multiple: self.lines_dbm[multiple] + db})


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One reading of one step, the truth at that moment, and the last trace that the analyser gave.

    ``analyser_error_db`` is the fixed level error of that trace's range: what its calibration would show.
    ``sweep_s`` is how long the last acquisition took from its start to its answer, ``setup_s`` how long the
    last change of the analyser's settings.
    """

    step: str
    measured: Measured
    truth: Truth
    trace: Trace | None
    analyser_error_db: float
    sweep_s: float
    setup_s: float

    @property
    def key(self) -> str:
        """Step, name, phase and index."""
        m = self.measured
        index = "" if m.index is None else f"[{m.index:g}]"
        return ".".join(part for part in (self.step, m.name, m.phase) if part) + index


@dataclass(frozen=True, kw_only=True)
class Standing:
    """The tone at the port right after one line to the radio: time in s, true frequency, level."""

    time_s: float
    tone_hz: float
    level_dbm: float

    def at(self, truth: Truth) -> bool:
        """True when the tone stood where, and as high as, it stands in ``truth``."""
        return abs(self.tone_hz - truth.tone_hz) < 100 and abs(self.level_dbm - truth.lines_dbm[1]) < 0.05


@dataclass(kw_only=True)
class Findings:
    """All that one job gave, with the bench as its engineer believes it."""

    job: Job
    bench: Bench
    seen: list[Seen] = field(default_factory=list)
    standings: list[Standing] = field(default_factory=list)

    def of(self, step: str, name: str, phase: str = "") -> Seen:
        """Return the one reading of that name."""
        return next(
            each
            for each in self.seen
            if (each.step, each.measured.name, each.measured.phase) == (step, name, phase)
        )

    def series(self, step: str, name: str) -> list[Seen]:
        """Return the members of a series in their order."""
        return [each for each in self.seen if (each.step, each.measured.name) == (step, name)]


def port_lines_dbm(world: World, channel: int, offset_hz: float, *, samples: int) -> dict[int, float]:
    """Return every line within the radio's bandwidth, by multiple of the offset, from an FFT of the chain."""
    envelope, rate_hz = world.truth_envelope(channel, samples=samples)
    spectrum = np.abs(np.fft.fft(envelope)) / samples
    frequency_hz = np.fft.fftfreq(samples, 1 / rate_hz)
    most = int(HALF_BAND_HZ // abs(offset_hz))
    lines = {}
    for multiple in {*range(-3, 4), *range(-most, most + 1)}:
        bin_of_line = int(np.argmin(np.abs(frequency_hz - multiple * offset_hz)))
        lines[multiple] = max(20 * float(np.log10(spectrum[bin_of_line] + 1e-20)) + 30, NOTHING_DBM)
    return lines


def run_job(
    job: Job, *, driver: str = "signal_analyser", over_sockets: bool = True, steps: tuple[Step, ...] = ()
) -> Findings:
    """Bring the bench up and run tone placement, power sweep and retune, or the ``steps`` given."""
    todo = steps or (
        ("bring_up", job.bring_up),
        ("tone_placement", job.placement),
        ("power_sweep", job.sweep),
        ("retune", job.retune),
    )
    with tempfile.TemporaryDirectory() as folder:
        file = bench_file(job, Path(folder), driver=driver)
        with simulated_bench(profile=job.profile, bench=file, over_sockets=over_sockets) as on:
            findings = Findings(job=job, bench=on.bench)
            witness = _Witness(job, on, findings)
            for name, settings in todo:
                findings.seen.extend(witness.watch(name, settings))
    return findings


class _Witness:
    """Looks at the world whenever a reading comes, a trace comes, or the radio is told something."""

    def __init__(self, job: Job, on: BenchOnTest, findings: Findings) -> None:
        self._job = job
        self._on = on
        self._findings = findings
        self._trace: Trace | None = None
        self._sweep_s = self._setup_s = 0.0
        self._log = False
        analyser, radio = on.connected.analyser, on.world.radio
        acquire, configure, handle_line = analyser.acquire, analyser.configure, radio.handle_line

        def watched_acquire() -> Trace:
            start_s = on.clock.now()
            self._trace = acquire()
            self._sweep_s = on.clock.now() - start_s
            return self._trace

        def watched_configure(setup: SweepSetup) -> SweepSetup:
            start_s = on.clock.now()
            back = configure(setup)
            self._setup_s = on.clock.now() - start_s
            return back

        def watched_line(text: str) -> str:
            answer = handle_line(text)
            if self._log:
                findings.standings.append(self._standing())
            return answer

        analyser.acquire, analyser.configure = watched_acquire, watched_configure
        radio.handle_line = watched_line

    def watch(self, name: str, settings: Mapping[str, Any]) -> Iterator[Seen]:
        procedure = find(name)
        model = procedure.settings_model.model_validate(dict(settings))
        assert list(procedure.misfits(model, self._on.bench)) == []
        self._log = name == "retune"
        phase, truth = None, None
        for measured in procedure.measure(self._on.session, model):
            # All readings of a phase come at once: one long record serves them all.
            if truth is None or not measured.phase or measured.phase != phase:
                truth, phase = self._truth(SHORT if measured.index is not None else LONG), measured.phase
            trace = measured.trace or self._trace
            yield Seen(
                step=name,
                measured=measured,
                truth=truth,
                trace=trace,
                analyser_error_db=0.0 if trace is None else self._analyser_error_db(trace),
                sweep_s=self._sweep_s,
                setup_s=self._setup_s,
            )

    def _truth(self, samples: int) -> Truth:
        with self._on.world.lock:
            lines = port_lines_dbm(self._on.world, self._job.channel, self._job.offset_hz, samples=samples)
            pad_db = self._on.world.pads["pad"].read()
            return Truth(lines_dbm=lines, tone_hz=self._tone_hz(), pad_db=pad_db)

    def _tone_hz(self) -> float:
        sent = self._on.world.radio.transmission(self._job.channel, self._on.clock.now())
        return sent.carrier_hz + sent.offset_hz

    def _standing(self) -> Standing:
        sent = self._on.world.radio.transmission(self._job.channel, self._on.clock.now())
        level = NOTHING_DBM
        if sent.rf_on and sent.drive:
            level = port_lines_dbm(self._on.world, self._job.channel, sent.offset_hz, samples=1 << 9)[1]
        return Standing(
            time_s=self._on.clock.now(), tone_hz=sent.carrier_hz + sent.offset_hz, level_dbm=level
        )

    def _analyser_error_db(self, trace: Trace) -> float:
        request = SweepRequest(
            centre_hz=float(np.mean(trace.frequency_hz)),
            span_hz=trace.span_hz,
            points=len(trace.frequency_hz),
            rbw_hz=trace.rbw_hz,
            attenuation_db=trace.attenuation_db,
            reference_level_dbm=trace.reference_level_dbm,
            preamplifier=trace.preamplifier,
        )
        return self._on.world.receivers["analyser"].level_error_db(request)
