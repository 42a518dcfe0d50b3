"""The bench file: its keys, as pydantic models, and which keys each kind of path element takes."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, WithJsonSchema

from hilkit.bench.accuracy import FractionEntry, InstrumentAccuracy, RadioAccuracy, RatioEntry, Vswr
from hilkit.bench.correlation_entries import CorrelationEntry
from hilkit.bench.interlock_entries import InterlockEntry
from hilkit.bench.supplies import SecondMeansEntry, SupplyEntry
from hilkit.bench.watch import WatchEntry
from hilkit.files import FileModel
from hilkit.quantities import Between, Fraction, Frequency, Length, Level, Ratio, Temperature

__all__ = [
    "ELEMENT_KINDS",
    "Band",
    "BenchFile",
    "ElementEntry",
    "ElementKeys",
    "InstrumentEntry",
    "InterlockEntry",
    "PlaneEntry",
    "RadioEntry",
    "RampEntry",
    "RatingEntry",
]

_LOSS_SCHEMA = {
    "oneOf": [
        {"type": "string", "examples": ["20 dB"], "description": "the same at every frequency"},
        {
            "type": "object",
            "additionalProperties": {"type": "string"},
            "examples": [{"1 GHz": "0.6 dB", "3 GHz": "1.1 dB"}],
            "description": "a table over frequency, interpolated in dB, never extrapolated",
        },
    ]
}

LossEntry = Annotated[Any, WithJsonSchema(_LOSS_SCHEMA)]


@dataclass(frozen=True, kw_only=True)
class ElementKeys:
    """What an element of one kind must say, and what it may say; ``one_of`` keys exclude each other."""

    must: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    meaning: str


_COMMON = (
    "name",
    "node_in",
    "node_out",
    "uncertainty",
    "vswr_in",
    "vswr_out",
    "vswr_known",
    "length",
    "velocity",
)
_SHAPE = ("law", "valid")


def _passive(meaning: str) -> ElementKeys:
    return ElementKeys(one_of=("loss", "gain"), may=(*_SHAPE, *_COMMON), meaning=meaning)


ELEMENT_KINDS: dict[str, ElementKeys] = {
    "pad": _passive("a fixed attenuator"),
    "cable": _passive("a cable"),
    "coupler": _passive("a coupler, from the port in use to the port in use"),
    "adapter": _passive("an adapter or connector"),
    "filter": _passive("a filter"),
    "splitter": _passive("a splitter or combiner, from the port in use to the port in use"),
    "isolator": _passive("an isolator or circulator, in its forward direction"),
    "amplifier": _passive("an amplifier, with its gain"),
    "table": _passive("anything whose loss was measured over frequency"),
    "touchstone": ElementKeys(
        must=("file",), may=("ports", "active", *_COMMON), meaning="a network from a Touchstone file"
    ),
    "step_attenuator": ElementKeys(
        must=("instrument",),
        may=("loss", *_SHAPE, *_COMMON),
        meaning="the step attenuator; its loss is what it has at 0 dB",
    ),
    "switch": ElementKeys(
        must=("instrument", "close"),
        may=("loss", "shared", *_SHAPE, *_COMMON),
        meaning="a switch with the channels to close",
    ),
}
"""The kinds of path element. Parser, checks and manual derive from this table."""

Kind = Literal[
    "pad",
    "cable",
    "coupler",
    "adapter",
    "filter",
    "splitter",
    "isolator",
    "amplifier",
    "table",
    "touchstone",
    "step_attenuator",
    "switch",
]


class Band(FileModel):
    """A range of frequencies, both ends included."""

    from_: Frequency = Field(alias="from")
    to: Frequency


class ElementEntry(FileModel):
    """One element of a path, or just a ``node``; which keys go with which kind is in ``ELEMENT_KINDS``."""

    node: str | None = Field(None, description="a named point between two elements")
    kind: Kind | None = Field(None, description="what the element is")
    name: str | None = Field(None, description="what messages call this element")
    node_in: str | None = Field(None, description="name of the point in front of this element")
    node_out: str | None = Field(None, description="name of the point behind this element")
    loss: LossEntry = Field(None, description="what it takes from the signal, 0 dB or more")
    gain: LossEntry = Field(None, description="what it adds to the signal, in place of a loss")
    law: Literal["linear", "sqrt_f"] | None = Field(
        None, description="how a table is interpolated: over f (the default) or over sqrt(f), as fits a cable"
    )
    valid: Band | None = Field(
        None, description="with law sqrt_f and a single frequency: where the law holds"
    )
    uncertainty: RatioEntry | None = Field(
        None, description="how far the true loss may lie from the one given"
    )
    vswr_in: Vswr | None = Field(None, description="VSWR of its end towards the radio, 1 or more")
    vswr_out: Vswr | None = Field(None, description="VSWR of its end towards the analyser, 1 or more")
    vswr_known: bool | None = Field(
        None, description="true where the VSWR are measured values, false (or left out) where they are limits"
    )
    length: Annotated[Length, Between(low="0 m")] | None = Field(
        None, description="length that the signal runs in it"
    )
    velocity: Annotated[Fraction, Between(above="0 %", high="100 %")] | None = Field(
        None, description="speed of the signal in it, as a part of the speed of light; needed with `length`"
    )
    file: str | None = Field(None, description="Touchstone file, relative to the bench file")
    ports: list[int] | None = Field(
        None, description="the S parameter by its indices: [2, 1] is S21, from port 1 to port 2 (the default)"
    )
    active: bool | None = Field(None, description="true where the network has gain")
    instrument: str | None = Field(None, description="the step attenuator or switch that this element is")
    close: list[int] | None = Field(None, description="switch channels to close for this path")
    shared: bool | None = Field(
        None, description="true where another path closes the same channels on purpose, behind a combiner"
    )


class InstrumentEntry(FileModel):
    """One instrument."""

    driver: str = Field(description="driver file that knows its commands, by name")
    resource: str = Field(description="VISA resource name, such as TCPIP0::192.168.1.20::5025::SOCKET")
    model: str = Field("", description="expected model, as the instrument gives it in *IDN?")
    serial: str = Field("", description="expected serial number, as the instrument gives it in *IDN?")
    calibration_due: dt.date | None = Field(
        None, description="day on which the calibration runs out, 2027-03-01"
    )
    reference: Literal["external", "internal"] | None = Field(
        None, description="frequency reference of an analyser; external where nothing is said"
    )
    accuracy: InstrumentAccuracy | None = Field(None, description="how exact it is, from its data sheet")
    enr: dict[Frequency, Ratio] | None = Field(
        None, description="excess noise ratio of a noise source over frequency, from its certificate"
    )
    cold: Temperature | None = Field(
        None, description="temperature of a noise source that is off; 23 °C where nothing is said"
    )


class RadioEntry(FileModel):
    """The radio on the bench."""

    driver: str = Field(description="driver file that knows its control language, by name")
    resource: str | None = Field(None, description="VISA resource name of the control line")
    command: list[str] | None = Field(
        None, description="or the program that speaks the control line, as a list"
    )
    model: str = Field("", description="expected model, as the radio gives it")
    serial: str = Field("", description="expected serial number, as the radio gives it")
    channels: dict[str, str] = Field(
        description="number of each transmit channel, and its path", examples=["{1: tx1, 2: tx2}"]
    )
    max_level: Level = Field(description="highest level at a port with 0 dB transmit attenuation")
    frequency: list[Band] = Field(description="carriers to which the radio may be tuned")
    bandwidth: Frequency = Field(description="width around the carrier that the radio can use")
    papr: Annotated[Ratio, Between(low="0 dB")] | None = Field(
        None,
        description="highest peak-to-average ratio of what it plays; needed where a node has a peak rating",
    )
    accuracy: RadioAccuracy | None = Field(None, description="what is known of its ports")


class ReceiveInputEntry(FileModel):
    """What lies between one source and the receive port, combiner included."""

    loss: LossEntry = Field(description="what it takes from the signal, 0 dB or more, one value or a table")
    uncertainty: RatioEntry | None = Field(
        None, description="how far the true loss may lie from the one given"
    )


class ReceivePathEntry(FileModel):
    """One receive port of the radio and the sources that lead to it."""

    channel: int = Field(description="number of the receiver, as the radio has it")
    port: str = Field(description="name of the port, which needs a rating")
    shares: str | None = Field(
        None, description="transmit path that begins at the same connector; left out where none does"
    )
    inputs: dict[str, ReceiveInputEntry] = Field(
        description="each generator and noise source that is connected, with what lies in between"
    )


class RatingEntry(FileModel):
    """What a node stands, where its data sheet tells continuous power and peaks apart."""

    average: Level = Field(description="highest average level")
    peak: Level = Field(description="highest level of a peak of the envelope")


class PlaneEntry(FileModel):
    """A plane at which a person connects something."""

    text: str = Field("", description="where it is, in words that a colleague understands")
    photo: str = Field("", description="picture of it, relative to the bench file")
    repeatability: RatioEntry | None = Field(
        None, description="scatter of the loss from one connection to the next"
    )


class RampEntry(FileModel):
    """How the first RF of a combination is raised, and what is expected of it."""

    above: Annotated[Ratio, Between(above="0 dB")] | None = Field(
        None,
        description="how far the level read may lie above the predicted one; left out, 3 dB, or more where "
        "the bench file knows its losses less well",
    )
    below: Annotated[Ratio, Between(above="0 dB")] | None = Field(
        None,
        description="how far it may lie below, likewise; give more where max_level is well above what the "
        "radio gives",
    )
    step: Annotated[Ratio, Between(low="1 dB")] | None = Field(
        None, description="largest step by which the level is raised; 12 dB where nothing is said"
    )


class BenchFile(FileModel):
    """What stands on the table."""

    bench: str = Field(description="name of the bench")
    simulation: str | None = Field(
        None, description="simulated profile that plays this bench; leave out for a real one"
    )
    instruments: dict[str, InstrumentEntry] = Field(description="the instruments by the name they get here")
    radio: RadioEntry = Field(description="the radio, its channels and its limits")
    paths: dict[str, list[ElementEntry]] = Field(
        description="what lies between each port and the analyser, in the order of the signal"
    )
    receive_paths: dict[str, ReceivePathEntry] = Field(
        default_factory=dict, description="receive ports of the radio, and which sources lead to each"
    )
    ratings: dict[str, Level | RatingEntry] = Field(
        default_factory=dict,
        description="highest level that each node stands; {average: 30 dBm, peak: 36 dBm} where they differ",
    )
    margin: Ratio | None = Field(
        None, description="distance kept from every rating; 3 dB where nothing is said"
    )
    supplies: list[SupplyEntry] = Field(
        default_factory=list,
        description="what powers the bench, in the order of switching on; it goes off in reverse",
    )
    second_means: list[SecondMeansEntry] = Field(
        default_factory=list, description="what cuts RF where the radio does not obey"
    )
    off_level: Level | None = Field(
        None,
        description="highest level at a port of the radio that still counts as RF off, noise of the analyser "
        "included; RF off is not confirmed by level where nothing is said",
    )
    calibrations: list[str] = Field(
        default_factory=list,
        description="calibrations of paths, files relative to the bench file; they replace the loss of the "
        "elements from port to analyser",
    )
    calibration_days: Annotated[int, Field(ge=1)] | None = Field(
        None, description="age in days from which on a calibration of a path is stale"
    )
    calibration_policy: Literal["refuse", "warn"] | None = Field(
        None, description="what becomes of a run whose path has no calibration, a stale or too narrow one"
    )
    planes: dict[str, PlaneEntry] = Field(
        default_factory=dict,
        description="where a person connects something: `tx1 port` of a path, `analyser input`, and "
        "`generator output`, with the names of this file",
    )
    watchdog: WatchEntry | None = Field(
        None, description="how a run is watched, from a process of its own that switches RF off if it dies"
    )
    correlations: list[CorrelationEntry] = Field(
        default_factory=list, description="figures of this file that share a cause, and how far"
    )
    reference_accuracy: FractionEntry | None = Field(
        None, description="frequency error of the reference that feeds the instruments"
    )
    interlocks: dict[str, InterlockEntry] = Field(
        default_factory=dict, description="what must hold while RF is on, by the name that messages use"
    )
    ramp: RampEntry | None = Field(None, description="how the first RF of a combination is raised")
    hot_switching: list[str] = Field(
        default_factory=list,
        description="what may move while RF is on: step attenuators and switches by name, radio for its "
        "carrier",
    )
