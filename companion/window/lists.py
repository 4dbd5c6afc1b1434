"""The leaves of the stand: what each lists, and what choosing a line does. Another one is a function and a line in
`LEAVES`."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pygame

from companion import charts
from companion.errors import UsageError
from companion.passage import Passage
from companion.ports import KEYS_PORT, KeysPort
from companion.practice.climbs import CLIMBS
from companion.practice.metronome import beat_unit, counted_note, metronome_number, units_in_words
from companion.practice.tolerance import tolerance_in_words
from companion.practice.words import capital, place_in_words, printed_bars
from companion.window import pencil
from companion.window.advice import CARE
from companion.window.comment_leaf import ReadLeaf, comment_sections
from companion.window.fingerings import cost_of
from companion.window.leaves import ChoiceLeaf, KeysLeaf, Leaf, NoteCheckLeaf, Row
from companion.window.material import exercises_leaf, trouble_leaf
from companion.window.note_check import CHECK_NOTE_NAME
from companion.window.note_leaf import FingeringShown, NoteLeaf, cost_in_words
from companion.window.pencilled import TIMES_SIZE
from companion.window.run import Run
from companion.window.stand import Stand
from companion.window.strip import StripNote, draw_strip, strip_shapes
from companion.window.theme import Ink, Type

__all__ = ["LEAVES", "SIMULATED"]

#: A leaf that is read, not searched.
SPOTS_LISTED, RELIEFS_LISTED, TRILLS_LISTED = 5, 5, 4
#: Players that need no device, with what they are.
SIMULATED = {
    "sim:steady:1": "the simulated player: hardly ever a slip",
    "sim:student:1": "the simulated player: a slip now and then, more of them the faster it goes",
    "sim:beginner:1": "the simulated player: many slips, stutters and hesitations",
}
ALWAYS_THERE = {KEYS_PORT: "the computer's keys as a horn: J shows which is which", **SIMULATED}


def _bars(run: Run, stand: Stand) -> Leaf:
    """What went wrong, phrases of four bars, and single bars, as they are written."""
    passage, section = run.rehearsal.passage, run.rehearsal.section
    written = sorted({bar.written_index for bar in passage.bars})
    pairs = _phrases(passage, written) + [(index, index) for index in written]
    spans = [(0, len(passage.bars) - 1)] + [passage.written_range(*pair) for pair in pairs]
    rows = [Row("the whole passage", f"{len(written)} bars")] + [Row(_bars_in_words(passage, *pair)) for pair in pairs]
    trouble = run.rehearsal.trouble_section()
    if trouble:
        low, high = (passage.bars[i].written_index for i in trouble)
        spans.insert(1, trouble)
        rows.insert(1, Row(_bars_in_words(passage, low, high), "what went wrong"))
    now = (section.first_bar, section.last_bar)
    return ChoiceLeaf(
        "bars",
        "Which bars?",
        lambda: rows,
        lambda i: run.rehearsal.choose_bars(*spans[i]),
        chosen=spans.index(now) if now in spans else 0,
        hint="Any others: draw across them on the page with the mouse.",
    )


def _phrases(passage: Passage, written: list[int]) -> list[tuple[int, int]]:
    """Fours of bars, after an upbeat; none where there is only one."""
    if len(written) <= 4:
        return []
    first_full = 1 if passage.bars[0].upbeat else 0
    return [(written[i], written[min(i + 3, len(written) - 1)]) for i in range(first_full, len(written), 4)]


def _bars_in_words(passage: Passage, low: int, high: int) -> str:
    """Written bars by their printed numbers."""
    numbers = {bar.written_index: bar.number for bar in reversed(passage.bars)}
    if passage.bars[0].upbeat:
        numbers[passage.bars[0].written_index] = "the upbeat"
    if low == high:
        return numbers[low] if numbers[low] == "the upbeat" else f"bar {numbers[low]}"
    return f"bars {numbers[low]}–{numbers[high]}"


def _tempo(run: Run, stand: Stand) -> Leaf:
    rehearsal, ladder = run.rehearsal, run.rehearsal.ladder
    bar = rehearsal.section.passage.bars[0]
    said = {len(ladder.rungs) - 1: run.music.target_label, ladder.rung: "you are here"}
    rows = [Row(metronome_number(tempo_bpm, bar), said.get(rung, "")) for rung, tempo_bpm in enumerate(ladder.rungs)]
    climbs = list(CLIMBS.values())
    rows += [Row(each.title, "you climb so" if each.name == ladder.climb else "", each.reason) for each in climbs]

    def choose(index: int) -> None:
        if index < len(ladder.rungs):
            rehearsal.choose_tempo(ladder.rungs[index])
        else:
            rehearsal.use_ladder(ladder.with_climb(climbs[index - len(ladder.rungs)].name))

    return ChoiceLeaf(
        "tempo",
        "Which tempo, and how to climb?",
        lambda: rows,
        choose,
        chosen=ladder.rung,
        typed=lambda number: rehearsal.choose_tempo(number * beat_unit(bar)[1]),
        hint=f"{ladder.rule} Type a number of {units_in_words(bar)} a minute for the nearest rung.",
    )


def _fingerings(run: Run, stand: Stand) -> Leaf:
    passage = run.rehearsal.passage
    picked = [c for c in run.rehearsal.plan.choices if c.fingering.mark or not c.fingering.standard or c.fixed]
    rows = []
    for choice in picked:
        note = passage.notes[choice.note_index]
        place = f"bar {passage.bars[note.bar].number}: {place_in_words(passage, note).removeprefix('the ')}"
        rows.append(Row(f"{note.written} {choice.fingering.name}", place, run.music.reason(choice.note_index)))

    def look(index: int) -> None:
        stand.looked_at = picked[index].note_index
        stand.page.follow(picked[index].note_index, stand.place.music)

    choose = look if picked and not run.rehearsal.busy else None
    rows = rows or [Row("every note has its usual fingering here")]
    return ChoiceLeaf("fingerings", "Fingerings to think of", lambda: rows, choose, width=640)


def _note(run: Run, stand: Stand) -> Leaf:
    """All fingerings of the note looked at, the chosen one among them."""
    at = stand.looked_at if stand.looked_at is not None else (stand.shown_note() or 0)
    stand.looked_at = at
    passage, choice, chart = run.rehearsal.passage, run.rehearsal.plan.choices[at], run.chart
    note = passage.notes[at]
    costs = {
        other.fingering: cost_in_words(cost_of(run.rehearsal.plan, chart, at, other)) for other in choice.runners_up
    }
    columns = [
        FingeringShown(fingering, fingering == choice.fingering, costs.get(fingering, "not between these notes"))
        for fingering in chart.for_note(note.written_midi)
    ]
    place = place_in_words(passage, note).removeprefix("the ")
    words = f"{choice.fingering.name}: {run.music.reason(at)}."
    if comment := run.music.comment(at):
        words += f" Written here: {comment}"
    return NoteLeaf(
        chart,
        f"{note.written}, bar {passage.bars[note.bar].number}, {place}",
        words,
        columns,
        lambda fingering: run.pick(at, fingering.name),
        (lambda: run.pick(at, None)) if at in run.music.marks else None,
    )


def _limits(run: Run, stand: Stand) -> Leaf:
    """The hardest spots, then where another fingering would raise a limit most, then trills."""
    limits = run.limits()
    spots, reliefs, trills = limits.spots[:SPOTS_LISTED], limits.reliefs[:RELIEFS_LISTED], limits.trills[:TRILLS_LISTED]
    found = [(spot.first_note, "hard spot", spot.sentence) for spot in spots]
    found += [(relief.note_index, "another fingering", relief.sentence) for relief in reliefs]
    found += [(trill.note_index, "trill", trill.sentence) for trill in trills]
    rows = []
    for _, kind, sentence in found:
        place, _, words = sentence.partition(": ")
        rows.append(Row(place, kind, words))

    def look(index: int) -> None:
        stand.looked_at = found[index][0]
        stand.page.follow(found[index][0], stand.place.music)

    rows = rows or [Row("nothing here has a limit")]
    pace = run.own_limits.words
    return ChoiceLeaf(
        "limits",
        f"What is hardest at {limits.tempo_bpm:g}, and what would help",
        lambda: rows,
        look if found else None,
        width=700,
        hint=f"All tempos are quarters a minute. {capital(pace)}.",
    )


def _comment(run: Run, stand: Stand) -> Leaf:
    """All that the take shown tells."""
    take = stand.take_shown() or run.rehearsal.last_take
    if take is None:
        raise UsageError("there is no take to tell of yet: the space bar starts one")
    bar = take.section.passage.bars[0]
    bars = f", {printed_bars(take.section.label)}" if take.section.label else ""
    tempo = counted_note(bar).mark(take.tempo_bpm)
    title = f"Take {run.rehearsal.takes.index(take) + 1} of this sitting{bars}, at {tempo}"
    return ReadLeaf("comment", title, comment_sections(take, run.rehearsal.tolerances))


def _takes(run: Run, stand: Stand) -> Leaf:
    """The takes of this sitting, the newest first, to go through one of them."""
    takes = [take for take in reversed(run.rehearsal.takes) if len(take.played)]
    numbers = {id(take): i + 1 for i, take in enumerate(run.rehearsal.takes)}
    rows = []
    for take in takes:
        bars = printed_bars(take.section.label, "the whole passage")
        tempo = counted_note(take.section.passage.bars[0]).mark(take.tempo_bpm)
        rows.append(Row(f"take {numbers[id(take)]}: {bars}", f"at {tempo}", take.assessment.advice))
    now = stand.replaying.take if stand.replaying is not None else None
    return ChoiceLeaf(
        "takes",
        "Which take?",
        lambda: rows or [Row("no take of this sitting has a note")],
        (lambda i: stand.replay(takes[i])) if takes else None,
        chosen=next((i for i, take in enumerate(takes) if take is now), 0),
        width=640,
    )


def _instrument(run: Run, stand: Stand) -> Leaf:
    names = list(charts.names())
    rows = [Row(charts.load(name).title) for name in names]
    return ChoiceLeaf(
        "instruments",
        "Which horn?",
        lambda: rows,
        lambda i: run.use_instrument(names[i]),
        chosen=names.index(run.chart.name) if run.chart.name in names else 0,
        hint="The same written notes, planned for the keys of that horn.",
    )


def _port(run: Run, stand: Stand) -> Leaf:
    # What was drawn last, so that a line chosen is the line seen, also when a device comes or goes in between.
    names: list[str] = []

    def rows() -> list[Row]:
        apis = {port.name: port.api for port in run.controller.there()}
        names[:] = [*apis, KEYS_PORT, *SIMULATED]
        return [
            Row(name, "in use" if name == run.controller.name else apis.get(name, ""), ALWAYS_THERE.get(name, ""))
            for name in names
        ]

    rows()
    wanted = run.offered.name if run.offered else run.controller.name
    return ChoiceLeaf(
        "ports",
        "Who plays?",
        rows,
        lambda i: run.use_port(names[i]),
        chosen=names.index(wanted) if wanted in names else 0,
        width=640,
        hint="A controller plugged in now appears by itself. After choosing one, C checks what pitch it sends.",
    )


def _check(run: Run, stand: Stand) -> Leaf:
    run.begin_check()
    return NoteCheckLeaf(CHECK_NOTE_NAME, lambda: run.check.answer, lambda: run.end_check(keep=False))


def _horn_keys(run: Run, stand: Stand) -> Leaf:
    from companion.ports.keys_file import load_layout
    from companion.window.horn_keys_leaf import HornKeysLeaf

    def use() -> KeysPort | None:
        run.use_port(KEYS_PORT)
        return run.controller.keys

    port = run.controller.keys
    layout = port.layout if port is not None else load_layout(run.setup.settings)
    return HornKeysLeaf(run.chart, layout, port, clock=run.clock, settings=run.setup.settings, use=use)


def _keys(run: Run, stand: Stand) -> Leaf:
    head = max(10, round(13 * stand.place.scale))
    marks = (
        (pencil.ring(head), "a wrong note"),
        (pencil.brackets(head), "a note left out"),
        (pencil.arrow(head, head * 2, False), "early (the longer, the more)"),
        (pencil.arrow(head, head * 2, True), "late"),
        (pencil.insert_mark(head), "played, but not written"),
        (pencil.slip(head), "a slip on the way to a note: click it for its fingers"),
        (pencil.slur(head * 3, head, True), "slur these: they were tongued"),
        (pencil.cut(head), "tongue here: it was slurred"),
        (pencil.dot(head), "shorter than you held it"),
        (pencil.dash(head), "longer than you held it"),
        (
            Type(stand.place.scale).surface("bis", 13, "italic", Ink.PENCIL),
            "the fingering you used, not the planned one",
        ),
        (pencil.spectacles(head), "your own trouble spot (O)"),
        (_strip_sample(head, stand.place.scale), "early above, late below; broken: your own beat"),
        (
            Type(stand.place.scale).surface("2×", TIMES_SIZE, "italic", Ink.PENCIL),
            "beside a mark: so often, where bars are repeated",
        ),
        (pencil.tick(head + 2), "a clean take, on the ladder"),
        (pencil.hatching((head * 2, head), 2), "a hard spot (H), with the tempo it can reach"),
        (pencil.cross(head, Ink.BLUE), "something is written about this note"),
        (_underline(head, stand.place.scale), "a fingering that was marked by hand, not planned"),
    )
    words = tolerance_in_words(run.rehearsal.tolerances)
    return KeysLeaf(marks, f"{capital(words)}. {CARE}")


def _strip_sample(head_px: int, scale: float) -> pygame.Surface:
    """A little of the strip under the staff."""
    box = pygame.Rect(0, 0, round(head_px * 3.2), round(head_px * 1.7))
    picture = pygame.Surface(box.size)
    picture.fill(Ink.PAPER)
    notes = [
        (StripNote(i, off_ms, 30, 30), pygame.Rect(round(head_px * (0.2 + i)), 0, head_px // 2, head_px // 2))
        for i, off_ms in enumerate((-55.0, 8.0, 40.0))
    ]
    draw_strip(picture, strip_shapes(notes, box, 75.0), box, 0, Type(scale))
    return picture


def _underline(head_px: int, scale: float) -> pygame.Surface:
    """A fingering's mark with the stroke of ink under it."""
    word = Type(scale).surface("bis", 13, "bold", Ink.BLUE)
    line = max(2, head_px // 7)
    picture = pygame.Surface((word.get_width(), word.get_height() + line), pygame.SRCALPHA)
    picture.blit(word, (0, 0))
    picture.fill(Ink.BLUE, (0, word.get_height(), word.get_width(), line))
    return picture


def _shapes(run: Run, stand: Stand) -> Leaf:
    """Every note's shapes to browse, at the note looked at, and the practice of what this passage asks for."""
    # Loaded when it is opened: the stand's first page doesn't wait for it.
    from companion.ports.tone import TonePlayer
    from companion.practice.shapes import practice_order
    from companion.record.shapes import read_answers
    from companion.window.shapes import ShapesScreen
    from companion.window.shapes_horn import letters_of

    passage = run.rehearsal.passage
    at = stand.shown_note()
    return ShapesScreen(
        run.chart,
        practice_order(run.chart, run.setup.rules, passage, run.rehearsal.plan),
        read_answers(run.setup.sessions, run.chart.name),
        sessions=run.setup.sessions,
        tone=TonePlayer(run.sound.click),
        levels=run.sound.levels,
        clock=run.clock,
        keep=not run.controller.simulated,
        why_not="the simulated player plays: nothing is remembered" if run.controller.simulated else "",
        shift_semitones=run.rehearsal.shift_semitones,
        has_port=run.controller.port is not None and not run.controller.simulated,
        title=passage.title,
        letters=partial(letters_of, run.controller.keys) if run.controller.keys is not None else None,
        at_midi=passage.notes[at].written_midi if at is not None else None,
    )


#: action of the bindings -> the leaf it lays over the stand
LEAVES: dict[str, Callable[[Run, Stand], Leaf]] = {
    "keys": _keys,
    "bars": _bars,
    "tempo": _tempo,
    "fingerings": _fingerings,
    "note": _note,
    "limits": _limits,
    "comment": _comment,
    "replay_take": _takes,
    "trouble": trouble_leaf,
    "exercises": exercises_leaf,
    "instrument": _instrument,
    "port": _port,
    "check": _check,
    "horn_keys": _horn_keys,
    "shapes": _shapes,
}
