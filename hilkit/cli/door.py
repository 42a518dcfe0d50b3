"""Entry of the program: the table of commands, and how every error leaves it."""

from __future__ import annotations

import errno
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress

import click

from hilkit import __version__
from hilkit.cli.texts import exit_codes
from hilkit.errors import ExitCode, HilkitError, UsageError
from hilkit.masking import masked

__all__ = ["Commands", "main", "program"]

TRACEBACK_SWITCH = "HILKIT_TRACEBACK"

_LOST_OUTPUT = (errno.ENOSPC, errno.EIO, errno.EDQUOT)

COMMANDS = {
    "run": "Run a plan on its bench and judge the readings.",
    "rehearse": "Rehearse a plan: simulated counterparts stand in for everything on the bench.",
    "check": "Check files and how they fit together, without touching an instrument.",
    "report": "Write report files again from the record of a run.",
    "explain": "Show how sure one reading is: its uncertainty budget, and what would halve it.",
    "inspect": "Look at a bench: who answers, what is wrong, what to do.",
    "talk": "Send lines to one instrument and show answers and errors.",
    "serve": "Serve a simulated bench as SCPI sockets on this computer.",
    "schema": "Print the JSON Schema of a kind of file, for editors.",
    "manual": "Show a chapter of the manual.",
}
"""Name and summary of each command; the code is ``command`` in the module ``hilkit.cli.NAME_command``."""


class Commands(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command; ``None`` for a name that is not in the table."""
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"hilkit.cli.{cmd_name}_command").command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command of ``args``; a near miss is answered with the name that was meant."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            import difflib

            near = difflib.get_close_matches(name, COMMANDS, n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            raise UsageError(
                f"there is no command {name!r}", next_step=f"{hint}commands: {', '.join(COMMANDS)}"
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table of commands from the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Commands, epilog=exit_codes(), context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="hilkit %(version)s")
def program() -> None:
    """Test a radio on its bench: a YAML plan runs over VISA and ends in verdicts, a JUnit file and a record.

    PLAN, BENCH and PROFILE are paths, or names that are looked up in the lab folder and then in what came
    with hilkit. The lab folder is the nearest one above that holds drivers, sequences, sim_profiles or
    benches.
    """


def main(args: Sequence[str] | None = None) -> None:
    """Run the program and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    code = _code(args)
    try:
        sys.stdout.flush()
    except (OSError, ValueError) as error:
        _turn_away_from_pipe()
        if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
            code = code or _output_lost(error)
    sys.exit(code)


def _code(args: Sequence[str] | None) -> int:
    try:
        result = program.main(
            args=None if args is None else list(args), prog_name="hilkit", standalone_mode=False
        )
        return result if isinstance(result, int) else int(ExitCode.PASSED)
    except HilkitError as error:
        _say(f"hilkit: {error}")
        return int(error.exit_code)
    except click.ClickException as error:
        with suppress(BrokenPipeError):
            error.show()
        return int(ExitCode.USAGE)
    except (click.Abort, KeyboardInterrupt):
        _say("hilkit: interrupted")
        return int(ExitCode.INTERRUPTED)
    except (BrokenPipeError, SystemExit):  # click leaves by SystemExit where the reader of a pipe is gone
        _turn_away_from_pipe()
        return int(ExitCode.PASSED)
    except Exception as error:
        if isinstance(error, OSError) and error.errno in _LOST_OUTPUT and error.filename is None:
            _turn_away_from_pipe()
            return _output_lost(error)
        if os.environ.get(TRACEBACK_SWITCH) == "1":
            raise
        return _defect(error)


def _output_lost(error: OSError) -> int:
    """Say that the place where the output goes takes no more: a full disk, a terminal that is gone."""
    told = f"hilkit: the output cannot be written: {error.strerror or error}"
    _say(f"{told}\n  next: make room, or send it elsewhere")
    return int(ExitCode.BENCH)


def _say(text: str) -> None:
    with suppress(OSError):
        click.echo(masked(text), err=True)


def _turn_away_from_pipe() -> None:
    # The reader is gone; what is still buffered must not raise again while the interpreter ends.
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _defect(error: Exception) -> int:
    """Say in one sentence that the fault is ours; the traceback goes to a file."""
    import tempfile
    import traceback
    from pathlib import Path

    place = "not kept"
    with suppress(OSError):
        folder = Path(tempfile.mkdtemp(prefix="hilkit-"))
        path = folder / "traceback.txt"
        told = masked("".join(traceback.format_exception(error)))
        path.write_text(told, encoding="utf-8")
        place = str(path)
    _say(
        f"hilkit: a defect in hilkit, not in your files: {type(error).__name__}: {error}\n"
        f"  next: send the traceback to the maintainers: {place}"
    )
    return int(ExitCode.BENCH)
