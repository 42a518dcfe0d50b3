"""What a model allows at a path: read from its JSON Schema, for the hints in messages."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from pydantic import BaseModel
from pydantic.errors import PydanticInvalidForJsonSchema

from hilkit.files.model import schema

__all__ = ["Shapes", "near", "shapes_of"]

Schema = dict[str, Any]
Path = Sequence[str | int]
Chosen = Sequence[tuple[int, str]]


def near(seen: str, allowed: Iterable[str]) -> str:
    """Return the allowed word that was most likely meant, empty if none is near."""
    words = {_folded(word): word for word in allowed}
    if _folded(seen) in words:
        return words[_folded(seen)]
    found = difflib.get_close_matches(_folded(seen), words, n=1, cutoff=0.6)
    return words[found[0]] if found else ""


def _folded(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")


class Shapes:
    """Questions about a JSON Schema."""

    def __init__(self, root: Schema) -> None:
        self._root = root

    def at(self, path: Path, data: Any, chosen: Chosen = ()) -> list[Schema]:
        """Return the alternatives that the model allows at a path into ``data``.

        ``chosen`` names the model, where it is known, at each length of the path where there is a choice.
        """
        here = _named(self._expand(self._root, data), 0, chosen)
        for length, part in enumerate(path, start=1):
            data = _part(data, part)
            found = [inner for outer in here for inner in self._inside(outer, part, data)]
            here = _named(found, length, chosen)
        return here

    def keys(self, path: Path, data: Any, chosen: Chosen = ()) -> list[str]:
        """Return the keys that a mapping at a path may have: those of the alternative that fits best."""
        present = _at(data, path)
        models = [shape["properties"] for shape in self.at(path, data, chosen) if "properties" in shape]
        if not models:
            return []
        present_keys = set(present) if isinstance(present, dict) else set()
        return list(max(models, key=lambda properties: len(present_keys & set(properties))))

    def words(self, path: Path, data: Any, chosen: Chosen = ()) -> list[str]:
        """Return the values of a closed list at a path, empty if there is none."""
        shapes = self.at(path, data, chosen)
        return [
            str(word) for shape in shapes for word in [*shape.get("enum", ()), *_listed(shape.get("const"))]
        ]

    def tags(self, path: Path, data: Any) -> list[str]:
        """Return the values of the key that tells the alternatives at a path apart."""
        found = [tag for shape in self._raw(path, data, ()) for tag in _tags(shape)]
        return list(dict.fromkeys(found))

    def describe(self, path: Path, data: Any, chosen: Chosen = ()) -> str:
        """Return in words what may stand at a path, as far as the model says so."""
        texts = [shape.get("description") or _kind(shape) for shape in self._raw(path, data, chosen)]
        if not any(texts):
            texts = [shape.get("description") or _kind(shape) for shape in self.at(path, data, chosen)]
        return " or ".join(dict.fromkeys(" ".join(text.split()) for text in texts if text))

    def example(self, path: Path, data: Any, chosen: Chosen = ()) -> str:
        """Return an example of what may stand at a path, empty if the model has none."""
        examples = [str(one) for shape in self.at(path, data, chosen) for one in shape.get("examples", ())]
        return examples[0] if examples else ""

    def _raw(self, path: Path, data: Any, chosen: Chosen) -> list[Schema]:
        """Return the schemas at a path before references and alternatives are followed."""
        if not path:
            return [self._root]
        outside = self.at(path[:-1], data, chosen)
        return [inner for outer in outside for inner in self._members(outer, path[-1])]

    def _inside(self, outer: Schema, part: str | int, data: Any) -> list[Schema]:
        return [shape for inner in self._members(outer, part) for shape in self._expand(inner, data)]

    def _members(self, outer: Schema, part: str | int) -> list[Schema]:
        if isinstance(part, int) and ("items" in outer or "prefixItems" in outer):
            fixed = outer.get("prefixItems", [])
            inner = fixed[part] if part < len(fixed) else outer.get("items")
        elif str(part) in outer.get("properties", {}):
            inner = outer["properties"][str(part)]
        else:
            patterns = list(outer.get("patternProperties", {}).values())
            inner = outer.get("additionalProperties") or (patterns[0] if patterns else None)
        return [inner] if isinstance(inner, dict) else []

    def _expand(self, shape: Schema, data: Any) -> list[Schema]:
        if "$ref" in shape:
            target: Any = self._root
            for part in shape["$ref"].removeprefix("#/").split("/"):
                target = target[part]
            own = {key: value for key, value in shape.items() if key != "$ref"}
            return [{**one, **own} for one in self._expand(target, data)]
        branches = shape.get("anyOf") or shape.get("oneOf") or shape.get("allOf")
        if not branches:
            return [shape]
        found = [one for branch in branches for one in self._expand(branch, data)]
        fitting = [one for one in found if _fits(one, data)]
        return fitting or found


@lru_cache(maxsize=128)
def shapes_of(model: type[BaseModel] | None) -> Shapes:
    """Return the questions about a model; about nothing where it cannot be written as a schema."""
    try:
        return Shapes(schema(model) if model else {})
    except PydanticInvalidForJsonSchema:
        return Shapes({})


def _named(shapes: list[Schema], length: int, chosen: Chosen) -> list[Schema]:
    names = {name for at, name in chosen if at == length}
    return [shape for shape in shapes if shape.get("title") in names] or shapes


def _tags(shape: Schema) -> list[str]:
    own = list(shape.get("discriminator", {}).get("mapping", ()))
    return own + [tag for key in ("anyOf", "oneOf") for branch in shape.get(key, ()) for tag in _tags(branch)]


def _part(data: Any, part: str | int) -> Any:
    if isinstance(data, dict):
        return data.get(str(part))
    if isinstance(data, list) and isinstance(part, int) and 0 <= part < len(data):
        return data[part]
    return None


def _at(data: Any, path: Sequence[str | int]) -> Any:
    for part in path:
        data = _part(data, part)
    return data


def _fits(shape: Schema, data: Any) -> bool:
    """Return whether data has the right form and the words that mark this alternative."""
    if shape.get("type") == "null":
        return data is None
    if isinstance(data, dict):
        marks = [(key, one["const"]) for key, one in shape.get("properties", {}).items() if "const" in one]
        right_form = shape.get("type", "object") == "object"
        return bool(right_form and all(data.get(key, mark) == mark for key, mark in marks))
    if isinstance(data, list):
        return bool(shape.get("type", "array") == "array")
    return shape.get("type") not in ("object", "array")


def _listed(value: Any) -> list[Any]:
    return [] if value is None else [value]


def _kind(shape: Schema) -> str:
    if "enum" in shape:
        return ", ".join(map(str, shape["enum"]))
    if "const" in shape:
        return str(shape["const"])
    return {
        "string": "a text",
        "integer": "a whole number",
        "number": "a number",
        "boolean": "true or false",
        "array": "a list",
        "object": "keys with values",
    }.get(shape.get("type", ""), "")
