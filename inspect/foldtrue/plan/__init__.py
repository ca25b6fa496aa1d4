"""Plans: read them, fold them, and know what a perfect piece looks like."""

from foldtrue.plan.file import Plan, read_plan, write_plan
from foldtrue.plan.fold import fold_plan

__all__ = ["Plan", "fold_plan", "read_plan", "write_plan"]
