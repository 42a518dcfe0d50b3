"""What people and servers read: functions of a record, and a listener that shows a run at work."""

from hilkit.reports.blocks import summary_block, with_farewell
from hilkit.reports.budget import choices_block, explanation_block
from hilkit.reports.console import Console, PlainScreen, Screen, TerminalScreen, screen_for, show_run
from hilkit.reports.inspection import inspection_block
from hilkit.reports.junit import junit_tree, write_junit
from hilkit.reports.lines import Line, visible, wrapped
from hilkit.reports.power import power_block
from hilkit.reports.rehearsal import rehearsal_block, rehearsal_line

__all__ = [
    "Console",
    "Line",
    "PlainScreen",
    "Screen",
    "TerminalScreen",
    "choices_block",
    "explanation_block",
    "inspection_block",
    "junit_tree",
    "power_block",
    "rehearsal_block",
    "rehearsal_line",
    "screen_for",
    "show_run",
    "summary_block",
    "visible",
    "with_farewell",
    "wrapped",
    "write_junit",
]
