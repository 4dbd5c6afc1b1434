"""Files that are no scores, or hostile ones: one line each, quickly, and never another exception."""

from __future__ import annotations

import io
import random
import re
import time
import zipfile
from pathlib import Path

import pytest
from peak import needs_proc, run_for_peak_mb

from companion.errors import ScoreError
from companion.passage import Passage
from companion.scores import for_engraving, mxl, read

FILES = Path(__file__).parent / "files"
GOOD = (FILES / "endings.musicxml").read_bytes()
CONTAINER = b'<?xml version="1.0"?><container><rootfiles><rootfile full-path="score.musicxml"/></rootfiles></container>'


def score(measures: str, attributes: str = "<divisions>1</divisions>", head: str = "") -> bytes:
    return (
        f'<?xml version="1.0"?>{head}<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>A'
        f'</part-name></score-part></part-list><part id="P1"><measure number="7"><attributes>{attributes}</attributes>'
        f"{measures}</measure></part></score-partwise>"
    ).encode()


def note(duration: str = "1", step: str = "C", octave: str = "4", alter: str = "0", more: str = "") -> str:
    pitch = f"<pitch><step>{step}</step><alter>{alter}</alter><octave>{octave}</octave></pitch>"
    return f"<note>{pitch}<duration>{duration}</duration>{more}</note>"


def zipped(*members: tuple[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return out.getvalue()


def bomb() -> bytes:
    entities = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10))
    return score(note(step="&e9;"), head=f'<!DOCTYPE score-partwise [<!ENTITY e0 "lol">{entities}]>')


BACK = '<barline><repeat direction="backward" times="8"/></barline>'

