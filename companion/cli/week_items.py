"""What an item of the week sheet puts on the stand: its bars or its exercise, planned with the fingerings it fixes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from companion.cli.opening import Opened

__all__ = ["THIS_WEEK", "with_fingerings"]

#: The reason given for a fingering that the week sheet fixes.
THIS_WEEK = "set for this week"


def with_fingerings(opened: Opened, fingerings: Mapping[str, str], sheet: Path) -> Opened:
    """The passage with the fingerings that a week sheet fixes, by place (`6.4`).

    They win over the mark sheet's, which is as old as the passage: the week sheet is the teacher's latest word. What is
    chosen at the stand goes into the mark sheet, and holds until the passage is opened again. A place that isn't there,
    or a name that the horn has no fingering for, is set aside with a remark.
    """
    if not fingerings:
        return opened
    from companion.cli.opening import unknown_marks
    from companion.planning import all_marks
    from companion.record.marks import Mark, MarkSheet, Place, resolve

    marks = []
    for place, name in fingerings.items():
        bar, _, note = place.rpartition(".")
        marks.append(Mark("fingering", Place(bar.strip(), int(note)), name, why=THIS_WEEK))
    found = resolve(MarkSheet(sheet, tuple(marks)), opened.passage)
    whys = {index: why for index, why in opened.marked.whys.items() if index not in found.fingerings}
    marked = replace(
        opened.marked,
        fingerings=opened.marked.fingerings | found.fingerings,
        whys=whys | found.whys,
    )
    return replace(
        opened,
        marked=marked,
        marks=all_marks(opened.passage, opened.chart, marked.fingerings),
        remarks=(*opened.remarks, *found.remarks, *unknown_marks(found, opened.chart, sheet)),
    )
