"""The signal analyser: a known state, a verified sweep, a trace."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import LinkError, RefusedError, ReplyError
from hilkit.instruments.analyser_table import CAPABILITIES, KNOWN_STATE, SWEEP_SETTINGS
from hilkit.instruments.capability import Capability, CapabilitySpec, Value
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.instrument import ScpiInstrument
from hilkit.instruments.link import ScpiLink
from hilkit.instruments.sweep import AnalyserLimits, AnalyserStatus, SweepSetup
from hilkit.readings import Trace

__all__ = ["SignalAnalyser"]

_RESET_MARGIN_S = 30.0
_WIDE_VIDEO = 10.0
_TRACE_MARGIN = 0.5


class SignalAnalyser(ScpiInstrument):
    """A swept signal analyser. It commands no RF, so a procedure may use it freely."""

    INSTRUMENT_CLASS: ClassVar[str] = "signal_analyser"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = CAPABILITIES
    ORDERED: ClassVar[tuple[str, ...]] = SWEEP_SETTINGS
    SECTIONS: ClassVar[tuple[str, ...]] = ("trace", "noise_bandwidth_ratio", "sweep_time", "order")

    def __init__(self, link: ScpiLink, dialect: Dialect) -> None:
        super().__init__(link, dialect)
        self._setup: SweepSetup | None = None
        self._sweep_s = 0.0

    # --- settings

    def prepare(self, *, reference: Literal["external", "internal"] | None = None) -> None:
        """Bring the analyser into a known state, whatever a colleague left on its front panel.

        ``*RST``, then every setting that alters a number is set and read back. ``*RST`` puts the reference
        back to internal, so it is set here again: ``reference`` None keeps the source that was set before the
        reset.
        """
        self._setup = None
        source: Value = reference if reference is not None else self.read("reference_source")
        self._reset()
        trace = self.dialect.trace
        assert trace is not None
        state = {
            **KNOWN_STATE,
            "trace_format": trace.format,
            "byte_order": trace.byte_order,
            "reference_source": source,
        }
        self.apply({name: value for name, value in state.items() if self.has(name)})

    def _reset(self) -> None:
        """Reset and wait. Many analysers sweep on without end after ``*RST``, and would never be complete."""
        if self.has("abort"):
            self.link.set(self._capability("abort").command(instrument=self.name))
        self.forget_settings()
        self.link.set(self._capability("reset").command(instrument=self.name))
        self.link.clear_status()
        self.link.set(self._capability("continuous").command(False, instrument=self.name))
        self._abort()
        self.link.wait_complete(0.0, margin_s=_RESET_MARGIN_S)

    def configure(self, setup: SweepSetup) -> SweepSetup:
        """Set up a sweep in the dialect's order, verify it, and return it as the analyser reports it.

        A setting that moves when another is sent is sent again once. RefusedError names what is clipped or
        refused.
        """
        self._setup = None
        values = self._values(setup)
        back = self.apply({name: values[name] for name in self.dialect.order if name in values})
        self._sweep_s = float(back["sweep_time"]) if "sweep_time" in back else self.read_number("sweep_time")
        self._setup = replace(
            setup,
            centre_hz=float(back["centre"]),
            span_hz=float(back["span"]),
            points=int(back["points"]),
            rbw_hz=float(back["rbw"]),
            vbw_hz=float(back.get("vbw", values.get("vbw", setup.rbw_hz))),
            averages=int(back.get("average_count", setup.averages)),
            sweep_time_s=self._sweep_s,
            attenuation_db=float(back["attenuation"]),
            reference_level_dbm=float(back["reference_level"]),
        )
        return self._setup

    def _values(self, setup: SweepSetup) -> dict[str, Value]:
        if setup.preamplifier and not self.has("preamplifier"):
            raise RefusedError(
                "it has no preamplifier that its driver file knows of",
                instrument=self.name,
                next_step="do without it",
            )
        values: dict[str, Value] = {
            "centre": setup.centre_hz,
            "span": setup.span_hz,
            "points": setup.points,
            "detector_auto": False,
            "detector": setup.detector,
            "average_state": setup.averages > 1,
            "average_count": setup.averages,
            "preamplifier": setup.preamplifier,
            "attenuation_auto": False,
            "attenuation": setup.attenuation_db,
            "reference_level": setup.reference_level_dbm,
            "rbw_auto": False,
            "rbw": setup.rbw_hz,
            "vbw_auto": False,
            "vbw": self._video_hz(setup),
            "sweep_time_auto": setup.sweep_time_s is None,
        }
        if setup.average_type != "none":
            values["average_type"] = setup.average_type
        if setup.sweep_time_s is not None:
            values["sweep_time"] = setup.sweep_time_s
        return {name: value for name, value in values.items() if self.has(name)}

    def _video_hz(self, setup: SweepSetup) -> float:
        if setup.vbw_hz is not None:
            return setup.vbw_hz
        low, high = self._bounds("vbw")
        return min(max(_WIDE_VIDEO * setup.rbw_hz, low), high)

    # --- sweeps

    def expected_sweep_s(self, setup: SweepSetup) -> float:
        """Return how long ``acquire`` is expected to take, all averages together, by the dialect's rule."""
        rule = self.dialect.sweep_time
        assert rule is not None
        one_s = setup.sweep_time_s
        if one_s is None:
            narrow_hz = min(setup.rbw_hz, self._video_hz(setup))
            one_s = max(rule.minimum.s, rule.factor * setup.span_hz / (setup.rbw_hz * narrow_hz))
        return one_s * setup.averages

    def noise_bandwidth_hz(self, rbw_hz: float) -> float:
        """Return the noise bandwidth of a resolution filter, by the dialect's ratio."""
        ratio = self.dialect.noise_bandwidth_ratio
        assert ratio is not None
        return ratio * rbw_hz

    def acquire(self) -> Trace:
        """Sweep once with the settings of the last ``configure`` (all averages) and return the trace.

        LinkError if it does not complete in its time, ReplyError for data that cannot be used.
        """
        setup = self._setup
        if setup is None:
            raise ValueError(f"{self.name}: acquire needs a configure first")
        expected_s = self._sweep_s * setup.averages
        start = self._capability("start").command(instrument=self.name)
        try:
            self.link.run(
                start, expected_s, margin_s=self.link.settings.margin_s + _TRACE_MARGIN * expected_s
            )
        except BaseException:
            # Left sweeping, it would answer the next user late; what stopped the wait is more important.
            self._abort()
            raise
        data = self._settled_data(setup) if self.link.settings.completion == "elapsed" else self._data(setup)
        if self.link.settings.completion != "esr":
            # With *ESR? the error bits have been looked at already.
            self.link.drain_errors("the sweep")
        frequency_hz, level_dbm = self._axes(data, setup)
        return Trace(
            frequency_hz=frequency_hz,
            level_dbm=level_dbm,
            rbw_hz=setup.rbw_hz,
            noise_bandwidth_hz=self.noise_bandwidth_hz(setup.rbw_hz),
            detector=setup.detector,
            average_type=setup.average_type,
            averages=setup.averages,
            sweep_time_s=self._sweep_s,
            attenuation_db=setup.attenuation_db,
            reference_level_dbm=setup.reference_level_dbm,
            preamplifier=setup.preamplifier,
        )

    def captured(self, *, count: int, seconds: float) -> NDArray[np.float64]:
        """Take an I/Q capture of ``count`` samples as set, and return I and Q in turns, shape (2 count,)."""
        trace = self.dialect.trace
        assert trace is not None
        self._command(
            self._capability("iq_start"), self._capability("iq_start").command(instrument=self.name), seconds
        )
        self.link.drain_errors("the I/Q capture")
        query = self._capability("iq_data").query()
        return self.link.ask_values(
            query, count=2 * count, data_format=trace.format, byte_order=trace.byte_order
        )

    def _abort(self) -> None:
        if self.has("abort") and not self.link.dead:
            with contextlib.suppress(Exception):
                self.link.set(self._capability("abort").command(instrument=self.name))

    def _data(self, setup: SweepSetup) -> NDArray[np.float64]:
        trace = self.dialect.trace
        assert trace is not None
        count = setup.points * (2 if trace.layout == "xy" else 1)
        return self.link.surely(
            trace.query,
            lambda: self.link.ask_values(
                trace.query, count=count, data_format=trace.format, byte_order=trace.byte_order
            ),
        )

    def _settled_data(self, setup: SweepSetup) -> NDArray[np.float64]:
        """Where nothing tells the end of a sweep: read until two traces, one sweep apart, are the same."""
        deadline = self.link.clock.deadline(self._sweep_s * setup.averages + self.link.settings.margin_s)
        before = self._data(setup)
        while True:
            self.link.clock.sleep(max(self._sweep_s, 0.02))
            now = self._data(setup)
            if np.array_equal(before, now):
                return now
            if deadline.passed:
                raise LinkError(
                    "the trace kept changing after its sweep should have ended",
                    instrument=self.name,
                    next_step="check that continuous sweeping is off; another completion: may fit",
                )
            before = now

    def _axes(
        self, data: NDArray[np.float64], setup: SweepSetup
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return frequencies and levels; ReplyError if the analyser's own frequencies are not those that were
        set.
        """
        start_hz, stop_hz = setup.centre_hz - setup.span_hz / 2, setup.centre_hz + setup.span_hz / 2
        expected_hz = np.linspace(start_hz, stop_hz, setup.points)
        trace = self.dialect.trace
        assert trace is not None
        if trace.layout == "y":
            return expected_hz, data
        frequency_hz, level_dbm = data[0::2], data[1::2]
        off_hz = float(np.max(np.abs(frequency_hz - expected_hz)))
        if off_hz > setup.span_hz / (setup.points - 1):
            raise ReplyError(
                f"the frequencies in the trace ({frequency_hz[0]:.9g} to {frequency_hz[-1]:.9g} Hz) are not "
                "those of the "
                f"sweep ({start_hz:.9g} to {stop_hz:.9g} Hz)",
                instrument=self.name,
                next_step="check layout and byte_order of trace: in the driver file",
            )
        return frequency_hz, level_dbm

    # --- what it says about itself

    def status(self) -> AnalyserStatus:
        """Ask for overload, a sweep too fast for its filter, and the lock to the reference."""
        answers: dict[str, str] = {}
        return AnalyserStatus(
            overload=self._state("overload", answers),
            uncalibrated_sweep=self._state("uncalibrated_sweep", answers),
            reference_locked=self._state("reference_locked", answers),
        )

    def _state(self, name: str, answers: dict[str, str]) -> bool | None:
        if not self.has(name):
            return None
        capability = self._capability(name)
        query = capability.query()
        if query not in answers:
            answers[query] = self.link.surely(query, lambda: self._readable(capability, query))
        return bool(capability.read(answers[query], instrument=self.name))

    def _readable(self, capability: Capability, query: str) -> str:
        reply = self.link.ask(query)
        capability.read(reply, instrument=self.name)
        return reply

    def limits(self) -> AnalyserLimits:
        """Return what may be set, from the driver file; nothing is asked."""
        points, averages = self._bounds("points"), self._bounds("average_count")
        return AnalyserLimits(
            frequency_hz=self._bounds("centre"),
            span_hz=self._bounds("span"),
            points=(int(points[0]), int(points[1])),
            rbw_hz=self._bounds("rbw"),
            rbw_values_hz=self._capability("rbw").limits.members(),
            vbw_hz=self._bounds("vbw"),
            vbw_values_hz=self._capability("vbw").limits.members(),
            sweep_time_s=self._bounds("sweep_time"),
            averages=(int(averages[0]), int(averages[1])),
            attenuation_db=self._bounds("attenuation"),
            attenuation_step_db=self._capability("attenuation").limits.step,
            reference_level_dbm=self._bounds("reference_level"),
            detectors=tuple(self._capability("detector").words),
            average_types=tuple(self._capability("average_type").words),
            preamplifier=self.has("preamplifier"),
        )

    def annotate(self, text: str) -> None:
        """Show ``text`` on the instrument's screen where it can; one that cannot is left alone."""
        if not self.has("annotation"):
            return
        plain = text.encode("ascii", "replace").decode("ascii")
        with contextlib.suppress(RefusedError):
            self.apply({"annotation": plain})
