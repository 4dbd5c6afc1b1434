"""The port in use and the devices around it, told by a bench that stands for the watch."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.charts import load
from companion.errors import PortError
from companion.ports import KeysPort, PortName, SimulatedPort
from companion.ports.memory import PortSettings, recall, remember
from companion.practice.model import RawEvent
from companion.window.controller import NO_NEWS, Controller, News

ALTO = load("alto")


class Device:
    """Stands for a controller on the bench."""

    def __init__(self, name: str) -> None:
        self.name, self.alive, self.closed = name, True, False
        self.waiting = [RawEvent(0, bytes((0x90, 70, 90)))]

    def drain(self) -> list[RawEvent]:
        """As a device's."""
        drained, self.waiting = self.waiting, []
        return drained

    def reopen(self) -> None:
        """As a device's."""
        self.alive = True

    def close(self) -> None:
        """As a device's."""
        self.closed = True


class Bench:
    """Tells of devices that come, as `PortWatch` does."""

    def __init__(self, *there: str) -> None:
        self.there = tuple(PortName(name, "bench") for name in there)
        self.appeared: tuple[PortName, ...] = ()
        self.closed = False

    def ports(self) -> tuple[PortName, ...]:
        """As `PortWatch`."""
        return self.there

    def changes(self) -> tuple[tuple[PortName, ...], tuple[PortName, ...]]:
        """As `PortWatch`."""
        appeared, self.appeared = self.appeared, ()
        return appeared, ()

    def close(self) -> None:
        """As `PortWatch`."""
        self.closed = True


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A watch, and devices that open."""
    made = Bench("Reed", "Other")
    monkeypatch.setattr("companion.window.controller.PortWatch", lambda: made)
    return made


@pytest.fixture
def controller(tmp_path: Path) -> Controller:
    return Controller(lambda: 0, lambda: ALTO, tmp_path)


@pytest.fixture
def reed(bench: Bench, controller: Controller, monkeypatch: pytest.MonkeyPatch) -> Device:
    """A device in use."""
    monkeypatch.setattr("companion.window.controller.open_input", lambda name, **how: Device(name))
    controller.take("Reed")
    assert isinstance(controller.port, Device)
    return controller.port


def test_without_a_port_nothing_is_heard_and_nothing_is_missing(controller: Controller) -> None:
    assert (controller.name, controller.missing, controller.simulated, controller.keys) == ("", False, False, None)
    assert controller.drain() == [] and controller.look() == News()
    controller.reopen()
    controller.close()


def test_neither_the_simulated_player_nor_the_keys_need_a_watch(controller: Controller, bench: Bench) -> None:
    controller.take("sim:student:3")
    assert controller.simulated and isinstance(controller.port, SimulatedPort) and controller.watch is None
    controller.take("keys")
    assert controller.keys is controller.port and isinstance(controller.port, KeysPort) and controller.watch is None
    assert not controller.simulated and controller.there() == bench.there and controller.watch is bench


def test_a_device_that_vanishes_is_told_once_and_its_return_among_others(
    controller: Controller, bench: Bench, reed: Device
) -> None:
    assert controller.look() == News()
    reed.alive = False
    assert controller.look() == News(vanished=True) and controller.missing
    bench.appeared = (PortName("Other", "bench"),)
    assert controller.look() == News(others=(PortName("Other", "bench"),))
    bench.appeared = (PortName("Other", "bench"), PortName("Reed", "bench"))
    assert controller.look() == News(back=True, others=(PortName("Other", "bench"),))
    controller.reopen()
    assert not controller.missing and controller.look() == News()
    reed.alive = False
    assert controller.look().vanished, "the second time as the first"


def test_without_a_watch_every_vanishing_is_told(controller: Controller) -> None:
    controller.take("sim:student:3")
    player = controller.port
    assert isinstance(player, SimulatedPort) and controller.watch is None
    for _ in range(2):
        assert controller.look() is NO_NEWS
        player.unplug()
        assert controller.look().vanished and not controller.look().vanished
        player.plug_in()


def test_a_name_like_that_of_the_device_in_use_is_no_news(controller: Controller, bench: Bench, reed: Device) -> None:
    bench.appeared = (PortName(reed.name, "bench"),)
    assert controller.look() == News()


def test_a_port_of_the_system_itself_is_no_news_since_nobody_plays_on_it(controller: Controller, bench: Bench) -> None:
    controller.watch_ports()
    bench.appeared = (PortName("Midi Through Port-0", "ALSA"), PortName("system:midi_capture_1", "JACK"))
    assert controller.look() == News()
    bench.appeared = (PortName("Midi Through Port-0", "ALSA"), PortName("Reed", "ALSA"))
    assert controller.look() == News(others=(PortName("Reed", "ALSA"),))


def test_another_port_closes_the_one_before_and_one_that_fails_does_not(
    controller: Controller, reed: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(name: str, **how: object) -> None:
        raise PortError("no such port")

    with monkeypatch.context() as patched:
        patched.setattr("companion.window.controller.open_input", refuse)
        with pytest.raises(PortError):
            controller.take("Nobody")
    assert controller.port is reed and not reed.closed
    reed.alive = False
    controller.look()
    controller.take("Other")
    assert controller.name == "Other" and reed.closed and controller.look() == News()


def test_what_is_remembered_is_each_ports_own(tmp_path: Path, controller: Controller, reed: Device) -> None:
    remember("Other", shift_semitones=9, delay_ms=12.0, folder=tmp_path)
    assert controller.settings == PortSettings(), "read when the window opened"
    controller.remember(-12, 3.0)
    assert controller.settings == PortSettings(-12, 3.0) == recall(tmp_path).settings_for("Reed")
    controller.take("Other")
    assert controller.settings == PortSettings(9, 12.0)
    assert recall(tmp_path).last == "Reed"


def test_nothing_is_remembered_of_the_simulated_player(tmp_path: Path, controller: Controller) -> None:
    controller.take("sim:student:3")
    controller.remember(5, 5.0)
    assert recall(tmp_path).last == "" and not recall(tmp_path).known


def test_port_and_watch_are_given_back(controller: Controller, bench: Bench, reed: Device) -> None:
    controller.close()
    assert reed.closed and bench.closed
