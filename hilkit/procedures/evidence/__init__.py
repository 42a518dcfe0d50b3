"""What a procedure does to find out whether its own readings can be believed."""

from hilkit.procedures.evidence.attenuation import attenuation_check
from hilkit.procedures.evidence.drive import drive_check
from hilkit.procedures.evidence.floor import floor_check
from hilkit.procedures.evidence.lines import checked
from hilkit.procedures.evidence.origin import place_checks, residual_checks
from hilkit.procedures.evidence.state import References, drift_check, settled_check

__all__ = [
    "References",
    "attenuation_check",
    "checked",
    "drift_check",
    "drive_check",
    "floor_check",
    "place_checks",
    "residual_checks",
    "settled_check",
]
