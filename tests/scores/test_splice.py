"""Fingering marks written into a score: nothing else changes, and every program that reads MusicXML finds them."""

from __future__ import annotations

import io
import random
import warnings
import zipfile
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import pytest
from lxml import etree

from companion.errors import ScoreError
from companion.passage import Pitch
from companion.paths import examples_dir
from companion.scores import for_engraving, marked_musicxml, read
from companion.scores.splice import with_fingerings

FILES = Path(__file__).parent / "files"
PASSAGES = examples_dir() / "passages"
ETUDE = PASSAGES / "etude-e-minor.musicxml"
OURS = ("bis", "side", "1+2")


def note(inside: str) -> bytes:
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<score-partwise version="4.0"><part-list><score-part id="P1">'
    head += '<part-name/></score-part></part-list><part id="P1"><measure number="1">'
    return f"{head}{inside}</measure></part></score-partwise>".encode()


PITCH = "<pitch><step>B</step><alter>-1</alter><octave>4</octave></pitch><duration>4</duration>"
MARK = "<technical><fingering>bis</fingering></technical>"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (f"<note>{PITCH}</note>", f"<note>{PITCH}<notations>{MARK}</notations></note>"),
        (
            f"<note>{PITCH}<lyric><text>la</text></lyric></note>",
            f"<note>{PITCH}<notations>{MARK}</notations><lyric><text>la</text></lyric></note>",
        ),
        (
            f"<note>{PITCH}<notations><slur type='start'/></notations></note>",
            f"<note>{PITCH}<notations><slur type='start'/>{MARK}</notations></note>",
        ),
        (f"<note>{PITCH}<notations/></note>", f"<note>{PITCH}<notations>{MARK}</notations></note>"),
        (
            f"<note>{PITCH}<notations print-object='a>b' /></note>",
            f"<note>{PITCH}<notations print-object='a>b' >{MARK}</notations></note>",
        ),
        (
            f"<note>{PITCH}<notations><technical><up-bow/></technical></notations></note>",
            f"<note>{PITCH}<notations><technical><up-bow/><fingering>bis</fingering></technical></notations></note>",
        ),
        (
            f"<note>{PITCH}<notations><technical><fingering>2</fingering></technical></notations></note>",
            f"<note>{PITCH}<notations><technical><fingering>2</fingering><fingering>bis</fingering></technical>"
            "</notations></note>",
        ),
        (
            f"<note>{PITCH}<notations><technical><fingering a='b'> Side </fingering></technical></notations></note>",
            f"<note>{PITCH}<notations><technical><fingering a='b'>bis</fingering></technical></notations></note>",
        ),
        (f"<note>{PITCH}<notations>{MARK}</notations></note>", f"<note>{PITCH}<notations>{MARK}</notations></note>"),
        (
            f"\n  <note>\n    {PITCH}\n  </note>\n",
            f"\n  <note>\n    {PITCH}\n    <notations>{MARK}</notations>\n  </note>\n",
        ),
        (
            f"\r\n  <note>\r\n    {PITCH}\r\n    <lyric/>\r\n  </note>\r\n",
            f"\r\n  <note>\r\n    {PITCH}\r\n    <notations>{MARK}</notations>\r\n    <lyric/>\r\n  </note>\r\n",
        ),
        (
            f"<!-- <note> --><note>{PITCH}<!-- </note> --><?target <note>?></note>",
            f"<!-- <note> --><note>{PITCH}<!-- </note> --><?target <note>?><notations>{MARK}</notations></note>",
        ),
    ],
)
def test_a_mark_is_put_in_where_the_standard_wants_it(before: str, after: str) -> None:
    """Order of a note's children: MusicXML 4.0, `note` element."""
    marked = with_fingerings(note(before), "made", {0: "bis"}, ours=OURS)
    assert marked == note(after)
    assert with_fingerings(marked, "made", {0: "bis"}, ours=OURS) == marked


def test_an_empty_text_takes_one_of_ours_away_and_no_other() -> None:
    kept = "<fingering>2</fingering>"
    before = f"<note>{PITCH}<notations><technical>{kept}<fingering>side</fingering></technical></notations></note>"
    after = f"<note>{PITCH}<notations><technical>{kept}</technical></notations></note>"
    assert with_fingerings(note(before), "made", {0: ""}, ours=OURS) == note(after)


