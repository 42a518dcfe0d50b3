"""Benchmarks that print and judge nothing: ``python -m tests.speed`` from the root of the checkout.

Figures that have to be compared are measured side by side, one after the other and again, so that what else
runs on the machine weighs on both. A target stands beside a figure for the reader; no exit code depends on
it.
"""
