"""Hot plug, queue and stamps without any driver: who looks and who connects is handed in."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest

from companion.errors import PortError
from companion.ports import DevicePort, PortWatch, list_inputs, open_input
from companion.ports.arrivals import CONTROLLER_LIMIT, NOTE_LIMIT, Arrivals
from companion.ports.backends import BACKENDS, Backend, load_backend
from companion.ports.looking import Lister, found_from
from companion.ports.names import Found
from companion.ports.polling import Poller, StampClock


class ScriptedLister:
    """Sees what the test puts into `pairs`."""

    def __init__(self, *pairs: tuple[str, str]) -> None:
        self.pairs = list(pairs)

    def ports(self) -> tuple[Found, ...]:
        return found_from(self.pairs)

    def close(self) -> None:
        self.pairs = []


class ScriptedDriver:
    """A backend whose devices say what the test makes them say."""

    def __init__(self) -> None:
        self.accept: Callable[[bytes, int], None] | None = None
        self.raws: list[str] = []
        self.broken = False
        self.closed = 0
        self.backend = Backend("scripted", self._connect)

    def _connect(self, port: Found, accept: Callable[[bytes, int], None]) -> ScriptedDriver:
        self.raws.append(port.raw)
        self.accept = accept
        return self

    def close(self) -> None:
        self.closed += 1


def wait_for(condition: Callable[[], bool], timeout_s: float = 2.0) -> bool:
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s and not condition():
        time.sleep(0.005)
    return condition()


REED, REED_AGAIN, KEYS = ("ALSA", "Reed:Reed 20:0"), ("ALSA", "Reed:Reed 32:0"), ("ALSA", "Keys:Keys 24:0")


def test_the_watch_tells_what_came_and_went_once() -> None:
    lister = ScriptedLister(REED)
    with PortWatch(0.01, lister) as watch:
        assert [port.name for port in watch.ports()] == ["Reed"]
        assert watch.changes() == ((), ())
        lister.pairs = [KEYS]
        watch.look()
        appeared, vanished = watch.changes()
        assert [port.name for port in appeared] == ["Keys"]
        assert [port.name for port in vanished] == ["Reed"]
        assert watch.changes() == ((), ())


def test_a_device_vanishes_and_returns_under_another_number() -> None:
    lister, driver = ScriptedLister(REED, KEYS), ScriptedDriver()
    with PortWatch(0.01, lister) as watch:
        port = DevicePort("reed", watch=watch, backend=driver.backend)
        assert port.name == "Reed"
        driver.accept(b"\x90\x3c\x40", 5)
        lister.pairs = [KEYS]
        assert wait_for(lambda: not port.alive)
        with pytest.raises(PortError, match="no MIDI port 'Reed': there is 'Keys'"):
            port.reopen()
        assert not port.alive
        lister.pairs = [KEYS, REED_AGAIN]
        time.sleep(0.05)
        assert not port.alive, "only reopen makes it alive again"
        port.reopen()
        assert port.alive
        driver.accept(b"\x80\x3c\x00", 9)
        assert driver.raws == ["Reed:Reed 20:0", "Reed:Reed 32:0"]
        assert driver.closed == 1
        assert [(event.time_ns, event.message) for event in port.drain()] == [
            (5, b"\x90\x3c\x40"),
            (9, b"\x80\x3c\x00"),
        ]
        port.close()
        port.close()
        assert not port.alive


def test_one_look_without_the_device_is_no_loss() -> None:
    """A look that began before `reopen` may end after it."""
    driver = ScriptedDriver()
    with PortWatch(60, ScriptedLister(REED)) as watch:
        port = DevicePort("Reed", watch=watch, backend=driver.backend)
        port._look(())
        assert port.alive
        port._look(found_from([REED]))
        port._look(())
        assert port.alive
        port._look(())
        assert not port.alive


def test_a_driver_that_reports_the_loss_is_believed_at_once() -> None:
    driver = ScriptedDriver()
    with PortWatch(60, ScriptedLister(REED)) as watch:
        port = DevicePort("Reed", watch=watch, backend=driver.backend)
        driver.broken = True
        assert not port.alive


def test_a_flood_that_nobody_drains_is_bounded_and_keeps_the_notes() -> None:
    arrivals = Arrivals()
    for i in range(CONTROLLER_LIMIT + 500):
        arrivals.accept(bytes([0xB0, 2, i % 128]), i)
    assert arrivals.dropped == 500
    arrivals.accept(b"\x90\x3c\x40", 1)
    events = arrivals.drain()
    assert len(events) == CONTROLLER_LIMIT + 1
    assert events[-1].message == b"\x90\x3c\x40"
    for i in range(NOTE_LIMIT + 1):
        arrivals.accept(b"\x90\x3c\x40", i)
    assert len(arrivals.drain()) == NOTE_LIMIT
    assert arrivals.dropped == 501
    assert arrivals.drain() == []


def test_realtime_messages_are_left_out_and_running_status_is_resolved_between_packets() -> None:
    arrivals = Arrivals()
    for packet in (b"\xfe", b"\x90\x3c\x40", b"\xf8", b"\x3e\x40", b"\xf0\x7d\x01\xf7", b"\xb0\x02\x05\x06"):
        arrivals.accept(packet, 7)
    # The controller's own running status needs two data bytes, of which only one came.
    assert [event.message for event in arrivals.drain()] == [b"\x90\x3c\x40", b"\x90\x3e\x40", b"\xb0\x02\x05"]


@pytest.mark.parametrize("drift", [-2e-4, 0.0, 2e-4])
def test_stamps_follow_the_drivers_times_where_reading_comes_late(drift: float) -> None:
    rng = np.random.default_rng(3)
    arrived_ns = np.cumsum(rng.integers(400_000, 60_000_000, 3000)) + 10**12
    # The driver's clock runs 200 ppm off from another zero; reading is held up by drawing in most of the frames.
    driver_s = (arrived_ns - 10**12) * (1 + drift) * 1e-9 + 77
    clock, stamps, i, empty_ns, read_ns = StampClock(), [], 0, 10**12, 10**12
    while i < len(arrived_ns):
        began_ns = read_ns + 1_500_000
        read_ns = began_ns + (int(rng.uniform(1, 14) * 1e6) if rng.random() < 0.4 else 10_000)
        while i < len(arrived_ns) and arrived_ns[i] <= read_ns:
            stamps.append(clock.stamp_ns(float(driver_s[i]), empty_ns, read_ns))
            i += 1
        empty_ns = began_ns
    late_ms = ((np.array(stamps) - arrived_ns) / 1e6)[100:]
    # The time of reading is up to 15 ms late, 5 ms in the mean. 3 s of 200 ppm are 0.6 ms.
    assert np.abs(late_ms).max() < 2.0
    assert abs(np.median(late_ms)) < 0.7


def test_a_drivers_times_that_jump_cost_no_more_than_one_look() -> None:
    clock = StampClock()
    assert clock.stamp_ns(0.0, 0, 1_500_000) == 1_500_000
    # It ran ahead by minutes: the smaller difference is taken at once.
    assert clock.stamp_ns(900.0, 10_000_000, 11_500_000) == 11_500_000
    # It fell behind: no stamp before the moment at which nothing was there yet.
    assert clock.stamp_ns(0.5, 20_000_000, 21_500_000) == 21_500_000
    assert clock.stamp_ns(0.51, 30_000_000, 31_500_000) == 31_500_000
    assert clock.stamp_ns(0.52, 40_000_000, 51_500_000) == 41_500_000


def test_a_reader_that_fails_ends_quietly_and_is_broken() -> None:
    def fail() -> list[tuple[bytes, float]]:
        raise OSError("unplugged")

    poller = Poller(fail, lambda packet, stamp_ns: None)
    assert wait_for(lambda: poller.broken)
    poller.close()


def test_backends_are_chosen_by_name_and_unknown_ones_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COMPANION_MIDI_BACKEND", "portmidi")
    assert load_backend().name == "portmidi"
    monkeypatch.setenv("COMPANION_MIDI_BACKEND", "kazoo")
    with pytest.raises(
        PortError, match="COMPANION_MIDI_BACKEND=kazoo: no such MIDI backend; there is rtmidi, portmidi"
    ):
        load_backend()


def test_without_rtmidi_portmidi_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COMPANION_MIDI_BACKEND", raising=False)
    monkeypatch.setitem(BACKENDS, "rtmidi", "companion.ports.no_such_backend")
    assert load_backend().name == "portmidi"
    monkeypatch.setitem(BACKENDS, "portmidi", "companion.ports.no_such_backend")
    with pytest.raises(PortError, match="no MIDI library can be loaded"):
        load_backend()


@pytest.mark.parametrize("backend", BACKENDS)
def test_each_backends_process_answers_and_says_nothing_else(backend: str, capfd: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip({"rtmidi": "rtmidi", "portmidi": "pygame"}[backend])
    lister = Lister(backend)
    try:
        first = lister._ask()
        assert first.startswith("[") and first.endswith("]\n")
        assert lister._ask() == first
        lister._process.kill()
        lister._process.wait()
        lister.ports()
        assert found_from(__import__("json").loads(first)) == lister.ports(), "it is started anew"
    finally:
        lister.close()
    assert capfd.readouterr() == ("", "")


def test_portmidis_messages_are_cut_to_their_length() -> None:
    pytest.importorskip("pygame")
    from companion.ports.portmidi_backend import whole_message

    assert whole_message([0x90, 60, 64, 0]) == b"\x90\x3c\x40"
    assert whole_message([0xD3, 60, 0, 0]) == b"\xd3\x3c"
    assert whole_message([0xF8, 0, 0, 0]) == b"\xf8"


def test_opening_a_port_that_is_not_there_names_what_to_try(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no-such-server")
    if list_inputs():
        pytest.skip("this machine has MIDI inputs")
    with pytest.raises(PortError) as raised:
        open_input("Reed")
    assert "`companion ports`" in str(raised.value)
    assert "sim:student:1" in str(raised.value)
