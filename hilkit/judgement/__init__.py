"""Limits and the decision whether a reading keeps to them."""

from hilkit.judgement.judge import Judgement, judge, worst
from hilkit.judgement.limit import (
    Limit,
    LimitFile,
    LimitMistake,
    number_text,
    resolve_limit,
)

__all__ = [
    "Judgement",
    "Limit",
    "LimitFile",
    "LimitMistake",
    "judge",
    "number_text",
    "resolve_limit",
    "worst",
]
