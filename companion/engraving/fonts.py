"""The fonts that come along: one serif family for all text, one SMuFL font for musical signs.

Companion Serif is Libertinus Serif with accidentals in every face; it holds ♭ ♮ ♯ ♩ ♪ – − → ← ↑ ↓ … × ±, Latin, Greek
and Cyrillic. Companion Music is Verovio's own music font (SMuFL code points): a metronome's note is
`METRONOME_NOTES["quarter"]`. What was changed stands in `make_fonts`; the licences lie beside the files.
"""

from __future__ import annotations

from pathlib import Path

__all__ = [
    "ADVANCES",
    "FOLDER",
    "METRONOME_NOTES",
    "MUSIC",
    "MUSIC_FAMILY",
    "TEXT_BOLD",
    "TEXT_BOLD_ITALIC",
    "TEXT_FAMILY",
    "TEXT_ITALIC",
    "TEXT_REGULAR",
]

FOLDER = Path(__file__).resolve().parent / "fonts"
TEXT_FAMILY = "Companion Serif"
TEXT_REGULAR = FOLDER / "CompanionSerif-Regular.otf"
TEXT_ITALIC = FOLDER / "CompanionSerif-Italic.otf"
TEXT_BOLD = FOLDER / "CompanionSerif-Bold.otf"
TEXT_BOLD_ITALIC = FOLDER / "CompanionSerif-BoldItalic.otf"
MUSIC_FAMILY = "Companion Music"
MUSIC = FOLDER / "CompanionMusic.ttf"
ADVANCES = FOLDER / "advances.json"

#: SMuFL 1.4, "Metronome marks": beat unit -> character of `MUSIC` (a dot is `METRONOME_NOTES["dot"]`)
METRONOME_NOTES = {
    "whole": "\ueca2",
    "half": "\ueca3",
    "quarter": "\ueca5",
    "eighth": "\ueca7",
    "16th": "\ueca9",
    "32nd": "\uecab",
    "dot": "\uecb7",
}
