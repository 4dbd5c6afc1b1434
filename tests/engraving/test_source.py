"""The check before the layout: each fault gets one line with its place; what passes is ready to be drawn."""

from __future__ import annotations

import pytest
from engraving_documents import document, every_feature, scale
from lxml import etree

from companion.engraving.source import MAX_BYTES, MAX_NOTES, prepare
from companion.errors import EngravingError

NOTE = "<note><pitch><step>B</step><octave>4</octave></pitch><duration>12</duration><type>quarter</type></note>"


def time_signature(beats: str, beat_type: str) -> bytes:
    attributes = f"<attributes><divisions>12</divisions><time>{beats}{beat_type}</time></attributes>"
    return document([NOTE], first=attributes)


@pytest.mark.parametrize(
    ("musicxml", "what"),
    [
        (b"", "not well-formed"),
        (b"\x00\xff\xfe junk", "not well-formed"),
        (b"PK\x03\x04", "not well-formed"),
        (b"<score-partwise><part>", "not well-formed"),
        (b"<html/>", "root is <html>"),
        (b"<score-timewise/>", "root is <score-timewise>"),
        (b"<score-partwise/>", "no notes"),
        (document([""]), "no notes"),
        (time_signature("<beats>4</beats>", "<beat-type>0</beat-type>"), "bar 1: beat-type '0'"),
        (time_signature("<beats>4</beats>", "<beat-type>3</beat-type>"), "bar 1: beat-type '3'"),
        (time_signature("<beats>4</beats>", "<beat-type>-4</beat-type>"), "bar 1: beat-type '-4'"),
        (time_signature("<beats>4</beats>", "<beat-type>256</beat-type>"), "bar 1: beat-type '256'"),
        (time_signature("<beats>4</beats>", "<beat-type>four</beat-type>"), "bar 1: beat-type 'four'"),
        (time_signature("<beats>4</beats>", "<beat-type/>"), "bar 1: beat-type ''"),
        (time_signature("<beats>0</beats>", "<beat-type>4</beat-type>"), "bar 1: '0' beats"),
        (time_signature("<beats>99999999</beats>", "<beat-type>4</beat-type>"), "beats in a bar make no sense"),
        (document([NOTE], first="<attributes><divisions>0</divisions></attributes>"), "divisions '0'"),
        (document([NOTE.replace("12", "-12")]), "bar 1: duration '-12'"),
        (document([NOTE.replace("12", "nan")]), "bar 1: <duration> holds 'nan'"),
        (document([NOTE.replace("12", "1e300")]), "bar 1: <duration> holds '1e300'"),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><score-partwise>&b;</score-partwise>', "entities"),
    ],
)
def test_faults_are_named(musicxml: bytes, what: str) -> None:
    with pytest.raises(EngravingError, match=what.replace("(", r"\(")) as caught:
        prepare(musicxml)
    assert "\n" not in str(caught.value)


def test_too_much_is_refused() -> None:
    with pytest.raises(EngravingError, match="bytes"):
        prepare(b" " * (MAX_BYTES + 1))
    with pytest.raises(EngravingError, match=f"{MAX_NOTES + 1:,} notes"):
        prepare(document(["<note/>" * (MAX_NOTES + 1)]))


def test_additive_and_fractional_values_pass() -> None:
    prepare(time_signature("<beats>3+2</beats>", "<beat-type>8</beat-type>"))
    prepare(document([NOTE.replace("12", "12.0")]))


def test_ids_are_kept_and_given_where_there_are_none() -> None:
    with_ids = etree.fromstring(prepare(scale()[0]))
    assert [note.get("id") for note in with_ids.iter("note")] == [f"n{i}" for i in range(8)]
    bare = b"<score-partwise><part><measure>" + NOTE.encode() * 2 + b"</measure><measure/></part></score-partwise>"
    given = etree.fromstring(prepare(bare))
    assert [note.get("id") for note in given.iter("note")] == ["n0", "n1"]
    assert [measure.get("id") for measure in given.iter("measure")] == ["m0", "m1"]


def test_what_the_page_has_no_use_for_is_left_out() -> None:
    copy = etree.fromstring(prepare(every_feature()[0], frozenset({"n5"})))
    assert not list(copy.iter("multiple-rest"))
    assert [name.text for name in copy.iter("part-name")] == [None]
    assert [fingering.text for fingering in copy.iter("fingering")] == ["TA"]


def test_places_on_another_page_are_forgotten() -> None:
    words = (
        '<direction><direction-type><words default-y="-1769" relative-x="9">dolce</words></direction-type></direction>'
    )
    copy = etree.fromstring(prepare(document([words + NOTE.replace("<note>", '<note default-x="80">')])))
    assert [dict(element.attrib) for element in copy.iter("words", "note")] == [{}, {"id": "n0"}]
