"""The window: the stand, its leaves, drawing. Only this room and the command line put parts together."""

import os

# The library greets on standard output otherwise.
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
# Hand pixels to the window system directly, only those that changed: by way of a texture, as SDL would have it, a
# software renderer sends the whole window each time (4K: 80 ms instead of 14, and 180 MB more). Where there is no
# direct way SDL ignores this.
os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
