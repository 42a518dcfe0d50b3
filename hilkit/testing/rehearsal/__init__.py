"""Rehearsal: a plan runs on the user's own bench file, with a simulated counterpart behind every dialect."""

from hilkit.testing.rehearsal.bench import Stage, stage
from hilkit.testing.rehearsal.play import Rehearsal, rehearse, would_be_told

__all__ = ["Rehearsal", "Stage", "rehearse", "stage", "would_be_told"]