def test_marks_with_special_signs_are_text() -> None:
    marked = with_fingerings(note(f"<note>{PITCH}</note>"), "made", {0: "1&2 <b>"})
    assert etree.fromstring(marked).findtext(".//fingering") == "1&2 <b>"


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "iso-8859-1", "us-ascii", "utf-16-be"])
def test_other_encodings(encoding: str) -> None:
    declared = encoding.removesuffix("-sig").removesuffix("-be")
    text = note(f"<note>{PITCH}<notations a='\"&gt;'/></note><note>{PITCH}</note>").decode()
    data = text.replace("UTF-8", declared).encode(encoding)
    if encoding == "utf-16-be":
        data = b"\xfe\xff" + data
    marked = with_fingerings(data, "made", {0: "+B♭", 1: "side"})
    root = etree.fromstring(marked)
    assert [f.text for f in root.iter("fingering")] == ["+B♭", "side"]
    assert len(marked) > len(data) and marked[:20] == data[:20]


@pytest.mark.parametrize(
    "head",
    [
        '<?xml version="1.0" encoding = "ISO-8859-1"?>',
        "<?xml version='1.0'\nencoding='ISO-8859-1' ?>",
        '\ufeff<?xml version="1.0" encoding="ISO-8859-1"?>',
    ],
)
def test_encodings_declared_in_other_ways(head: str) -> None:
    """XML 1.0, EncodingDecl: blanks may stand around the equals sign. Behind a byte order mark it is UTF-8 (as lxml
    has it)."""
    text = note(f"<note>{PITCH}<lyric><text>é</text></lyric></note>").decode().partition("?>")[2]
    data = (head + text).encode("utf-8" if head.startswith("\ufeff") else "iso-8859-1")
    marked = with_fingerings(data, "made", {0: "+B♭"})
    root = etree.fromstring(marked)
    assert (root.findtext(".//fingering"), root.findtext(".//lyric/text")) == ("+B♭", "é")
    assert with_fingerings(marked, "made", {0: "+B♭"}) == marked


def test_notes_of_another_vocabulary_are_not_counted() -> None:
    """Namespaces in XML 1.0: `<note>` under another default namespace is another element; the reader doesn't count it
    either."""
    foreign = '<other xmlns="urn:made"><note/></other><m:note xmlns:m="urn:made"/>'
    before = note(f"{foreign}<note>{PITCH}</note>")
    assert with_fingerings(before, "made", {0: "bis"}) == note(
        f"{foreign}<note>{PITCH}<notations>{MARK}</notations></note>"
    )


def test_two_of_ours_at_one_note_become_one() -> None:
    two = "<fingering>side</fingering><fingering>1+2</fingering>"
    for wanted in ("bis", "1+2"):
        before = note(f"<note>{PITCH}<notations><technical>{two}</technical></notations></note>")
        after = with_fingerings(before, "made", {0: wanted}, ours=OURS)
        assert [f.text for f in etree.fromstring(after).iter("fingering")] == [wanted]


def test_a_note_tied_to_one_spelled_otherwise_is_no_misprint(tmp_path: Path) -> None:
    """B♭ tied to A♯: what is not corrected stays as it is; a correction holds for both."""
    path = tmp_path / "made.musicxml"
    sharp = "<pitch><step>A</step><alter>1</alter><octave>4</octave></pitch><duration>4</duration>"
    attributes = "<attributes><divisions>1</divisions></attributes>"
    path.write_bytes(note(f"{attributes}<note>{PITCH}<tie type='start'/></note><note>{sharp}<tie type='stop'/></note>"))
    passage = read(path)
    (tied,) = passage.notes
    assert tied.tied_sources == (1,) and marked_musicxml(passage, {}) == path.read_bytes()
    corrected = replace(passage, notes=(replace(tied, written=Pitch("C", 0, 5)),))
    root = etree.fromstring(marked_musicxml(corrected, {}))
    assert [step.text for step in root.iter("step")] == ["C", "C"]


def test_a_packed_score_keeps_its_other_members() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.comment = b"by hand"
        first = zipfile.ZipInfo("mimetype", (2001, 2, 3, 4, 5, 6))
        archive.writestr(first, "application/vnd.recordare.musicxml", zipfile.ZIP_STORED)
        container = "<container><rootfiles><rootfile full-path='in/s.xml'/></rootfiles></container>"
        archive.writestr("META-INF/container.xml", container, zipfile.ZIP_DEFLATED)
        archive.writestr("in/s.xml", note(f"<note>{PITCH}</note>"), zipfile.ZIP_DEFLATED)
        archive.writestr("picture.png", bytes(range(256)), zipfile.ZIP_STORED)
    marked = with_fingerings(out.getvalue(), "made.mxl", {0: "bis"})
    with zipfile.ZipFile(out) as before, zipfile.ZipFile(io.BytesIO(marked)) as after:
        assert after.comment == before.comment and after.namelist() == before.namelist()
        for was, now in zip(before.infolist(), after.infolist(), strict=True):
            assert (was.date_time, was.compress_type, was.external_attr) == (
                now.date_time, now.compress_type, now.external_attr,
            )  # fmt: skip
            if was.filename != "in/s.xml":
                assert before.read(was) == after.read(now)
        assert b"<fingering>bis</fingering>" in after.read("in/s.xml")


