"""The command line: a thin door.

``hilkit --help`` loads nothing but click and this package: each command is found in a table and imported when
it is called, and imports what it needs inside its function.
"""

from hilkit.cli.door import main

__all__ = ["main"]
