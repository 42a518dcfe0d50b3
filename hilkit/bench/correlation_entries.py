"""A correlation between two figures of a bench file, as it stands there."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from hilkit.files import FileModel, Mistake

__all__ = ["CorrelationEntry"]


def _coefficient(value: Any) -> Any:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not number or not -1 <= value <= 1:
        raise Mistake(
            "a correlation coefficient lies in -1..1",
            seen=str(value),
            allowed="0 for figures that have nothing to do with each other, 1 for one and the same error",
        )
    return float(value)


class CorrelationEntry(FileModel):
    """Two figures of this file that share a cause."""

    between: list[str] = Field(
        description="two of the figures that this file states: the name of a path element, for the "
        "uncertainty of its loss, INSTRUMENT.KEY for a key of its accuracy, or reference_accuracy",
        examples=[["coupler 1", "3 dB pad"], ["analyser.level", "coupler 1"]],
    )
    coefficient: Annotated[
        Any,
        BeforeValidator(_coefficient),
        WithJsonSchema({"type": "number", "minimum": -1, "maximum": 1}),
    ] = Field(description="how far their errors follow each other, -1 to 1")
