"""Somebody at the bench: asked at the terminal, played by the simulated bench, or not there."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from hilkit.errors import Interrupted, UsageError

if TYPE_CHECKING:
    from hilkit.clock import Clock
    from hilkit.plans import Step
    from hilkit.safety import OnPerson, PersonStep
    from hilkit.sim.world import World

__all__ = ["at_terminal", "played_by", "refuse_unattended"]

_LOOK_S = 0.2
_ENDS = ("stop", "s", "quit", "q")


def at_terminal(clock: Clock) -> OnPerson | None:
    """Return what asks at the terminal; ``None`` without one, and under continuous integration.

    ``CI`` in the environment means the latter (common practice, no source).
    """
    if os.environ.get("CI") or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    return lambda step: _ask(step, clock)


def played_by(world: World) -> OnPerson:
    """Return what does on a simulated bench what a person would do, without asking anybody."""

    def move(step: PersonStep) -> None:
        for instrument, plane in step.moves:
            world.connect(instrument, plane)

    return move


def refuse_unattended(steps: Sequence[Step], on_person: OnPerson | None) -> None:
    """Raise ``UsageError`` where a step needs a person and nobody is there, before anything is touched."""
    asking = [step.id for step in steps if step.procedure.asks_person]
    if asking and on_person is None:
        raise UsageError(
            f"{', '.join(asking)} has steps for a person at the bench, and this run is unattended",
            next_step="run it at a terminal (without CI in the environment), with somebody at the bench",
        )


def _ask(step: PersonStep, clock: Clock) -> None:
    text = [f"\nAt the bench: {step.text}.", *(f"  photo: {photo}" for photo in step.photos)]
    click.echo("\n".join(text), err=True)
    while answer := _answer(clock):
        if answer.strip().lower() in _ENDS:
            break
        if not answer.strip():
            return
        click.echo(f"{answer.strip()!r} is neither Enter nor `stop`.", err=True)
    raise Interrupted(f"stopped by the person at the bench, asked to {step.text}")


def _answer(clock: Clock) -> str:
    """Return the line that is typed, with its end; empty where the terminal is gone."""
    told = "RF of radio and generator is off. Enter when done, `stop` to end the run: "
    click.echo(told, nl=False, err=True)
    answers: list[str] = []
    # The answer is read beside the clock: a signal only sets a flag, which the clock looks at.
    reader = threading.Thread(target=lambda: answers.append(sys.stdin.readline()), daemon=True)
    reader.start()
    while reader.is_alive():
        clock.sleep(_LOOK_S)
    return answers[0] if answers else ""
