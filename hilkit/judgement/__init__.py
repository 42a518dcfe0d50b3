"""Uncertainty, limits, and the decision whether a reading keeps to them."""

from hilkit.judgement.correlation import correlate, difference
from hilkit.judgement.coverage import (
    numerical_tolerance,
    student_factor,
    trapezoid_factor,
    welch_satterthwaite,
)
from hilkit.judgement.decision import (
    Decision,
    DecisionRule,
    Rule,
    check_guard_band,
    decide,
    percent_text,
)
from hilkit.judgement.judge import SIMPLE_ACCEPTANCE, Judgement, judge, worst
from hilkit.judgement.law import Linearised, law_of_propagation
from hilkit.judgement.limit import Limit, LimitFile, Reference
from hilkit.judgement.mask import Mask, MaskPoint, number_text
from hilkit.judgement.mismatch import (
    Knowledge,
    Reflection,
    mismatch_correction_db,
    mismatch_limits_db,
    mismatch_line,
)
from hilkit.judgement.montecarlo import Propagated, propagate
from hilkit.judgement.relative import distance_from, other_reading
from hilkit.judgement.resolve import LimitMistake, resolve_limit
from hilkit.judgement.self_checks import SELF_CHECKS, Doubts, SelfCheck, doubts, not_available
from hilkit.judgement.stated import Comparison, StatedDecision, StatedUncertainty
from hilkit.judgement.uncertainty import Uncertainty, combine
from hilkit.readings.budget import UncertaintyError

__all__ = [
    "SELF_CHECKS",
    "SIMPLE_ACCEPTANCE",
    "Comparison",
    "Decision",
    "DecisionRule",
    "Doubts",
    "Judgement",
    "Knowledge",
    "Limit",
    "LimitFile",
    "LimitMistake",
    "Linearised",
    "Mask",
    "MaskPoint",
    "Propagated",
    "Reference",
    "Reflection",
    "Rule",
    "SelfCheck",
    "StatedDecision",
    "StatedUncertainty",
    "Uncertainty",
    "UncertaintyError",
    "check_guard_band",
    "combine",
    "correlate",
    "decide",
    "difference",
    "distance_from",
    "doubts",
    "judge",
    "law_of_propagation",
    "mismatch_correction_db",
    "mismatch_limits_db",
    "mismatch_line",
    "not_available",
    "number_text",
    "numerical_tolerance",
    "other_reading",
    "percent_text",
    "propagate",
    "resolve_limit",
    "student_factor",
    "trapezoid_factor",
    "welch_satterthwaite",
    "worst",
]
