"""What of a file is sound although other parts of it are not, so that the rest can still be looked at."""

from __future__ import annotations

import json
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from hilkit.errors import FileProblems, Problem
from hilkit.files.document import Document
from hilkit.files.validation import validate

__all__ = ["sound_parts"]

M = TypeVar("M", bound=BaseModel)


def sound_parts(document: Document, model: type[M]) -> tuple[M, list[Problem]]:
    """Return a document as a model, and its mistakes.

    Where there are mistakes the model was put together of the keys that are sound, and of the sound entries
    of a mapping; a key that is not, or that is missing, has its default, or ``None`` if it has none. Only for
    looking for further mistakes. ``FileProblems`` where the file is no mapping at all.
    """
    try:
        return validate(document, model), []
    except FileProblems as error:
        if not isinstance(document.data, dict):
            raise
        problems = list(error.problems)
    found: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in document.data:
            found |= _sound(name, field.annotation, document.data[key])
    missing = {
        name: None for name, field in model.model_fields.items() if name not in found and field.is_required()
    }
    return model.model_construct(_fields_set=set(found), **found, **missing), problems


def _sound(name: str, kind: Any, data: Any) -> dict[str, Any]:
    """Return the value of a field under its name, or nothing; of a mapping the entries that are sound."""
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    try:
        return {name: _value(adapter, data)}
    except ValidationError:
        if not isinstance(data, dict):
            return {}
    entries: dict[str, Any] = {}
    for key, value in data.items():
        try:
            one = _value(adapter, {key: value})
        except ValidationError:
            continue
        if not isinstance(one, dict):
            return {}
        entries |= one
    return {name: entries} if entries else {}


def _value(adapter: TypeAdapter[Any], data: Any) -> Any:
    return adapter.validate_json(json.dumps(data, default=str), strict=True)
