"""The switch of a noise source: on, it makes noise of a known excess; off, that of its own temperature."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from hilkit.instruments.capability import CapabilitySpec, by_name
from hilkit.instruments.instrument import ScpiInstrument

__all__ = ["NoiseSource"]


class NoiseSource(ScpiInstrument):
    """A noise source behind a switch of its supply. How much noise it makes stands in the bench file."""

    INSTRUMENT_CLASS: ClassVar[str] = "noise_source"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        CapabilitySpec(
            name="reset", kind="action", meaning="back to the settings of the factory", access="w"
        ),
        CapabilitySpec(name="output", kind="boolean", meaning="the source makes its noise", required=True),
    )
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("settling", "mute_time")

    def set_output(self, on: bool) -> None:
        """Switch the noise, read back and settled; RefusedError if it does not follow."""
        self.apply({"output": on})
        self.link.clock.sleep(self.dialect.settling_s)

    def output(self) -> bool:
        """Ask whether the noise is on."""
        return bool(self.read("output"))

    def safe(self) -> None:
        """Switch the noise off, read back."""
        self.set_output(False)
