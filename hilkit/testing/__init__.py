"""For people who write drivers and procedures: a simulated bench to try them on, and checks to pass."""

from hilkit.testing.bench import BenchOnTest, simulated_bench
from hilkit.testing.conformance import check_analyser, check_procedure

__all__ = ["BenchOnTest", "check_analyser", "check_procedure", "simulated_bench"]
