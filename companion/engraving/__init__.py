"""Engraving: a MusicXML document as pictures of its systems, laid out and drawn in a process of its own.

`Engraver` is for the window: it never waits. `engrave` waits for the whole.
"""

from companion.engraving.engraver import Engraver, engrave
from companion.engraving.model import Box, Engraved, EngravingRequest, Progress, System

__all__ = ["Box", "Engraved", "Engraver", "EngravingRequest", "Progress", "System", "engrave"]
