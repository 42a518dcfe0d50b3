"""One more look at the lines of a tone: at another attenuation, filter, centre or state of the radio."""

from __future__ import annotations

import copy
from dataclasses import replace

from hilkit.procedures.lines import Line, ToneLines
from hilkit.procedures.sweeps import SAMPLES, narrow_sweep
from hilkit.readings import Evidence, Trace
from hilkit.safety import RfState

__all__ = ["Look"]


class Look(ToneLines):
    """Reads single lines where ``ToneLines`` found them, with one thing changed."""

    @classmethod
    def like(
        cls,
        tone: ToneLines,
        *,
        attenuation_db: float | None = None,
        rbw_hz: float | None = None,
        state: RfState | None = None,
    ) -> Look:
        """Return a look through the input of ``tone``, with what is given in place of what is there."""
        receiver = copy.copy(tone.receiver)
        if attenuation_db is not None:
            receiver.range = replace(receiver.range, attenuation_db=attenuation_db)
        look = cls(
            receiver, state or tone.state, low_hz=tone.low_hz, high_hz=tone.high_hz, depth_dbc=tone.depth_dbc
        )
        look.rbw_hz, look.shape, look.strong = rbw_hz or tone.rbw_hz, tone.shape, tone.strong
        return look

    def tone(self, *, samples: float = SAMPLES) -> Line:
        """Read the tone, and draw the filter's shape anew from the stronger of tone and image."""
        strong = self._swept(self.expected_hz(self.strong), samples)
        self._draw(strong[0])
        swept = strong if self.strong == 1 else self._swept(self.expected_hz(1), samples)
        return self._read(1, *swept)

    def line(
        self, multiple: int, *, at_hz: float | None = None, samples: float = SAMPLES, aside_rbw: float = 0.0
    ) -> Line:
        """Read a line (or what stands at ``at_hz``) with the centre ``aside_rbw`` filter widths beside it."""
        frequency_hz = self.expected_hz(multiple) if at_hz is None else at_hz
        trace, evidence = self._swept(frequency_hz + aside_rbw * self.rbw_hz, samples)
        return self._reading(multiple, frequency_hz, trace, evidence)

    def _swept(self, centre_hz: float, samples: float) -> tuple[Trace, tuple[Evidence, ...]]:
        setup = narrow_sweep(
            centre_hz,
            rbw_hz=self.rbw_hz,
            at=self.receiver.range,
            limits=self.receiver.limits,
            samples=samples,
        )
        return self.receiver.sweep(setup)
