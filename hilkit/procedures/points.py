"""One tone read at one state after another: the same range and filter for all, a narrow sweep each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.analysis import LineReading, line_shape, read_line
from hilkit.procedures.receiver import Receiver
from hilkit.procedures.sweeps import narrow_sweep, nice_rbw_hz
from hilkit.readings import Budget, Evidence, Trace

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hilkit.safety import RfState, Session

__all__ = ["TonePoint", "TonePoints"]

_RBW_HZ = 10e3
_SAMPLES = 50.0


@dataclass(frozen=True, kw_only=True)
class TonePoint:
    """The tone of one state: level at the radio port, and all that its budget is made of."""

    state: RfState
    frequency_hz: float
    port_dbm: float
    reading: LineReading
    trace: Trace
    evidence: tuple[Evidence, ...]
    budget: Budget


class TonePoints:
    """Reads the tones of ``states`` through one range of the analyser, that of the highest of them."""

    def __init__(self, session: Session, states: Sequence[RfState]) -> None:
        self._session = session
        self.receiver = Receiver(session, states[0], also=states[1:])
        self._rbw_hz = nice_rbw_hz(_RBW_HZ, self.receiver.limits)

    def read(self, state: RfState) -> TonePoint:
        """Bring the bench into ``state`` and read its tone where it stands; its own shape is its measure."""
        self._session.rf(state)
        nominal_hz = state.carrier_hz + (state.tone_offset_hz or 0.0)
        centre_hz = nominal_hz
        for _ in range(2):
            trace, evidence = self.receiver.sweep(
                narrow_sweep(
                    centre_hz,
                    rbw_hz=self._rbw_hz,
                    at=self.receiver.range,
                    limits=self.receiver.limits,
                    samples=_SAMPLES,
                )
            )
            shape = line_shape(trace)
            if abs(shape.centre_hz - centre_hz) <= self._rbw_hz:
                break
            centre_hz = shape.centre_hz
        reading = read_line(trace, shape, at_hz=shape.centre_hz)
        return TonePoint(
            state=state,
            frequency_hz=nominal_hz,
            port_dbm=reading.level_dbm + self.receiver.loss_db(nominal_hz),
            reading=reading,
            trace=trace,
            evidence=evidence,
            budget=self.receiver.budgets.line(
                trace, reading, frequency_hz=nominal_hz, pad_db=self.receiver.pad_db
            ),
        )