#: case -> bytes, and what the message must say
HOSTILE: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "empty"),
    "junk": (bytes(range(256)) * 40, "neither MusicXML nor a MIDI file"),
    "text": (b"not a score", "neither MusicXML nor a MIDI file"),
    "truncated": (GOOD[: len(GOOD) // 2], r"not well-formed XML in line \d+"),
    "html": (b"<!DOCTYPE html><html><body/></html>", "'html', not a MusicXML score"),
    "svg": (b'<svg xmlns="http://www.w3.org/2000/svg"/>', "svg"),
    "opus": (b"<opus/>", "'opus'"),
    "no parts": (b"<score-partwise/>", "no pitched notes"),
    "no notes": (score(""), "no pitched notes"),
    "only rests": (score("<note><rest/><duration>4</duration></note>"), "no pitched notes"),
    "entities": (bomb(), "declares the entity 'e0'"),
    "outer entity": (
        score(note(step="&x;"), head='<!DOCTYPE score-partwise [<!ENTITY x SYSTEM "file:///etc/passwd">]>'),
        "declares the entity 'x'",
    ),
    "parameter entity": (
        score(note(), head='<!DOCTYPE score-partwise [<!ENTITY % x SYSTEM "http://localhost/x.dtd"> %x;]>'),
        "declares the entity 'x'",
    ),
    "beat-type 0": (
        score(note(), "<divisions>1</divisions><time><beats>4</beats><beat-type>0</beat-type></time>"),
        "bar 7: the beat-type is 0",
    ),
    "beat-type 6": (score(note(), "<time><beats>4</beats><beat-type>6</beat-type></time>"), "power of two"),
    "beats 0": (score(note(), "<time><beats>0</beats><beat-type>4</beat-type></time>"), "bar 7.*beats is '0'"),
    "divisions 0": (score(note(), "<divisions>0</divisions>"), "bar 7: the divisions are 0"),
    "divisions -1": (score(note(), "<divisions>-1</divisions>"), "the divisions is '-1'"),
    "duration 0": (score(note("0")), "bar 7: a duration is '0'; it must be positive"),
    "duration -4": (score(note("-4")), "bar 7: a duration is '-4'"),
    "duration nan": (score(note("NaN")), "bar 7: a duration is 'NaN'"),
    "duration inf": (score(note("INF")), "bar 7: a duration is 'INF'"),
    "duration 1e999": (score(note("1e999")), "bar 7: a duration is '1e999'"),
    "duration of 5000 digits": (score(note("9" * 5000)), "bar 7: a duration is"),
    "no duration": (score("<note><pitch><step>C</step><octave>4</octave></pitch></note>"), "bar 7: a duration is ''"),
    "octave 99": (score(note(octave="99")), "bar 7: a note's octave is '99'"),
    "octave in other digits": (score(note(octave="٤")), "bar 7: a note's octave"),
    "alter 1000": (score(note(alter="1000")), "bar 7: a note's alteration is '1000'"),
    "step H": (score(note(step="H")), "bar 7: a note's step is 'H'"),
    "beyond MIDI": (score(note(step="B", octave="9")), "bar 7: the note B9 lies outside"),
    "neither pitch nor rest": (score(note() + "<note><duration>1</duration></note>"), "neither pitch nor rest"),
    "deep": (score(note() + "<a>" * 300 + "</a>" * 300), "nested deeper than 64"),
    "20001 notes": (score(note() * 20_001), "over 20000 notes"),
    "too many when unfolded": (score(note() * 3_000 + BACK), "unfold to over 20000 notes"),
    "100000 notes": (score(note() * 100_000), "over a million elements|over 20000 notes"),
    "coprime divisions": (
        score(
            "".join(f"<attributes><divisions>{p}</divisions></attributes>{note()}" for p in range(99_901, 100_201, 2))
        ),
        "no musical fraction",
    ),
    "unknown encoding": (GOOD.replace(b"UTF-8", b"KLINGON"), "encoding"),
    "wrong encoding": (GOOD.replace(b"UTF-8", b"UTF-16"), "not well-formed|encoding"),
    "not UTF-8": (GOOD.replace(b"Line", b"L\xefne"), "not well-formed"),
    "huge tag": (b'<score-partwise a="' + b"x" * 3_000_000 + b'"/>', "tag of over 1 MB"),
    "many attributes": (b"<a " + b" ".join(b'a%d=""' % i for i in range(2_000_000)) + b"/>", "over 1 MB|larger than"),
    "too large": (b"<a>" + b" " * 20_000_001 + b"</a>", "larger than 20 MB"),
    "junk zip": (b"PK\x03\x04" + bytes(range(256)) * 20, "zip file is damaged"),
    "zip without container": (zipped(("score.musicxml", GOOD)), "lacks 'META-INF/container.xml'"),
    "zip without score": (zipped(("META-INF/container.xml", CONTAINER)), "lacks 'score.musicxml'"),
    "zip with an empty score": (zipped(("META-INF/container.xml", CONTAINER), ("score.musicxml", b"")), "is empty"),
    "zip with a path out": (
        zipped(("META-INF/container.xml", CONTAINER), ("../../etc/cron", b"x"), ("score.musicxml", GOOD)),
        "unsafe path",
    ),
    "container with a path out": (
        zipped(("META-INF/container.xml", CONTAINER.replace(b"score.musicxml", b"../score.musicxml"))),
        "unsafe path",
    ),
    "container with a drive": (
        zipped(("META-INF/container.xml", CONTAINER.replace(b"score.musicxml", b"C:\\score.musicxml"))),
        "unsafe path",
    ),
    "container without rootfile": (zipped(("META-INF/container.xml", b"<container/>")), "names no MusicXML score"),
    "broken container": (zipped(("META-INF/container.xml", b"<container>")), "container.xml.*not well-formed"),
    "zip bomb": (
        zipped(("META-INF/container.xml", CONTAINER), ("score.musicxml", b"<a>" + b" " * 50_000_000 + b"</a>")),
        "times its size",
    ),
    "zip in zip": (
        zipped(("META-INF/container.xml", CONTAINER), ("score.musicxml", zipped(("a", b"b")))),
        "not well-formed",
    ),
    "truncated zip": (zipped(("META-INF/container.xml", CONTAINER), ("score.musicxml", GOOD))[:-40], "damaged"),
    "thousands of members": (zipped(*((f"m{i}", b"") for i in range(2_000))), "over 1000 members"),
    "parts times measures": (
        b"<score-timewise>"
        + b"".join(b'<measure><part id="p%d"/></measure>' % i for i in range(2_000))
        + b"</score-timewise>",
        "2000 parts in 2000 measures",
    ),
    "truncated MIDI": (b"MThd\x00\x00\x00\x06\x00\x01", "."),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_one_line_says_what_is_wrong(case: str, tmp_path: Path) -> None:
    data, message = HOSTILE[case]
    suffix = ".mxl" if "zip" in case else ".musicxml"
    path = tmp_path / f"case{suffix}"
    path.write_bytes(data)
    before = time.perf_counter()
    with pytest.raises(ScoreError, match=message) as caught:
        read(path)
    assert time.perf_counter() - before < 10
    assert len(str(caught.value).splitlines()) == 1
    assert str(caught.value).startswith(str(path))
    assert len(str(caught.value)) < 400 + len(str(path))


@needs_proc
def test_a_score_of_as_many_elements_as_allowed_stays_under_500_mb(tmp_path: Path) -> None:
    path = tmp_path / "large.musicxml"
    path.write_bytes(score((note(more='<voice id="a">2</voice>' + "<dot/>" * 36) + "\n") * 19_999))
    code = (
        "from companion.scores import read\ntry:\n    read(sys.argv[1])\nexcept Exception as error:\n    print(error)"
    )
    done, peak_mb = run_for_peak_mb(code, str(path))
    assert done.returncode == 0 and "million" not in done.stdout
    assert peak_mb < 500


def test_missing_folder_device_and_odd_names(tmp_path: Path) -> None:
    with pytest.raises(ScoreError, match="no such file"):
        read(tmp_path / "none.musicxml")
    with pytest.raises(ScoreError, match="is a folder"):
        read(tmp_path)
    with pytest.raises(ScoreError, match="not a regular file"):
        read("/dev/zero")
    with pytest.raises(ScoreError, match="can't be opened"):
        read("a\0b.musicxml")
    with pytest.raises(ScoreError) as caught:
        read(tmp_path / "two\nlines.musicxml")
    assert "\n" not in str(caught.value)


def as_utf16(text: str) -> bytes:
    return text.replace("UTF-8", "UTF-16").encode("utf-16")


ENCODED = {
    "UTF-8 with a byte order mark": b"\xef\xbb\xbf" + GOOD,
    "UTF-16": as_utf16(GOOD.decode()),
    "UTF-16 big-endian": b"\xfe\xff" + GOOD.decode().replace("UTF-8", "UTF-16").encode("utf-16-be"),
    "Latin-1": GOOD.decode().replace("UTF-8", "ISO-8859-1").replace("Line", "Ligné").encode("latin-1"),
    "Windows-1252": GOOD.decode().replace("UTF-8", "windows-1252").replace("Line", "€").encode("cp1252"),
    "no declaration": GOOD.split(b"\n", 1)[1],
    "blank lines first": b"\n \r\n" + GOOD.split(b"\n", 1)[1],
    "its document type": GOOD.replace(
        b"<score-partwise",
        b'<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN"'
        b' "http://www.musicxml.org/dtds/partwise.dtd"><score-partwise',
    ),
    "zipped": zipped(("mimetype", b"x"), ("META-INF/container.xml", CONTAINER), ("score.musicxml", GOOD)),
    "stored": zipped(("META-INF/container.xml", CONTAINER), ("score.musicxml", GOOD), method=zipfile.ZIP_STORED),
}


@pytest.mark.parametrize("encoding", ENCODED)
@pytest.mark.parametrize("suffix", [".musicxml", ".xml", ".mxl", ".txt"])
def test_any_encoding_under_any_name(encoding: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"score{suffix}"
    path.write_bytes(ENCODED[encoding])
    found = read(path)
    assert [str(n.written) for n in found.notes] == ["C4", "D4", "C4", "E4", "F4"]
    assert found.part_name == {"Latin-1": "Ligné", "Windows-1252": "€"}.get(encoding, "Line")


def mutated(data: bytes, chance: random.Random) -> bytes:
    """The file with some bytes changed, pieces cut out, doubled or moved, or elements taken away."""
    text = bytearray(data)
    match chance.randrange(5):
        case 0:
            for _ in range(chance.randint(1, 8)):
                text[chance.randrange(len(text))] = chance.randrange(256)
        case 1:
            del text[chance.randrange(len(text)) :]
        case 2:
            elements = list(re.finditer(rb"<([a-z-]+)[^<>]*>[^<>]*</\1>|<[a-z-]+[^<>]*/>", data))
            for found in sorted(chance.sample(elements, min(3, len(elements))), key=lambda f: -f.start()):
                del text[found.start() : found.end()]
        case 3:
            numbers = list(re.finditer(rb">-?\d+<", data))
            odd = [b"0", b"-1", b"1e9", b"NaN", b"", b"99999999999", b"0.3333", b"16", b"\xd9\xa4", b" 2 ", b"7/8"]
            for found in sorted(chance.sample(numbers, min(4, len(numbers))), key=lambda f: -f.start()):
                text[found.start() + 1 : found.end() - 1] = chance.choice(odd)
        case _:
            low = chance.randrange(len(text))
            piece = text[low : low + chance.randint(1, 400)]
            place = chance.randrange(len(text))
            text[place:place] = piece
    return bytes(text)


def check_whole(found: Passage) -> None:
    assert found.notes and found.bars
    assert all(n.length > 0 or n.grace for n in found.notes)
    assert all(one.start <= other.start for one, other in zip(found.notes, found.notes[1:], strict=False))
    assert all(0 <= slur.first < slur.last < len(found.notes) for slur in found.slurs)
    assert all(0 <= n.written_midi <= 127 for n in found.notes)


@pytest.mark.parametrize("seed", range(6))
def test_damaged_files_give_a_passage_or_a_score_error(seed: int, tmp_path: Path) -> None:
    chance = random.Random(seed)
    sources = [path.read_bytes() for path in sorted(FILES.glob("*.musicxml"))]
    path = tmp_path / "damaged.musicxml"
    refused = 0
    for _ in range(60):
        path.write_bytes(mutated(chance.choice(sources), chance))
        try:
            found = read(path)
            check_whole(found)
            for_engraving(found)
        except ScoreError as error:
            refused += 1
            assert len(str(error).splitlines()) == 1
    assert 0 < refused < 60


def test_damaged_zip_files(tmp_path: Path) -> None:
    chance = random.Random(7)
    whole = bytearray(ENCODED["zipped"])
    path = tmp_path / "damaged.mxl"
    for _ in range(150):
        text = bytearray(whole)
        for _ in range(chance.randint(1, 4)):
            text[chance.randrange(len(text))] = chance.randrange(256)
        path.write_bytes(text)
        try:
            check_whole(read(path))
        except ScoreError as error:
            assert len(str(error).splitlines()) == 1


@pytest.mark.parametrize("path", ["./score.musicxml", ".\\score.musicxml"])
def test_a_container_may_begin_its_path_at_the_folder(path: str) -> None:
    data = zipped(
        ("META-INF/container.xml", CONTAINER.replace(b"score.musicxml", path.encode())), ("score.musicxml", GOOD)
    )
    assert mxl.unpack(data, "x.mxl") == GOOD
