"""The window: the stand, its leaves, drawing. Only this room and the command line put parts together."""

import os

# The library greets on standard output otherwise.
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
