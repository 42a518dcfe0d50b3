"""Files that a person writes: read with their places, checked against a model, found in the lab folder."""

from hilkit.files.document import Document, Loc, load, loads
from hilkit.files.model import FileModel, Mistake, schema
from hilkit.files.places import Kind, Lab, PlaceError, library
from hilkit.files.scalars import Plain, ScalarError, scalar
from hilkit.files.shapes import near
from hilkit.files.validation import collect, validate

__all__ = [
    "Document",
    "FileModel",
    "Kind",
    "Lab",
    "Loc",
    "Mistake",
    "PlaceError",
    "Plain",
    "ScalarError",
    "collect",
    "library",
    "load",
    "loads",
    "near",
    "scalar",
    "schema",
    "validate",
]
