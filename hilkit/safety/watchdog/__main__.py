"""``python -m hilkit.safety.watchdog``: started by a run, never by hand."""

import os

from hilkit.safety.watchdog.process import main

if __name__ == "__main__":
    # Not by way of the end of the interpreter: one thread reads standard input, another may hang on a link.
    os._exit(main())
