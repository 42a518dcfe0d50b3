"""``python -m hilkit.safety.watchdog``: started by a run, never by hand."""

import os

from hilkit.safety.watchdog.process import main

if __name__ == "__main__":
    # Not by way of the end of the interpreter: one thread reads standard input, another may hang on a link.
    # Not by the interpreter's own end: a thread may still hang on a link, and one reads standard input.
    os._exit(main())
