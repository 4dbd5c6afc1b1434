"""What stands for a sign where an output has letters only: nothing that is told apart may look the same."""

from __future__ import annotations

import pytest
from practice.made import passage

from companion.plain import plain_ascii
from companion.practice.metronome import counted_note
from companion.record.text import LEGEND


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Étude in B♭, C♯5 and B♮", "Etude in Bb, C#5 and B natural"),
        ("bars 5–8, ×2 …", "bars 5-8, x2 ..."),
        ("1¼", "1 1/4"),
        ("58 · –◇", "58 . -P"),
        ("9 ± 2 ms", "9 +/- 2 ms"),
        ("曲", "?"),
    ],
)
def test_signs_in_plain_letters(text: str, plain: str) -> None:
    assert plain_ascii(text) == plain


@pytest.mark.parametrize(("metre", "plain"), [((6, 8), "quarter. = 56"), ((3, 8), "eighth = 168")])
def test_a_metronome_mark_names_its_note(metre: tuple[int, int], plain: str) -> None:
    bar = passage("C5:3/2 " * 2, metre=metre).bars[0]
    assert plain_ascii(counted_note(bar).mark(84)) == plain


def test_no_sign_of_the_weeks_legend_is_lost() -> None:
    assert "?" not in plain_ascii(LEGEND)
