"""The simulated player as a port, on a clock that the test moves."""

from __future__ import annotations

import pytest
from ports.passages import etude

from companion.errors import PortError
from companion.ports import SimulatedPort, open_input, parse_sim
from companion.ports.performer import perform
from companion.ports.simulated import SimSpec, is_sim
from companion.units import ns_from_s

ETUDE = etude(32)
SECOND_NS = 1_000_000_000


class Clock:
    def __init__(self) -> None:
        self.ns = 0

    def __call__(self) -> int:
        return self.ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_a_name_says_level_and_seed() -> None:
    assert parse_sim("sim:student:7") == SimSpec("student", 7)
    assert parse_sim(" SIM:Steady ").name == "sim:steady:1"
    assert [parse_sim(f"sim:{level}:3").level for level in ("clean", "messy", "chaos")] == ["clean", "messy", "chaos"]
    assert is_sim("sim:junk")
    assert not is_sim("simple device")


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("sim", "not understood: write sim:LEVEL:SEED, such as sim:student:7"),
        ("sim:", "no level '', there is steady, student, beginner"),
        ("sim:expert:1", "no level 'expert'"),
        ("sim:student:x", "the seed 'x' must be a whole number"),
        ("sim:student:-1", "the seed '-1'"),
        ("sim:student:٣", "the seed '٣'"),
        ("sim:student:1:2", "not understood"),
    ],
)
def test_junk_is_refused_in_one_line(name: str, message: str) -> None:
    with pytest.raises(PortError) as raised:
        open_input(name)
    assert message in str(raised.value)


def test_events_come_out_when_they_are_due(clock: Clock) -> None:
    port = open_input("sim:student:3", now_ns=clock)
    end_ns = port.play(ETUDE, 60, 5 * SECOND_NS)
    wanted = [(5 * SECOND_NS + ns_from_s(m.time_s), m.message) for m in perform(ETUDE, 60, "student", 3)]
    assert end_ns == wanted[-1][0]
    got = []
    while port.playing:
        clock.ns += 16_666_667
        fresh = [(event.time_ns, event.message) for event in port.drain()]
        assert all(time_ns <= clock.ns for time_ns, _ in fresh)
        got += fresh
    assert got == wanted
    assert clock.ns < end_ns + 16_666_667
    assert port.drain() == []


def test_each_take_is_another_one_and_the_same_again_for_another_port(clock: Clock) -> None:
    def two_takes() -> list[list[tuple[int, bytes]]]:
        port, takes = SimulatedPort(SimSpec("beginner", 2), clock), []
        for _ in range(2):
            clock.ns = 0
            clock.ns = port.play(ETUDE, 90, SECOND_NS)
            takes.append([(event.time_ns, event.message) for event in port.drain()])
        return takes

    first, second = two_takes()
    assert first != second
    assert two_takes() == [first, second]


def test_stopping_ends_what_sounds_and_plays_no_more(clock: Clock) -> None:
    port = SimulatedPort(SimSpec("steady", 1), clock)
    port.play(ETUDE, 60, 0)
    clock.ns = SECOND_NS + 100_000_000
    port.stop()
    messages = [event.message for event in port.drain()]
    sounding = set()
    for message in messages:
        if message[0] == 0x90:
            sounding.add(message[1])
        elif message[0] == 0x80:
            sounding.discard(message[1])
    assert not sounding
    assert messages[-1][0] == 0x80
    clock.ns *= 100
    assert port.drain() == []


def test_unplugged_it_keeps_what_was_played_and_loses_the_rest(clock: Clock) -> None:
    port = SimulatedPort(SimSpec("steady", 1), clock)
    end_ns = port.play(ETUDE, 60, 0)
    clock.ns = SECOND_NS
    port.unplug()
    assert not port.alive
    clock.ns = 2 * SECOND_NS
    assert all(event.time_ns <= SECOND_NS for event in port.drain())
    port.reopen()
    assert port.alive
    clock.ns = end_ns
    assert all(event.time_ns > 2 * SECOND_NS for event in port.drain())
    port.close()
    port.close()
    assert not port.alive
