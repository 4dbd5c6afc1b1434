"""The worker's life: requests that take each other's place, what is kept, what happens when it dies or hangs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from engraving_documents import scale, sixteenths

from companion.engraving import Engraver, EngravingRequest, Progress, System, engrave
from companion.engraving import desk as desk_module
from companion.engraving.desk import Desk
from companion.engraving.draw import INK_BLUE
from companion.errors import EngravingError
from companion.paths import examples_dir
from companion.scores import for_engraving, read

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="signals, and /proc to see who runs")


@pytest.fixture
def engraver() -> Iterator[Engraver]:
    with Engraver() as made:
        yield made


def request(bars: int = 4, seed: int = 1, width_px: int = 790) -> EngravingRequest:
    musicxml, marks = sixteenths(bars, seed)
    return EngravingRequest(musicxml, width_px, 30, marks)


def next_news(engraver: Engraver, within_s: float = 10.0) -> Progress:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if (news := engraver.poll()) is not None:
            return news
        time.sleep(0.001)
    raise AssertionError(f"no news within {within_s} s")


def finish(engraver: Engraver) -> tuple[tuple[System, ...], Progress]:
    systems: list[System] = []
    while True:
        news = next_news(engraver)
        systems.extend(news.systems)
        if news.done or news.error:
            return tuple(systems), news


def test_systems_come_one_after_the_other_and_are_the_same_as_in_one_piece(engraver: Engraver) -> None:
    asked = request(24)
    number = engraver.request(asked)
    first = next_news(engraver)
    assert first.request == number and first.systems and not first.done
    rest, last = finish(engraver)
    assert last.done and last.error is None
    assert first.systems + rest == engrave(asked).systems


def test_without_a_request_there_is_no_news(engraver: Engraver) -> None:
    assert engraver.poll() is None


def test_a_newer_request_takes_the_place_of_the_older(engraver: Engraver) -> None:
    engraver.request(request(64))
    next_news(engraver)
    short = request(2, seed=9)
    number = engraver.request(short)
    news = []
    while not news or not news[-1].done:
        news.append(next_news(engraver))
    assert {item.request for item in news} == {number}
    assert tuple(system for item in news for system in item.systems) == engrave(short).systems


def test_many_requests_in_a_row_end_with_the_last(engraver: Engraver) -> None:
    for seed in range(12):
        number = engraver.request(request(3, seed=seed, width_px=700 + 10 * seed))
    systems, last = finish(engraver)
    assert last.request == number and last.done
    assert {system.width_px for system in systems} == {810}


def test_what_was_engraved_comes_back_at_once(engraver: Engraver) -> None:
    first, second = request(8), request(8, seed=2)
    engraver.request(first)
    engraved, _ = finish(engraver)
    engraver.request(second)
    finish(engraver)
    number = engraver.request(first)
    assert engraver.poll() == Progress(number, engraved, done=True)
    assert engraver.poll() is None


def test_what_is_kept_is_bounded() -> None:
    with Engraver(cache_bytes=1) as engraver:
        asked = request(2)
        engraver.request(asked)
        finish(engraver)
        engraver.request(asked)
        assert engraver.poll() is None
        assert finish(engraver)[1].done


@linux_only
@pytest.mark.parametrize("death", [signal.SIGKILL, signal.SIGFPE, signal.SIGABRT])
def test_a_worker_that_dies_midway_is_reported_and_replaced(engraver: Engraver, death: signal.Signals) -> None:
    engraver.request(request(64))
    next_news(engraver)
    pid = engraver.worker_pid
    os.kill(pid, death)
    _, last = finish(engraver)
    assert last.error is not None and f"signal {death.value}" in str(last.error) and "try" in str(last.error)
    assert "\n" not in str(last.error)
    asked = request(2)
    engraver.request(asked)
    systems, last = finish(engraver)
    assert last.done and systems == engrave(asked).systems
    assert engraver.worker_pid != pid


@linux_only
def test_a_worker_that_died_idle_is_replaced_without_a_word(engraver: Engraver) -> None:
    engraver.request(request(2))
    finish(engraver)
    os.kill(engraver.worker_pid, signal.SIGKILL)
    assert _has_ended(engraver.worker_pid)
    assert engraver.poll() is None
    engraver.request(request(3))
    assert finish(engraver)[1].done


@linux_only
def test_a_request_that_kills_the_worker_before_any_system_is_tried_once_more(engraver: Engraver) -> None:
    engraver.request(request(64))
    os.kill(engraver.worker_pid, signal.SIGKILL)
    first = engraver.worker_pid
    while engraver.worker_pid == first:
        assert engraver.poll() is None
        time.sleep(0.001)
    os.kill(engraver.worker_pid, signal.SIGFPE)
    _, last = finish(engraver)
    assert last.error is not None and f"signal {signal.SIGFPE.value}" in str(last.error)


@linux_only
def test_a_worker_that_hangs_is_given_up() -> None:
    with Engraver(timeout_s=0.2) as engraver:
        os.kill(engraver.worker_pid, signal.SIGSTOP)
        started = time.monotonic()
        engraver.request(request(2))
        _, last = finish(engraver)
        assert last.error is not None and "more than 0.2 s" in str(last.error)
        assert time.monotonic() - started < 5.0


@linux_only
def test_the_worker_ends_with_the_program_that_started_it() -> None:
    program = (
        "import os, signal\nfrom companion.engraving import Engraver\nengraver = Engraver()\n"
        "print(engraver.worker_pid, flush=True)\nos.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=20)
    assert done.returncode == -signal.SIGKILL
    assert _has_ended(int(done.stdout))


def _has_ended(pid: int, within_s: float = 5.0) -> bool:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline and _runs(pid):
        time.sleep(0.01)
    return not _runs(pid)


def _runs(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_closing_ends_the_worker_and_refuses_requests() -> None:
    engraver = Engraver()
    worker = engraver.worker_pid
    engraver.close()
    engraver.close()
    if sys.platform == "linux":
        assert not _runs(worker)
    with pytest.raises(EngravingError, match="closed"):
        engraver.request(request(1))
    assert engraver.poll() is None


def test_files_of_the_users_folder_are_not_imported(tmp_path: object, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = str(tmp_path)
    for name in ("json.py", "verovio.py", "typst.py"):
        with open(os.path.join(folder, name), "w") as file:
            file.write("raise SystemExit(3)\n")
    monkeypatch.chdir(folder)
    musicxml, _ = scale()
    assert engrave(EngravingRequest(musicxml, 790, 30)).systems


@pytest.mark.parametrize(
    ("width_px", "staff_px", "what"),
    [
        (50, 30, "width_px is 50"),
        (790, 2, "staff_px is 2"),
        (790, float("nan"), "staff_px is nan"),
        (200, 60, "no room"),
    ],
)
def test_sizes_out_of_bounds_are_refused(engraver: Engraver, width_px: int, staff_px: float, what: str) -> None:
    with pytest.raises(EngravingError, match=what):
        engraver.request(EngravingRequest(scale()[0], width_px, staff_px))


def test_a_refused_document_leaves_the_worker_alive(engraver: Engraver) -> None:
    pid = engraver.worker_pid
    engraver.request(EngravingRequest(b"PK\x03\x04 junk", 790, 30))
    _, last = finish(engraver)
    assert last.error is not None and "not well-formed" in str(last.error)
    engraver.request(request(2))
    assert finish(engraver)[1].done
    assert engraver.worker_pid == pid


def test_engrave_raises_what_went_wrong() -> None:
    with pytest.raises(EngravingError, match="not well-formed"):
        engrave(EngravingRequest(b"", 790, 30))


def test_other_marks_on_the_same_page_draw_the_same_as_a_new_worker_would() -> None:
    """The worker goes on with its last layout: whatever was asked before, also what was broken off, changes nothing."""
    document = for_engraving(read(examples_dir() / "passages" / "etude-e-minor.musicxml"))
    plain = EngravingRequest(document, 786, 30.0)
    marked = EngravingRequest(document, 786, 30.0, (("n3", "bis"), ("n90", "side")))
    other = EngravingRequest(document, 786, 30.0, (("n90", "side"), ("n140", "1+2")))
    narrower = EngravingRequest(document, 600, 30.0, (("n90", "side"),))
    alone = [engrave(request).systems for request in (plain, marked, other, narrower)]
    desk = Desk()
    next(desk.systems(plain))  # broken off after the first system
    for request, expected in zip(
        (marked, other, narrower, plain), (alone[1], alone[2], alone[3], alone[0]), strict=True
    ):
        assert tuple(desk.systems(request)) == expected
    # What didn't change was not drawn again.
    before, after = tuple(desk.systems(marked)), tuple(desk.systems(other))
    assert [a is b for a, b in zip(before, after, strict=True)].count(False) == 2


def test_a_desk_that_is_full_draws_on_and_keeps_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    document = for_engraving(read(examples_dir() / "passages" / "etude-e-minor.musicxml"))
    request = EngravingRequest(document, 786, 30.0, (("n3", "bis"),))
    expected = tuple(Desk().systems(request))
    monkeypatch.setattr(desk_module, "MOST_KEPT_BYTES", 0)
    small = Desk()
    assert tuple(small.systems(request)) == expected
    assert tuple(small.systems(request)) == expected


def test_for_paper_the_same_systems_come_as_black_drawings(engraver: Engraver) -> None:
    asked = request(12)
    pictures = engrave(asked).systems
    engraver.request(replace(asked, vector=True))
    drawings, last = finish(engraver)
    assert last.done and len(drawings) == len(pictures)
    for drawing, picture in zip(drawings, pictures, strict=True):
        assert replace(drawing, svg="", png=picture.png) == picture
        assert drawing.svg.startswith("<svg") and not drawing.png
        assert INK_BLUE not in drawing.svg and drawing.marks
