"""A take survives being written and read; a line that is cut anywhere is told from a whole one."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from record_takes import TAKES

from companion.practice.hearing import to_played
from companion.practice.model import (
    RawEvent,
)
from companion.record.codec import decode_line, encode_take, head_of, summary_from, take_from, without_events
from companion.record.model import NoteRecord, TakeRecord

TAKE = TakeRecord(
    title='Étude, "events":[', tempo_bpm=80.5, id="a", started="2026-11-23T17:00:00+01:00", advice=',"events":[[1]]}',
    events=(RawEvent(5, b"\x90\x40\x50"),),
    notes=(NoteRecord("5", "5/2", 64, "bis", ("bis", "l1"), "late", 31.25, 64),),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(TAKES)
def test_a_take_survives_write_and_read(take: TakeRecord) -> None:
    line = encode_take(take)
    assert line.count(b"\n") == 1
    assert take_from(decode_line(line)) == take


@settings(max_examples=60, deadline=None)
@given(TAKES)
def test_the_head_says_what_the_whole_line_says(take: TakeRecord) -> None:
    line = encode_take(take)
    assert "events" not in head_of(line)
    assert summary_from(head_of(line), "f", 0, False) == summary_from(decode_line(line), "f", 0, False)


@settings(max_examples=60, deadline=None)
@given(TAKES)
def test_without_its_events_a_line_says_all_the_rest(take: TakeRecord) -> None:
    assert take_from(without_events(encode_take(take))) == replace(take, events=())


MESSAGES = st.one_of(
    st.tuples(st.sampled_from([0x80, 0x90, 0x91, 0xB0, 0xE0, 0xA0]), st.integers(55, 75), st.integers(0, 127)),
    st.tuples(st.just(0xB0), st.sampled_from([2, 7, 11, 64, 119, 120, 123, 127]), st.integers(0, 127)),
    st.tuples(st.just(0xD0), st.integers(0, 127)),
    st.sampled_from([(0xFF,), (0xF0, 0x7D, 0x6B, 0xF7)]),
).map(bytes)


@settings(max_examples=60, deadline=None)
@given(st.lists(MESSAGES, max_size=40))
def test_the_events_that_make_notes_make_the_same_notes(messages: list[bytes]) -> None:
    take = replace(TAKE, events=tuple(RawEvent(20_000_000 * i, m) for i, m in enumerate(messages)))
    kept = take_from(decode_line(encode_take(take)), notes_only=True)
    assert to_played(kept.events, 0).tobytes() == to_played(take.events, 0).tobytes()
    assert set(kept.events) <= set(take.events)
    assert not any(e.message[0] & 0xF0 in (0xA0, 0xD0, 0xE0) for e in kept.events)


def test_a_line_in_another_order_keeps_its_events() -> None:
    turned = json.dumps(dict(reversed(json.loads(encode_take(TAKE)).items())), separators=(",", ":")).encode()
    assert take_from(without_events(turned)) == TAKE


#: A line as version 0.2 of the program wrote it.
OLD = (
    b'{"kind":"take","title":"Scale","tempo_bpm":80.0,"id":"a-001","started":"2026-11-23T17:00:00+01:00",'
    b'"clean":true,"events":[[5,"904050"]],"notes":[["5","5/2",64,"bis","bis l1","late",31.25,64]],"added":[[0,61]]}\n'
)


def test_a_take_of_an_earlier_program_reads_on_and_says_nothing_of_what_it_did_not_know() -> None:
    for take in (take_from(decode_line(OLD)), replace(take_from(without_events(OLD)), events=TAKE.events)):
        assert take.notes == (NoteRecord("5", "5/2", 64, "bis", ("bis", "l1"), "late", 31.25, 64),)
        assert (take.events, take.added, take.comment) == ((RawEvent(5, b"\x90\x40\x50"),), ((0, 61),), ())
        assert (take.slips, take.trills, take.used, take.realised) == ((), (), (), ())
        assert take.notes[0].available_ms is None and take.notes[0].articulation == ()


def test_a_line_cut_at_any_byte_is_told() -> None:
    line = encode_take(TAKE).rstrip(b"\n")
    for length in range(1, len(line)):
        with pytest.raises(ValueError):
            decode_line(line[:length])
        with pytest.raises(ValueError):
            head_of(line[:length])


def test_a_line_written_in_another_order_is_read_too() -> None:
    data = json.loads(encode_take(TAKE))
    turned = json.dumps(dict(reversed(data.items()))).encode()
    assert take_from(head_of(turned)) == TAKE


def test_numbers_from_numpy_are_plain_numbers_in_the_file() -> None:
    note = replace(TAKE.notes[0], written_midi=np.int16(64), deviation_ms=np.float64(2.5))  # type: ignore[arg-type]
    take = replace(TAKE, notes=(note,), rung=np.int64(3))  # type: ignore[arg-type]
    assert take_from(decode_line(encode_take(take))) == take


def test_a_later_programs_extra_fields_are_passed_over() -> None:
    data = json.loads(encode_take(TAKE))
    data["breath"] = [1, 2]
    data["tolerances"]["new"] = 3
    data["notes"][0].append("more")
    assert take_from(data) == TAKE


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("tempo_bpm", "80", "tempo_bpm should be a number"),
        ("tempo_bpm", None, "no tempo_bpm"),
        ("tempo_bpm", True, "tempo_bpm should be a number"),
        ("clean", 1, "clean should be true or false"),
        ("rung", 1.5, "rung should be a whole number"),
        ("title", 3, "title should be a text"),
        ("events", [3], "events should be a list of lists"),
        ("events", [[1, "zz"]], "hexadecimal"),
        ("events", [[1]], "unpack"),
        ("notes", [["5", "1", None, "bis", "l1", "late", None, None]], "written oddly"),
        ("notes", [[5, "1", 64, "bis", "l1", "late", None, None]], "a note is written"),
        ("notes", [["5", "1", 64, "bis", "l1", "late", None, None, 250.0, 0, 7]], "a note is written"),
        ("slips", [[1, 0, 67, 30.0, ["left index"], "", None]], "a slip is written"),
        ("slips", [[1, 0, 67]], "unpack"),
        ("trills", [[1, 69, ["l1"], 9.0, 4.0, 2.0]], "a trill is written"),
        ("used", [[1, ["l1"], "bis"]], "a fingering that was used is written"),
        ("realised", [0, "1"], "realised should be a list of whole numbers"),
    ],
)
def test_a_wrong_field_is_named(field: str, value: object, said: str) -> None:
    data = json.loads(encode_take(TAKE)) | {field: value}
    with pytest.raises(ValueError, match=said):
        take_from(data)


@pytest.mark.parametrize(
    "line", [b"[]", b"3", b'{"kind":3}', b"{}", b"\xff\xfe", b"[" * 100_000, b'{"kind":"a","x":NaN}']
)
def test_what_is_no_object_with_a_kind_is_refused(line: bytes) -> None:
    with pytest.raises(ValueError):
        decode_line(line)
