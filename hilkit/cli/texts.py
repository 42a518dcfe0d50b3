"""Texts of the command line that more than one place shows."""

from __future__ import annotations

from hilkit.errors import ExitCode

__all__ = ["RF_CAUTION", "exit_codes"]

RF_CAUTION = (
    "caution: conducted test. RF power burns and can exceed exposure limits: end every port in a rated load "
    "or attenuator before RF comes on, and connect or disconnect only with RF off. Radiating needs a "
    "licence. Local rules and qualified people decide."
)


def exit_codes() -> str:
    """Return the list of exit codes for the end of a help page."""
    lines = [f"  {int(code):>3}  {code.meaning}" for code in ExitCode]
    return "\n".join(["\b", "Exit codes:", *lines])
