"""The signal generator: a known state without RF, verified settings, and a way to silence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

from hilkit.instruments.capability import CapabilitySpec, Value, by_name
from hilkit.instruments.instrument import ScpiInstrument

__all__ = ["GeneratorLimits", "GeneratorStatus", "SignalGenerator"]

_RESET_MARGIN_S = 30.0


def _switch(name: str, meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="boolean", meaning=meaning, required=required)


def _choice(name: str, words: tuple[str, ...], meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="word", meaning=meaning, words=words, required=required)


def _state(name: str, meaning: str) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="boolean", meaning=meaning, access="r")


_KNOWN_STATE: dict[str, Value] = {
    "level_unit": "dBm",
    "level_mode": "fixed",
    "level_offset": 0.0,
    "level_limit_state": False,
    "alc": True,
    "attenuator_auto": True,
    "frequency_mode": "fixed",
    "frequency_offset": 0.0,
    "frequency_multiplier": 1.0,
    "am": False,
    "fm": False,
    "pm": False,
    "pulse": False,
}
"""Every setting that alters the line besides its frequency and level, in the order in which it is sent."""


@dataclass(frozen=True, kw_only=True)
class GeneratorLimits:
    """What may be set, as (lowest, highest), from the driver file."""

    frequency_hz: tuple[float, float]
    level_dbm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class GeneratorStatus:
    """What the generator says about itself; None where its dialect has no way to ask."""

    unlevelled: bool | None
    reference_locked: bool | None


class SignalGenerator(ScpiInstrument):
    """A signal generator with one output. It commands RF: whoever switches it on has checked what it meets.

    Levels are those at its own connector into a matched load, in dBm.
    """

    INSTRUMENT_CLASS: ClassVar[str] = "signal_generator"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        CapabilitySpec(
            name="reset",
            kind="action",
            meaning="back to the settings of the factory",
            access="w",
            required=True,
        ),
        CapabilitySpec(
            name="frequency", kind="number", meaning="frequency", unit="Hz", required=True, ranged=True
        ),
        CapabilitySpec(
            name="level",
            kind="number",
            meaning="level at the connector",
            unit="dBm",
            required=True,
            ranged=True,
        ),
        _switch("output", "RF at the connector", required=True),
        _choice("level_unit", ("dBm",), "unit of all levels"),
        _choice("level_mode", ("fixed",), "one level instead of a sweep or a list"),
        CapabilitySpec(name="level_offset", kind="number", meaning="number added to every level", unit="dB"),
        CapabilitySpec(name="level_limit", kind="number", meaning="level that is not exceeded", unit="dBm"),
        _switch("level_limit_state", "the limit of the level is in force"),
        _switch("alc", "levelling by its own detector"),
        _switch("attenuator_auto", "output attenuator coupled to the level"),
        _choice("frequency_mode", ("fixed",), "one frequency instead of a sweep or a list"),
        CapabilitySpec(
            name="frequency_offset", kind="number", meaning="number added to every frequency", unit="Hz"
        ),
        CapabilitySpec(
            name="frequency_multiplier",
            kind="number",
            meaning="number that every frequency is multiplied with",
            unit="1",
        ),
        _switch("am", "amplitude modulation"),
        _switch("fm", "frequency modulation"),
        _switch("pm", "phase modulation"),
        _switch("pulse", "pulse modulation"),
        _choice(
            "reference_source", ("external", "internal"), "source of the frequency reference", required=True
        ),
        _state("unlevelled", "the level is not what is set"),
        _state("reference_locked", "locked to the selected reference"),
        CapabilitySpec(name="annotation", kind="text", meaning="text on the screen", access="w"),
    )
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("settling", "mute_time")

    def prepare(self, *, reference: Literal["external", "internal"] | None = None) -> None:
        """Bring the generator into a known state without RF, whatever a colleague left on its front panel.

        Output off first, then ``*RST``, then every setting that alters the line is set and read back; the
        level is left at its lowest and the output off. ``reference`` None keeps the source that was set
        before the reset.
        """
        self.set_output(False)
        source: Value = reference if reference is not None else self.read("reference_source")
        self.forget_settings()
        self.link.set(self._capability("reset").command(instrument=self.name))
        self.link.clear_status()
        self.link.wait_complete(0.0, margin_s=_RESET_MARGIN_S)
        state = {"output": False, **_KNOWN_STATE, "reference_source": source}
        self.apply({name: value for name, value in state.items() if self.has(name)})
        self.safe()

    def safe(self) -> None:
        """Switch the output off and go to the lowest level, both read back.

        RefusedError if the output stays on.
        """
        self.set_output(False)
        self.apply({"level": self.limits().level_dbm[0]})

    def set_frequency(self, hz: float) -> float:
        """Set the frequency in Hz, wait until it has settled, and return what is read back."""
        return self._settled("frequency", hz)

    def frequency(self) -> float:
        """Ask for the frequency in Hz."""
        return self.read_number("frequency")

    def set_level(self, dbm: float) -> float:
        """Set the level in dBm, wait until it has settled, and return what is read back.

        RefusedError for one that the generator does not have or that its own limit forbids.
        """
        return self._settled("level", dbm)

    def level(self) -> float:
        """Ask for the level in dBm that is set."""
        return self.read_number("level")

    def set_limit(self, dbm: float | None) -> None:
        """Make the generator itself keep below ``dbm``, None for no limit; one without that is left alone."""
        if not (self.has("level_limit") and self.has("level_limit_state")):
            return
        limit: dict[str, Value] = {} if dbm is None else {"level_limit": dbm}
        self.apply({**limit, "level_limit_state": dbm is not None})

    def set_output(self, on: bool) -> None:
        """Switch the RF on or off, read back and settled; RefusedError if it does not follow."""
        self.apply({"output": on})
        self.link.clock.sleep(self.dialect.settling_s)

    def output(self) -> bool:
        """Ask whether the RF is on."""
        return bool(self.read("output"))

    def limits(self) -> GeneratorLimits:
        """Return what may be set, from the driver file; nothing is asked."""
        return GeneratorLimits(frequency_hz=self._bounds("frequency"), level_dbm=self._bounds("level"))

    def status(self) -> GeneratorStatus:
        """Ask whether the level is what is set, and for the lock to the reference."""
        return GeneratorStatus(
            unlevelled=bool(self.read("unlevelled")) if self.has("unlevelled") else None,
            reference_locked=bool(self.read("reference_locked")) if self.has("reference_locked") else None,
        )

    def _settled(self, name: str, value: float) -> float:
        back = self.apply({name: value})
        self.link.clock.sleep(self.dialect.settling_s)
        return float(back.get(name, value))
