"""The player's own layout as a file: read, written, and refused with every fault at its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.errors import PortError
from companion.ports.keys_file import load_layout, save_layout
from companion.ports.keys_layout import USUAL, KeysLayout


def write(folder: Path, text: str) -> None:
    (folder / "keys.toml").write_text(text, encoding="utf-8")


def test_without_a_file_the_keys_are_the_usual_ones(tmp_path: Path) -> None:
    assert load_layout(tmp_path).places == USUAL


def test_what_is_written_is_read_again_and_the_file_before_is_kept(tmp_path: Path) -> None:
    first = KeysLayout({**USUAL, "breath": "RightCtrl"})
    second = KeysLayout({**USUAL, "octave": "C"})
    save_layout(first, tmp_path / "new")
    assert load_layout(tmp_path / "new").places == first.places
    before = (tmp_path / "new" / "keys.toml").read_bytes()
    save_layout(second, tmp_path / "new")
    assert load_layout(tmp_path / "new").places == second.places
    assert (tmp_path / "new" / "keys.toml.before").read_bytes() == before
    assert {p.name for p in (tmp_path / "new").iterdir()} == {"keys.toml", "keys.toml.before"}


def test_a_few_keys_may_be_given_and_spelled_freely(tmp_path: Path) -> None:
    write(tmp_path, 'format = 1\n[keys]\nbreath = "right ctrl"\noctave = "c"\n')
    layout = load_layout(tmp_path)
    assert layout.places == {**USUAL, "breath": "RightCtrl", "octave": "C"}
    assert layout.function_at("C") == "octave" and layout.function_at("Space") is None


def test_every_fault_is_named_at_its_line(tmp_path: Path) -> None:
    write(tmp_path, 'format = 1\n\n[keys]\nl1 = "Fx"\nl9 = "Q"\noctave = "Escape"\nr1 = "K"\nr3 = 7\n')
    with pytest.raises(PortError) as raised:
        load_layout(tmp_path)
    message = str(raised.value)
    assert "\n" not in message
    parts = (
        'line 4: l1: no key is called "Fx"',
        'line 5: "l9" is no key of a horn',
        "line 6: octave: Escape is never part of the horn",
        "line 7: K stands for r1 and r2: each needs a key of its own (r2 is there unless",
        'line 8: r3: no key is called "7"',
        "delete it for the usual keys",
    )
    for part in parts:
        assert part in message, part


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "format should be 1"),
        ("format = true\n[keys]\n", "line 1: format should be 1"),
        ('format = 1\nkeys = "no"\n', "line 2: [keys] should be a table"),
        ('format = 1\n[horn]\nl1 = "F"\n', 'line 2: "horn" is not known here'),
        ("format = 1\n[keys\n", "is not valid TOML"),
        ("a = " + "[" * 20_000, "is not valid TOML"),
        ("#" * 200_000, "is over 100 kB"),
    ],
)
def test_junk_is_refused_in_one_line(tmp_path: Path, text: str, part: str) -> None:
    write(tmp_path, text)
    with pytest.raises(PortError) as raised:
        load_layout(tmp_path)
    assert part in str(raised.value) and "\n" not in str(raised.value)


def test_a_file_of_bytes_and_a_folder_in_its_place_are_said(tmp_path: Path) -> None:
    (tmp_path / "keys.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PortError, match="not UTF-8 text"):
        load_layout(tmp_path)
    (tmp_path / "x" / "keys.toml").mkdir(parents=True)
    with pytest.raises(PortError, match="can't be read"):
        load_layout(tmp_path / "x")
    (tmp_path / "file").write_text("")
    with pytest.raises(PortError, match="can't be kept"):
        save_layout(KeysLayout(), tmp_path / "file")
