"""Practice material out of a passage. Each exercise is a passage of its own."""

from companion.exercises.registry import REGISTRY, Exercise

__all__ = ["REGISTRY", "Exercise"]
