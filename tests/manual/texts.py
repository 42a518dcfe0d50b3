"""The messages in the source of hilkit, as templates: `…` stands for what is filled in."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import hilkit.errors

__all__ = ["ERROR_CLASSES", "all_texts", "normal", "raised_texts"]

ERROR_CLASSES: dict[str, type[hilkit.errors.HilkitError]] = {
    name: found
    for name, found in vars(hilkit.errors).items()
    if isinstance(found, type) and issubclass(found, hilkit.errors.HilkitError)
}

_ROOT = Path(str(files("hilkit")))


def normal(text: str) -> str:
    """Return a text in which neither layout nor what is filled in counts."""
    text = re.sub(r"\s+", " ", text.replace("`", "").replace("\\|", "|")).strip()
    return re.sub(r"…(?:[^\w(]*…)*", "…", text)


def _trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(_ROOT.rglob("*.py")):
        yield str(path.relative_to(_ROOT)), ast.parse(path.read_text(encoding="utf-8"))


def _text(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else ""
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) if isinstance(part, ast.Constant) else "…" for part in node.values)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return f"{_text(node.left)}…"
    return ""


def _listed_classes() -> set[str]:
    """Return the names of all classes that come from one of hilkit's errors, in whatever module.

    Those that are a ``ValueError`` too are left out: they are about a value in a file, which is told at its
    place, or about an argument from Python.
    """
    known = set(ERROR_CLASSES) - {"FileProblems"}
    for _, tree in list(_trees()) * 2:
        for node in ast.walk(tree):
            bases = (
                {getattr(base, "id", "") for base in node.bases} if isinstance(node, ast.ClassDef) else set()
            )
            if isinstance(node, ast.ClassDef) and known & bases and "ValueError" not in bases:
                known.add(node.name)
    return known


def raised_texts() -> dict[str, str]:
    """Return the message of every error that is made in the source, with the place where that is."""
    names = _listed_classes()
    found: dict[str, str] = {}
    for path, tree in _trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in names and node.args:
                text = normal(_text(node.args[0]))
                if re.search(r"\w", text):
                    found.setdefault(text, f"{path}:{node.lineno}")
    return found


def all_texts() -> set[str]:
    """Return every text in the source, be it a message or not."""
    return {
        normal(_text(node))
        for _, tree in _trees()
        for node in ast.walk(tree)
        if isinstance(node, (ast.Constant, ast.JoinedStr))
    }