def _packed(*more: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        warnings.simplefilter("ignore")  # members of one name
        archive.writestr("META-INF/container.xml", "<container><rootfile full-path='s.xml'/></container>")
        for name, content in (*more, ("s.xml", note(f"<note>{PITCH}</note>"))):
            archive.writestr(name, content)
    return out.getvalue()


def test_of_two_members_of_one_name_the_one_that_is_read_is_marked() -> None:
    marked = with_fingerings(_packed(("s.xml", b"<draft/>")), "made.mxl", {0: "bis"})
    with zipfile.ZipFile(io.BytesIO(marked)) as archive:
        first, last = (archive.read(info) for info in archive.infolist() if info.filename == "s.xml")
    assert first == b"<draft/>" and b"bis" in last


def test_another_member_that_unpacks_without_end_is_refused() -> None:
    with pytest.raises(ScoreError, match=r"'deep\.bin' unpacks to 30000000 bytes"):
        with_fingerings(_packed(("deep.bin", bytes(30_000_000))), "made.mxl", {0: "bis"})


def test_a_misprint_is_put_right_where_it_stands() -> None:
    printed = "<pitch><step>B</step><octave>4</octave></pitch><duration>4</duration><accidental>natural</accidental>"
    marked = with_fingerings(note(f"<note>{printed}</note>"), "made", {}, {0: Pitch("E", -1, 5)})
    right = "<pitch><step>E</step><alter>-1</alter><octave>5</octave></pitch><duration>4</duration>"
    assert marked == note(f"<note>{right}</note>")
    back = with_fingerings(marked, "made", {}, {0: Pitch("B", 0, 4)})
    assert etree.fromstring(back).findtext(".//alter") == "0"


def test_a_note_that_is_not_there_and_a_broken_file_are_said() -> None:
    with pytest.raises(ScoreError, match="does not hold the notes"):
        with_fingerings(note(f"<note>{PITCH}</note>"), "made", {3: "bis"})
    with pytest.raises(ScoreError):
        with_fingerings(b"<score-partwise><note></score-partwise>", "made", {0: "bis"})


def _without(marked: bytes, data: bytes) -> bytes:
    """`marked` less what was inserted, found by walking along both."""
    at = 0
    kept = bytearray()
    for byte in marked:
        if at < len(data) and byte == data[at]:
            kept.append(byte)
            at += 1
    return bytes(kept)


def _elements(data: bytes) -> list[tuple[str, str, tuple[tuple[str, str], ...]]]:
    """Every element but the marks, with text and attributes, in order."""
    root = etree.fromstring(data)
    for mark in [f for f in root.iter("fingering") if (f.text or "").startswith("made ")]:
        mark.getparent().remove(mark)
    for tag in ("technical", "notations"):
        # An empty one may have been there before.
        for empty in [element for element in root.iter(tag) if len(element) == 0]:
            empty.getparent().remove(empty)
    return [(str(e.tag), (e.text or "").strip(), tuple(e.attrib.items())) for e in root.iter()]


SOME = sorted(FILES.glob("*.musicxml")) + sorted(PASSAGES.glob("*.musicxml"))


@pytest.mark.parametrize("path", SOME, ids=lambda path: path.stem)
def test_our_files_keep_everything_else(path: Path) -> None:
    data = path.read_bytes()
    _check_pure(data, path.name)


def _check_pure(data: bytes, name: str) -> int:
    """Mark a third of the notes; returns how many."""
    notes = [i for i, _ in enumerate(etree.fromstring(data).iter("note"))]
    chosen = random.Random(len(data)).sample(notes, (len(notes) + 2) // 3)
    marked = with_fingerings(data, name, {i: f"made {i}" for i in chosen})
    root = etree.fromstring(marked)
    for i, element in enumerate(root.iter("note")):
        texts = [f.text for f in element.iterfind("notations/technical/fingering")]
        assert (f"made {i}" in texts) == (i in set(chosen)), f"note {i}"
    assert _elements(marked) == _elements(data)
    assert len(_without(marked, data)) == len(data)
    return len(chosen)


def _corpus() -> list[Path]:
    found = find_spec("music21")
    assert found is not None and found.origin is not None
    root = Path(found.origin).parent / "corpus"
    return sorted(p for suffix in ("xml", "mxl", "musicxml") for p in root.rglob(f"*.{suffix}"))


@pytest.mark.corpus
def test_files_of_many_programs_keep_everything_else() -> None:
    """music21's corpus: scores written by many notation programs over twenty years."""
    count = marks = 0
    for path in _corpus()[::6]:
        data = path.read_bytes()
        if data.startswith(b"PK"):
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                data = next(archive.read(n) for n in archive.namelist() if n.endswith("xml") and "META" not in n)
        if len(data) > 1_500_000 or b"<score-partwise" not in data:
            continue
        marks += _check_pure(data, path.name)
        count += 1
    assert count > 80 and marks > 10_000


def test_the_file_passes_the_schema_and_other_readers_find_the_marks() -> None:
    """The schema of MusicXML that partitura carries; music21's reader; and our own."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import music21
        import partitura
        import xmlschema
    fingering = music21.articulations.Fingering

    passage = read(ETUDE)
    wanted = {passage.notes[i].source: text for i, text in ((2, "side"), (7, "bis"), (11, "1+2"))}
    marked = marked_musicxml(passage, wanted)
    schema = xmlschema.XMLSchema(str(Path(partitura.__file__).parent / "assets" / "musicxml.xsd"), allow="local")
    assert schema.is_valid(io.BytesIO(marked))

    score = music21.converter.parseData(marked.decode(), format="musicxml")
    notes = [n for n in score.recurse().notes if not n.duration.isGrace]
    fingered = [
        (n.pitch.midi, a.fingerNumber) for n in notes for a in n.articulations if isinstance(a, fingering)
    ]  # fmt: skip
    assert sorted(text for _, text in fingered) == ["1+2", "bis", "side"]
    assert {midi for midi, text in fingered if text == "side"} == {passage.notes[2].written_midi}


def test_read_back_by_our_own_reader(tmp_path: Path) -> None:
    passage = read(ETUDE)
    wanted = {note.source: f"m{note.index}" for note in passage.notes}
    out = tmp_path / "marked.musicxml"
    out.write_bytes(marked_musicxml(passage, wanted))
    again = read(out)
    assert [n.fingering_mark for n in again.notes] == [wanted[n.source] for n in passage.notes]
    assert [(n.written, n.start, n.length) for n in again.notes] == [
        (n.written, n.start, n.length) for n in passage.notes
    ]


def test_a_midi_file_becomes_a_score_with_marks(tmp_path: Path) -> None:
    passage = read(PASSAGES / "march-in-g.mid")
    wanted = {passage.notes[i].source: f"m{i}" for i in range(0, len(passage.notes), 5)}
    out = tmp_path / "marked.musicxml"
    out.write_bytes(marked_musicxml(passage, wanted))
    marked = {n.written_midi for n in read(out).notes if n.fingering_mark}
    assert marked == {passage.notes[i].written_midi for i in range(0, len(passage.notes), 5)}


@pytest.mark.parametrize("name", ["etude-e-minor.musicxml", "march-in-g.mid"])
def test_a_corrected_misprint_is_drawn_and_written(name: str) -> None:
    from companion.record.marks import Mark, MarkSheet, Place, resolve

    passage = read(PASSAGES / name)
    mark = Mark("correction", Place(passage.bars[2].number, -2), "E5", to=Pitch("D", 1, 5))
    marked = resolve(MarkSheet(Path("x"), (mark,)), passage)
    (source,) = marked.corrections
    drawn = etree.fromstring(for_engraving(marked.passage))
    (element,) = [n for n in drawn.iter("note") if n.get("id") == f"n{source}"]
    assert (element.findtext("pitch/step"), element.findtext("pitch/alter"), element.findtext("pitch/octave")) == (
        "D", "1", "5",
    )  # fmt: skip
    written = etree.fromstring(marked_musicxml(marked.passage, {}))
    assert any(n.findtext("pitch/step") == "D" and n.findtext("pitch/alter") == "1" for n in written.iter("note"))
    untouched = etree.fromstring(for_engraving(passage))
    changed = [
        a.get("id") for a, b in zip(drawn.iter("note"), untouched.iter("note"), strict=True)
        if etree.tostring(a) != etree.tostring(b)
    ]  # fmt: skip
    # In a score that we write, the note after it may get the accidental that the correction calls for.
    assert changed[0] == f"n{source}" and len(changed) == (1 if name.endswith("xml") else 2)
