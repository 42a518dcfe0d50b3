"""``hilkit manual``."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from importlib.resources import files
from typing import Any, ClassVar

import click

from hilkit.errors import UsageError

__all__ = ["chapter", "chapters", "command", "page"]


@click.command("manual")
@click.argument("topic", required=False)
@click.option("--plain", is_flag=True, help="The text as it is, also on a terminal.")
def command(topic: str | None, plain: bool) -> None:
    """Show the chapter TOPIC of the manual, or the list of chapters."""
    found = chapters()
    if topic is None:
        width = max((len(name) for name in found), default=0)
        click.echo("Chapters, shown by 'hilkit manual TOPIC':")
        for name, text in found.items():
            click.echo(f"  {name.ljust(width)}  {_title(text)}")
        return
    _show(found[chapter(topic, found)], plain=plain or not sys.stdout.isatty())


def chapter(topic: str, known: Iterable[str]) -> str:
    """Return the chapter that a person means: its name, the name of a kind of file, or a beginning.

    ``UsageError`` where that is none, or more than one.
    """
    names = list(known)
    name = topic.lower().replace("-", "_").removesuffix(".md")
    for meant in (name, f"{name}_file"):
        if meant in names:
            return meant
    begun = [each for each in names if name and each.startswith(name)]
    if len(begun) == 1:
        return begun[0]
    import difflib

    near = begun or difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    raise UsageError(f"the manual has no chapter {topic!r}", next_step=f"{hint}chapters: {', '.join(names)}")


def chapters() -> dict[str, str]:
    """Return the text of every chapter by name, in alphabetical order."""
    folder = files("hilkit") / "manual"
    found = [item for item in folder.iterdir() if item.name.endswith(".md")] if folder.is_dir() else []
    return {
        item.name.removesuffix(".md"): item.read_text(encoding="utf-8")
        for item in sorted(found, key=lambda item: item.name)
    }


def _title(text: str) -> str:
    return next((line.lstrip("# ") for line in text.splitlines() if line.startswith("#")), "")


def _show(text: str, *, plain: bool) -> None:
    if plain:
        click.echo(text.rstrip())
        return
    from rich.console import Console

    Console().print(page(text))


def page(text: str) -> Any:
    """Return a chapter laid out for a terminal of any width, in whose tables nothing is cut off."""
    from rich.markdown import Markdown, TableElement
    from rich.table import Table

    class Whole(TableElement):
        """A table in which names stay in one piece and long words are broken rather than shortened."""

        def __rich_console__(self, console: Any, options: Any) -> Iterator[Any]:
            for table in super().__rich_console__(console, options):
                if isinstance(table, Table):
                    for column in table.columns:
                        column.overflow = "fold"
                    table.columns[0].no_wrap = all(" " not in str(cell) for cell in table.columns[0].cells)
                yield table

    class Page(Markdown):
        elements: ClassVar = {**Markdown.elements, "table_open": Whole}

    return Page(text, code_theme="ansi_dark")
