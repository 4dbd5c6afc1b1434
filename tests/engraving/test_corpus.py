"""Real scores, read and engraved: every note of the passage finds its head, every bar its box, nothing is cut off."""

from __future__ import annotations

import io
import random
from pathlib import Path

import music21
import pytest
from PIL import Image

from companion import scores
from companion.engraving import EngravingRequest, engrave
from companion.errors import EngravingError, ScoreError

WANTED = 60
#: A scanned score may hang all its words on one note: such a pile is cut after 40 staff spaces of 8 px.
TALLEST_PX = 40 * 8
pytestmark = pytest.mark.corpus


def test_real_scores_are_engraved_whole() -> None:
    folder = Path(music21.__file__).parent / "corpus"
    files = sorted(file for file in folder.rglob("*") if file.suffix in (".xml", ".musicxml", ".mxl"))
    files = [file for file in files if file.stat().st_size < 80_000]
    random.Random(4).shuffle(files)
    done, faults = 0, []
    for file in files:
        if done == WANTED:
            break
        try:
            passage = scores.read(file, part="P1")
            musicxml = scores.for_engraving(passage)
        except ScoreError:
            continue
        if len(passage.notes) > 800:
            continue
        done += 1
        try:
            engraved = engrave(EngravingRequest(musicxml, 790, 30))
        except EngravingError as error:
            faults.append(f"{file.name}: {error}")
            continue
        heads = [note for system in engraved.systems for note in system.heads]
        wanted = {f"n{i}" for note in passage.notes for i in (note.source, *note.tied_sources)}
        bars = [bar for system in engraved.systems for bar in system.bars]
        if len(heads) != len(set(heads)) or wanted - set(heads):
            faults.append(f"{file.name}: heads {sorted(wanted - set(heads))[:5]} missing")
        if {bar.written_index for bar in passage.bars} - set(bars):
            faults.append(f"{file.name}: bars missing")
        for number, system in enumerate(engraved.systems):
            if system.height_px > TALLEST_PX:
                continue
            mask = Image.open(io.BytesIO(system.png)).getchannel("A")
            inner = mask.crop((1, 1, mask.width - 1, mask.height - 1))
            if mask.getbbox() is None or sum(mask.histogram()[1:]) != sum(inner.histogram()[1:]):
                faults.append(f"{file.name}: system {number} touches the edge")
    assert done == WANTED
    assert not faults, "\n".join(faults)
