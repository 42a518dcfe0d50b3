"""``python -m hilkit.safety.watchdog``: started by a run, never by hand."""

import os

from hilkit.safety.watchdog.process import main

if __name__ == "__main__":
    # Not by way of the interpreter's own end: a thread may still hang on a link, and one reads standard input.
    os._exit(main())
