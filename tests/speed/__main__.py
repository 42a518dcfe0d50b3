"""``python -m tests.speed [--quick] [NAME...]``."""

from __future__ import annotations

import argparse
import platform
import sys

from tests.speed import modulation, night, power_sweep, startup, swept, synthesis

BENCHMARKS = {
    "startup": startup.figures,
    "night": night.figures,
    "power_sweep": power_sweep.figures,
    "synthesis": synthesis.figures,
    "swept": swept.figures,
    "modulation": modulation.figures,
}


def main() -> None:
    """Run the benchmarks that are named, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="few repetitions: to see that it runs, not how fast"
    )
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"of {', '.join(BENCHMARKS)}; all if left out"
    )
    chosen = parser.parse_args()
    if unknown := set(chosen.names) - set(BENCHMARKS):
        parser.error(f"there is no {', '.join(sorted(unknown))}; there are {', '.join(BENCHMARKS)}")
    print(f"Python {platform.python_version()} on {platform.system()} {platform.machine()}")
    for name in chosen.names or BENCHMARKS:
        print(name, flush=True)
        for figure in BENCHMARKS[name](quick=chosen.quick):
            print(figure, flush=True)


if __name__ == "__main__":
    sys.exit(main())
