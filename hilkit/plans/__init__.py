"""The plan file: read, expanded, checked against a bench."""

from hilkit.plans.bench_file import bench_file
from hilkit.plans.fit import check_fit
from hilkit.plans.load import load_plan
from hilkit.plans.plan import Combination, Plan, PlanFile, Step, plan_hash, step_content, step_hash
from hilkit.plans.power import NodePower, power_budget
from hilkit.plans.schema import plan_schema

__all__ = [
    "Combination",
    "NodePower",
    "Plan",
    "PlanFile",
    "Step",
    "bench_file",
    "check_fit",
    "load_plan",
    "plan_hash",
    "plan_schema",
    "power_budget",
    "step_content",
    "step_hash",
]
