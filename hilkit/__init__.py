"""hilkit: hardware-in-the-loop test automation for radio benches."""

__version__ = "0.1.0"
