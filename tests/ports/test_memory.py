"""What is remembered of a port survives, whatever happens to its file."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import PortError
from companion.ports.memory import PortMemory, PortSettings, recall, remember


def test_nothing_is_remembered_at_first(tmp_path: Path) -> None:
    assert recall(tmp_path / "none") == PortMemory()
    assert recall(tmp_path).settings_for("Reed") == PortSettings(0, 0.0)


def test_settings_of_two_ports_are_kept_apart_and_in_the_usual_folder(own_folders: Path) -> None:
    remember('Reed "One"', shift_semitones=9)
    remember("Keys.é", delay_ms=12.5)
    remember('Reed "One"', delay_ms=-3)
    memory = recall()
    assert memory == PortMemory(
        'Reed "One"', {'Reed "One"': PortSettings(9, -3.0), "Keys.é": PortSettings(0, 12.5)}, ()
    )
    assert [file.name for file in (own_folders / "settings").iterdir()] == ["settings.toml"]


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=30), st.integers(-60, 60), st.floats(-2000, 2000))
def test_any_name_survives(tmp_path_factory: pytest.TempPathFactory, name: str, shift: int, delay_ms: float) -> None:
    folder = tmp_path_factory.mktemp("settings")
    written = remember(name, shift_semitones=shift, delay_ms=delay_ms, folder=folder)
    assert recall(folder) == written
    assert written.settings_for(name) == PortSettings(shift, delay_ms)


def test_tables_and_comments_of_others_are_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text("# mine\n[window]\nscale = 1.5 # big\n", encoding="utf-8")
    remember("Reed", folder=tmp_path)
    assert file.read_text(encoding="utf-8").startswith("# mine\n[window]\nscale = 1.5 # big\n")


@pytest.mark.parametrize("junk", [b"[ports\nlast=", b"\xff\xfe\x00", b"[ports]\nlast = 'a'\nlast = 'b'\n"])
def test_a_broken_file_is_kept_aside_with_a_remark(tmp_path: Path, junk: bytes) -> None:
    (tmp_path / "settings.toml").write_bytes(junk)
    (tmp_path / "settings.toml.broken-1").write_bytes(b"older")
    memory = recall(tmp_path)
    assert memory.last == ""
    assert len(memory.remarks) == 1
    assert "settings.toml" in memory.remarks[0]
    assert memory.remarks[0].endswith("the usual settings are used, the file is kept as settings.toml.broken-2")
    assert "\n" not in memory.remarks[0]
    assert (tmp_path / "settings.toml.broken-2").read_bytes() == junk
    assert (tmp_path / "settings.toml.broken-1").read_bytes() == b"older"
    remember("Reed", folder=tmp_path)
    assert recall(tmp_path).last == "Reed"


def test_a_wrong_value_costs_only_itself(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(
        "[ports]\nlast = 3\n[ports.known.A]\nshift_semitones = 'nine'\ndelay_ms = 5\n"
        "[ports.known.B]\nshift_semitones = 2\ndelay_ms = nan\n[ports.known]\nC = 7\n",
        encoding="utf-8",
    )
    memory = recall(tmp_path)
    assert memory.last == ""
    assert dict(memory.known) == {"A": PortSettings(0, 5.0), "B": PortSettings(2, 0.0), "C": PortSettings()}
    assert len(memory.remarks) == 4
    assert any("ports.known.A: shift_semitones = nine is not a whole number" in remark for remark in memory.remarks)
    assert (tmp_path / "settings.toml").exists()


def test_nonsense_is_not_remembered(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="shift_semitones = 99 is not a whole number from -60 to 60"):
        remember("Reed", shift_semitones=99, folder=tmp_path)
    assert not (tmp_path / "settings.toml").exists()


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    remember("Reed", shift_semitones=9, folder=tmp_path)

    def fail(source: object, target: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("companion.ports.memory.os.replace", fail)
    with pytest.raises(PortError, match="can't be remembered \\(No space left on device\\)"):
        remember("Keys", folder=tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["settings.toml"]
    assert recall(tmp_path).last == "Reed"
