"""The instrument classes there are: those of hilkit, and those that other packages add by entry point."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from importlib.metadata import entry_points
from typing import ClassVar, Literal, Protocol

from hilkit.instruments.capability import CapabilitySpec

__all__ = ["ENTRY_POINT_GROUP", "InstrumentClass", "class_names", "find_class"]

ENTRY_POINT_GROUP = "hilkit.instruments"

_OWN = {
    "signal_analyser": ("hilkit.instruments.analyser", "SignalAnalyser"),
    "step_attenuator": ("hilkit.instruments.attenuator", "StepAttenuator"),
    "switch_matrix": ("hilkit.instruments.switch", "SwitchMatrix"),
    "signal_generator": ("hilkit.instruments.generator", "SignalGenerator"),
    "power_meter": ("hilkit.instruments.power_meter", "PowerMeter"),
    "dc_supply": ("hilkit.instruments.supply", "DcSupply"),
    "noise_source": ("hilkit.instruments.noise_source", "NoiseSource"),
    "radio": ("hilkit.instruments.radio", "Radio"),
}


class InstrumentClass(Protocol):
    """What a class declares, as data, so that its driver files can be checked.

    ``ORDERED`` are the settings whose order a driver file has to give; ``SECTIONS`` the sections of the file
    that it needs, ``OPTIONAL_SECTIONS`` those that it may have.
    """

    INSTRUMENT_CLASS: ClassVar[str]
    PROTOCOL: ClassVar[Literal["scpi", "line"]]
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]]
    ORDERED: ClassVar[tuple[str, ...]]
    SECTIONS: ClassVar[tuple[str, ...]]
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]]


def find_class(name: str) -> type[InstrumentClass] | None:
    """Return the class that a driver file names, ``None`` if there is none; hilkit's own come first."""
    if name in _OWN:
        module, attribute = _OWN[name]
        found: type[InstrumentClass] = getattr(import_module(module), attribute)
        return found
    for entry in entry_points(group=ENTRY_POINT_GROUP, name=name):
        loaded: type[InstrumentClass] = entry.load()
        return loaded
    return None


def class_names() -> tuple[str, ...]:
    """Return the names of all instrument classes."""
    return (*_OWN, *sorted({entry.name for entry in entry_points(group=ENTRY_POINT_GROUP)} - set(_OWN)))
