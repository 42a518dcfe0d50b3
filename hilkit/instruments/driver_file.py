"""The model of a driver file: data only, no conditions and no loops.

What needs them is a Python subclass of an instrument class, found by the entry point group
``hilkit.instruments``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hilkit.files import FileModel
from hilkit.quantities import Between, Duration, Ratio

__all__ = [
    "CapabilityEntry",
    "DriverFile",
    "LineEntry",
    "NumberText",
    "SelfTestEntry",
    "SerialEntry",
    "SweepTimeEntry",
    "TerminatorsEntry",
    "TraceEntry",
]

NumberText = str | int | float
"""A quantity with its unit; a plain number where the unit is 1."""

Positive = Annotated[float, Field(gt=0)]
InDecade = Annotated[float, Field(ge=1, lt=10)]
Time = Annotated[Duration, Between(low="0 s")]


class TerminatorsEntry(FileModel):
    """What ends a line."""

    write: Literal["\n", "\r\n", "\r"] = Field(default="\n", description="sent after each line")
    read: Literal["\n", "\r\n", "\r"] = Field(
        default="\n", description="expected after each answer on sockets and serial lines"
    )


class SerialEntry(FileModel):
    """Settings of a serial line; eight data bits, no parity, one stop bit."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = Field(description="bits per second")
    flow: Literal["none", "rts_cts", "xon_xoff"] = Field(default="none", description="flow control")


class TraceEntry(FileModel):
    """How trace data arrive."""

    query: str = Field(description="the query that answers the trace of the last sweep")
    format: Literal["real32", "real64", "ascii"] = Field("real32", description="form of the numbers")
    byte_order: Literal["big", "little"] = Field(
        "big", description="which byte of a binary number comes first"
    )
    layout: Literal["y", "xy"] = Field(
        "y", description="levels only, or pairs of frequency in hertz and level"
    )


class SweepTimeEntry(FileModel):
    """The rule of the automatic sweep time: factor x span / (RBW x the smaller of RBW and VBW), never below
    minimum.
    """

    factor: Positive = Field(description="dimensionless; 2.5 for Gaussian filters is usual")
    minimum: Duration = Field(description="shortest sweep")


class SelfTestEntry(FileModel):
    """The instrument's own test."""

    query: str = Field("*TST?", description="answers 0 for passed")
    harmless: bool = Field(
        description="true only if the manual says that settings and outputs are left alone"
    )
    time: Duration = Field(description="how long it takes at most")


class LineEntry(FileModel):
    """The manners of a line console."""

    echo: bool = Field(description="true if the console sends each command line back")
    prompt: str = Field("", description="what it prints when it waits for a command")
    noise: str = Field("", description="beginning of lines that are no part of an answer")
    done: str = Field(description="pattern of the answer to a command that sets something")
    error: str = Field(description="pattern of an error line; the groups number and text are shown")


class CapabilityEntry(FileModel):
    """How the instrument is told or asked one thing."""

    set: str | None = Field(None, description="command text; {value} is where the value goes")
    ask: str | None = Field(None, description="query text")
    reply: str | None = Field(
        None, description="pattern of the answer, with a group named value; default: all of it"
    )
    unit: str | None = Field(None, description="unit of the number in the texts; default: the class's unit")
    range: tuple[NumberText, NumberText] | None = Field(None, description="lowest and highest value")
    step: NumberText | None = Field(None, description="distance of settable values")
    decade: tuple[InDecade, ...] | None = Field(
        None, description="settable values within a decade, from 1 to below 10, such as [1, 3]"
    )
    words: dict[str, str] | None = Field(
        None, description="our word: the instrument's word, its short form in capitals"
    )
    tolerance: NumberText | None = Field(
        None, description="how far a value read back may be off, a quantity or in %"
    )
    bit: Annotated[int, Field(ge=0, le=15)] | None = Field(
        None, description="bit of the answer that means on"
    )
    inverted: bool = Field(False, description="true if the answer means the opposite")
    overlapped: bool = Field(
        False, description="true if it goes on after the command and has to be waited for"
    )
    optional: bool = Field(
        False, description="true if the instrument may not know it and nothing depends on it"
    )
    readback: bool = Field(True, description="false if the answer does not follow the setting")


class DriverFile(FileModel):
    """The dialect of one instrument, or what differs from its base."""

    driver: str = Field(description="name of this driver, as its file is called")
    instrument_class: str = Field(
        description="signal_analyser, step_attenuator, switch_matrix, signal_generator, power_meter, "
        "dc_supply, radio, or an added class"
    )
    base: str | None = Field(None, description="driver that this one overrides, capability by capability")
    summary: str = Field("", description="one line for people")
    identity: str = Field("", description="pattern that the answer to *IDN? has to contain")
    terminators: TerminatorsEntry = Field(default=TerminatorsEntry(), description="what ends a line")
    completion: Literal["esr", "opc_query", "operation_condition", "elapsed"] = Field(
        "esr", description="how the end of an overlapped command is known"
    )
    serial: SerialEntry | None = Field(None, description="used where the resource is a serial line")
    timeout: Annotated[Duration, Between(above="0 s")] = Field(
        Duration(3.0), description="for answers that need no measurement"
    )
    error_query: str = Field(
        ":SYSTem:ERRor:NEXT?", description="query that takes one entry from the error queue"
    )
    self_test: SelfTestEntry | None = Field(None, description="the instrument's own test, if it has one")
    trace: TraceEntry | None = Field(None, description="how trace data arrive")
    noise_bandwidth_ratio: Annotated[float, Field(ge=0.5, le=2)] | None = Field(
        None, description="noise bandwidth of the RBW filter over its RBW, such as 1.065"
    )
    sweep_time: SweepTimeEntry | None = Field(None, description="rule of the automatic sweep time")
    settling: Time | None = Field(
        None,
        description="how long relays, the level of a generator or a voltage need after a change",
    )
    reading_time: Time | None = Field(
        None, description="how long a power meter takes for one reading of an average"
    )
    zeroing_time: Time | None = Field(None, description="how long a power meter takes to zero itself")
    mute_time: Time | None = Field(
        None, description="how long RF off may take in the safe state, all answers included; else 0.5 s"
    )
    insertion_loss: Ratio | None = Field(None, description="nominal loss at the lowest setting")
    line: LineEntry | None = Field(None, description="manners of a line console")
    safe_command: Annotated[tuple[str, ...], Field(min_length=1)] | None = Field(
        None,
        description="program and arguments that switch RF of all channels off and end with code 0, for a "
        "radio that is driven through a program",
    )
    order: tuple[str, ...] | None = Field(None, description="order in which settings are sent")
    capabilities: dict[str, CapabilityEntry | None] = Field(
        default_factory=dict, description="capability: texts; null takes one of the base away"
    )
