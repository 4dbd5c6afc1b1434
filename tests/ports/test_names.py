"""What a port is called, and which one is meant."""

from __future__ import annotations

import pytest

from companion.errors import PortError
from companion.ports.looking import found_from
from companion.ports.names import choose, plain_name


@pytest.mark.parametrize(
    ("raw", "api", "plain"),
    [
        ("Reed One:Reed One MIDI 1 24:0", "ALSA", "Reed One MIDI 1"),
        ("Reed One:Reed One MIDI 1 128:0", "ALSA", "Reed One MIDI 1"),
        ("Box:Wind In 20:1", "ALSA", "Box:Wind In"),
        ("Reed One 0", "Windows", "Reed One"),
        ("Reed 2 3", "Windows", "Reed 2"),
        ("7", "Windows", "7"),
        ("Reed 2", "Core MIDI", "Reed 2"),
        ("reed:out", "JACK", "reed:out"),
        ("  Reed \t One ", "Core MIDI", "Reed One"),
    ],
)
def test_the_number_of_this_run_is_no_part_of_the_name(raw: str, api: str, plain: str) -> None:
    assert plain_name(raw, api) == plain


def test_devices_of_one_name_are_numbered_and_the_systems_own_come_last() -> None:
    found = found_from(
        [
            ("ALSA", "Midi Through:Midi Through Port-0 14:0"),
            ("ALSA", "Reed:Reed 20:0"),
            ("ALSA", "Reed:Reed 24:0"),
            ("JACK", "Reed"),
        ]
    )
    assert [(port.name, port.api) for port in found] == [
        ("Reed", "ALSA"),
        ("Reed #2", "ALSA"),
        ("Reed #3", "JACK"),
        ("Midi Through Port-0", "ALSA"),
    ]
    assert len({port.key for port in found}) == 4


def test_a_windows_device_keeps_its_key_when_another_leaves() -> None:
    before = found_from([("Windows", "Keys 0"), ("Windows", "Reed 1")])
    after = found_from([("Windows", "Reed 0")])
    assert after[0].key == before[1].key


def test_a_device_plugged_in_again_has_another_key_and_the_same_name() -> None:
    before, after = found_from([("ALSA", "Reed:Reed 20:0")]), found_from([("ALSA", "Reed:Reed 24:0")])
    assert before[0].name == after[0].name
    assert before[0].key != after[0].key


PORTS = found_from([("ALSA", "Reed One:Reed One 20:0"), ("ALSA", "Reed Two:Reed Two 24:0"), ("ALSA", "Reed:Reed 28:0")])


@pytest.mark.parametrize(
    ("wanted", "name"), [("Reed", "Reed"), ("reed", "Reed"), ("two", "Reed Two"), (" ONE ", "Reed One")]
)
def test_a_port_is_chosen_exactly_or_by_a_part_that_no_other_has(wanted: str, name: str) -> None:
    assert choose(wanted, PORTS).name == name


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        ("reed ", None),
        ("eed ", "could be any of 'Reed One', 'Reed Two', 'Reed': write more of the name"),
        ("oboe", "no MIDI port 'oboe': there is 'Reed One', 'Reed Two', 'Reed'; `companion ports` lists them"),
        ("", "no MIDI port ''"),
    ],
)
def test_an_unknown_or_unclear_name_says_what_there_is(wanted: str, message: str | None) -> None:
    if message is None:
        assert choose(wanted, PORTS).name == "Reed"
        return
    with pytest.raises(PortError) as raised:
        choose(wanted, PORTS)
    assert message in str(raised.value)
    assert "\n" not in str(raised.value)


def test_without_any_port_the_error_says_what_to_try() -> None:
    with pytest.raises(PortError, match="none at all, so plug the device in"):
        choose("reed", ())
