"""Which fingering for every note: effort, rules, planner, reasons."""

from companion.planning.effort import Effort, Reckoning, change_seconds, reckoning
from companion.planning.model import Choice, Plan, RunnerUp
from companion.planning.motion import TERMS
from companion.planning.planner import plan
from companion.planning.printed import page_marks, printed_texts
from companion.planning.rules import RULES, Rule
from companion.planning.steps import all_marks, printed_marks

__all__ = [
    "RULES", "TERMS", "Choice", "Effort", "Plan", "Reckoning", "Rule", "RunnerUp", "all_marks", "change_seconds",
    "page_marks", "plan", "printed_marks", "printed_texts", "reckoning",
]  # fmt: skip
