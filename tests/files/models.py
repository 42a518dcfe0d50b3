"""A made-up kind of file that has one of everything."""

import datetime as dt
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from hilkit.files import FileModel, Mistake
from hilkit.quantities import Between, Frequency, Level, Ratio


class Colour(StrEnum):
    RED = "red"
    BLUE = "blue"


class Instrument(FileModel):
    driver: str
    """Name of the driver file."""
    resource: str
    serial: str | None = None
    calibration_due: dt.date | None = None
    port: int = Field(5025, ge=1, le=65535)


class Named(FileModel):
    node: str


class Cable(FileModel):
    kind: Literal["cable"]
    loss: Ratio | dict[Frequency, Ratio]
    law: Literal["linear", "sqrt_f"] = "linear"


class Pad(FileModel):
    kind: Literal["pad"]
    loss: Annotated[Ratio, Between(low="0 dB")]
    """What the pad takes away."""


class Bench(FileModel):
    bench: str
    instruments: dict[str, Instrument] = Field(default_factory=dict)
    channels: dict[int, str] = Field(default_factory=dict)
    path: list[Annotated[Cable | Pad, Field(discriminator="kind")] | Named] = Field(default_factory=list)
    rating: Level = Level(30.0)
    carrier: Literal["auto"] | Frequency = "auto"
    colour: Colour = Colour.RED
    count: int = Field(3, gt=0, multiple_of=1)
    factor: float = 1.0
    pair: tuple[float, float] = (0.0, 1.0)
    active: bool = False
    names: list[str] = Field(["a"], min_length=1, max_length=2)
    word: str = Field("ab", pattern="^[a-z]+$", max_length=3)
    file: Path | None = None
    limit: float | str = 0.0
    either: str | list[str] = ""

    @model_validator(mode="after")
    def _rating_suits(self) -> "Bench":
        if self.rating.dbm > 60.0:
            raise Mistake(
                "no instrument stands that", at=("rating",), seen=str(self.rating), allowed="at most 60 dBm"
            )
        if self.factor < 0.0:
            raise ValueError("the factor of a bench is positive")
        return self


GOOD = """\
# a good one
bench: "pier µ bench"
instruments:
  analyser: {driver: signal_analyser, resource: "TCPIP0::h::5025::SOCKET", calibration_due: 2027-03-01}
channels: {1: tx1, 2: tx2}
path:
  - {node: radio tx1 port}
  - {kind: cable, loss: {1 GHz: 0.6 dB, 3 GHz: 1.1 dB}, law: sqrt_f}
  - {kind: pad, loss: 20 dB}
rating: 1 W
carrier: 2.35 GHz
colour: blue
count: 5
factor: 2
pair: [1, 2.5]
active: true
names: [a]
file: cables/blue.s2p
limit: 3
either: [x, y]
"""
