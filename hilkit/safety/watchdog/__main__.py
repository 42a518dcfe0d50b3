"""``python -m hilkit.safety.watchdog``: started by a run, never by hand."""

import sys

from hilkit.safety.watchdog.process import main

if __name__ == "__main__":
    sys.exit(main())
