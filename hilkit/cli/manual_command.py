"""``hilkit manual``."""

from __future__ import annotations

import sys
from importlib.resources import files

import click

from hilkit.errors import UsageError

__all__ = ["chapters", "command"]


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
    name = topic.lower().replace("-", "_").removesuffix(".md")
    if name not in found:
        import difflib

        near = difflib.get_close_matches(name, found, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise UsageError(
            f"the manual has no chapter {topic!r}", next_step=f"{hint}chapters: {', '.join(found)}"
        )
    _show(found[name], plain=plain or not sys.stdout.isatty())


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
    from rich.markdown import Markdown

    Console().print(Markdown(text, code_theme="ansi_dark"))
