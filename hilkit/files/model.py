"""Base of the models of files, and their JSON Schema for editors."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict
from pydantic.json_schema import GenerateJsonSchema

from hilkit.quantities import Quantity

__all__ = ["FileModel", "Mistake", "schema"]

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class FileModel(BaseModel):
    """Base of what a file may hold: unknown keys are refused, values do not change once read.

    A docstring under a field becomes its description in the JSON Schema.
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        arbitrary_types_allowed=True,
        use_attribute_docstrings=True,
    )


class Mistake(ValueError):
    """For validators of a model: a mistake with all its parts, at a path relative to the model."""

    def __init__(
        self,
        message: str,
        *,
        at: tuple[str | int, ...] = (),
        seen: str = "",
        allowed: str = "",
        next_step: str = "",
        at_key: bool = False,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.at = at
        self.seen = seen
        self.allowed = allowed
        self.next_step = next_step
        self.at_key = at_key


class _Generator(GenerateJsonSchema):
    schema_dialect = DIALECT

    def encode_default(self, dft: Any) -> Any:
        """Write a default as it would stand in a file."""
        return str(dft) if isinstance(dft, Quantity) else super().encode_default(dft)


def schema(model: type[BaseModel]) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a model, for editors that complete and check YAML."""
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True, schema_generator=_Generator)}
