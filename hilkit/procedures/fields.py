"""Settings that several procedures share, each with its range and its words for the manual."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from hilkit.quantities import Between, Duration, Frequency, FullScaleLevel, Ratio

__all__ = ["Attenuation", "Carrier", "Channel", "Corrections", "Deadline", "Drive", "Offset", "Pad", "Poll"]

Channel = Annotated[int, Field(ge=1, description="number of the radio's transmit channel")]
Carrier = Annotated[
    Frequency, Between(above="0 Hz"), Field(description="carrier: the frequency of the radio's LO")
]
Offset = Annotated[
    Frequency,
    Field(description="offset of the CW tone from the carrier; negative puts the tone below the carrier"),
]
Attenuation = Annotated[
    Ratio, Between(low="0 dB"), Field(description="transmit attenuation; 0 dB is the radio's highest level")
]
Drive = Annotated[
    FullScaleLevel,
    Between(high="0 dBFS"),
    Field(description="level of the stream, 0 dBFS being a full-scale sine"),
]
Pad = Annotated[
    Annotated[Ratio, Between(low="0 dB")] | None,
    Field(
        description="setting of the step attenuator in the path; left out, the smallest whole dB that keeps "
        "the highest level the radio can give at or under 0 dBm at the analyser"
    ),
]
Corrections = Annotated[
    bool,
    Field(
        description="whether the radio's corrections are on and settled while the levels are read; else they "
        "are off"
    ),
]
Deadline = Annotated[Duration, Between(above="0 s"), Field(description="longest time to wait")]
Poll = Annotated[
    Duration, Between(low="1 ms"), Field(description="time between two looks at the radio's status")
]
