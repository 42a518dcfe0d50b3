"""Which kind of file a file is, by keys that no other kind has."""

from __future__ import annotations

from hilkit.errors import FileProblems
from hilkit.files.document import Document
from hilkit.files.places import Kind

__all__ = ["refuse_other"]

# A plan names a bench too, so its steps tell it; a bench its instruments.
_TELLING: dict[Kind, str] = {
    "plan": "steps",
    "bench": "instruments",
    "driver": "instrument_class",
    "profile": "profile",
}


def refuse_other(document: Document, wanted: Kind) -> None:
    """``FileProblems`` with one mistake for a file that is plainly of another kind than ``wanted``."""
    keys = document.data if isinstance(document.data, dict) else {}
    if _TELLING[wanted] in keys:
        return
    for kind, key in _TELLING.items():
        if key in keys:
            problem = document.problem(
                (key,),
                f"this is a {kind} file; a {wanted} is needed here",
                seen=key,
                next_step=f"name a {wanted}, or check this file with hilkit check",
                at_key=True,
            )
            raise FileProblems([problem])
