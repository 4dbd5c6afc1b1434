"""companion: practice software for saxophone students and their teachers."""

__version__ = "0.1.0"
