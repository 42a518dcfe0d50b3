"""The step attenuator."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from hilkit.instruments.capability import CapabilitySpec, Limits, by_name
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.instrument import ScpiInstrument
from hilkit.instruments.link import ScpiLink

__all__ = ["StepAttenuator"]


class StepAttenuator(ScpiInstrument):
    """A programmable step attenuator in a path; its relays need time after each change."""

    INSTRUMENT_CLASS: ClassVar[str] = "step_attenuator"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        CapabilitySpec(
            name="reset", kind="action", meaning="back to the settings of the factory", access="w"
        ),
        CapabilitySpec(name="attenuation", kind="number", meaning="attenuation", unit="dB", required=True),
        CapabilitySpec(
            name="attenuation_minimum", kind="number", meaning="lowest setting", access="r", unit="dB"
        ),
        CapabilitySpec(
            name="attenuation_maximum", kind="number", meaning="highest setting", access="r", unit="dB"
        ),
    )
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("settling", "insertion_loss")

    def __init__(self, link: ScpiLink, dialect: Dialect) -> None:
        super().__init__(link, dialect)
        self._range: tuple[float, float, float] | None = None

    def set(self, db: float) -> float:
        """Set the attenuation in dB, wait for the relays, and return what is read back; RefusedError for
        another.
        """
        back = self.apply({"attenuation": db})
        self.link.clock.sleep(self.dialect.settling_s)
        return float(back.get("attenuation", db))

    def get(self) -> float:
        """Ask for the attenuation in dB."""
        return self.read_number("attenuation")

    @property
    def range(self) -> tuple[float, float, float]:
        """Lowest and highest setting and the step, in dB; asked once where the driver file does not give
        them.

        A step of 0 means that the driver file names none.
        """
        if self._range is None:
            limits = self._capability("attenuation").limits
            self._range = (
                self._edge(limits.minimum, "attenuation_minimum"),
                self._edge(limits.maximum, "attenuation_maximum"),
                limits.step or 0.0,
            )
        return self._range

    @property
    def limits(self) -> Limits:
        """The range as limits."""
        low, high, step = self.range
        return Limits(minimum=low, maximum=high, step=step or None)

    @property
    def insertion(self) -> float | None:
        """Nominal loss in dB at the lowest setting, None if the driver file does not give it."""
        return self.dialect.insertion_loss_db

    def _edge(self, given: float | None, capability: str) -> float:
        return given if given is not None else self.read_number(capability)
