"""``hilkit schema``."""

from __future__ import annotations

import json
from typing import Any

import click

__all__ = ["KINDS", "command", "schema_of"]

KINDS = ("bench", "plan", "driver", "profile")


@click.command("schema")
@click.argument("kind", metavar="KIND", type=click.Choice(KINDS))
def command(kind: str) -> None:
    """Print the JSON Schema of a kind of file: bench, plan, driver or profile.

    Save it and name it in the editor's settings for completion and marks while you type.
    """
    click.echo(json.dumps(schema_of(kind), indent=2, ensure_ascii=False))


def schema_of(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind of file."""
    from hilkit.files import schema

    if kind == "plan":
        from hilkit.plans import plan_schema

        return plan_schema()
    if kind == "bench":
        from hilkit.bench import BenchFile

        return schema(BenchFile)
    if kind == "driver":
        from hilkit.instruments import DriverFile

        return schema(DriverFile)
    from hilkit.sim.profile import ProfileFile

    return schema(ProfileFile)
