"""A student's page of the studio: one self-contained HTML file, to be read on any screen and printed on one sheet.

All that comes from a student's folder is text: it is escaped, and the page runs nothing and loads nothing.
"""

from __future__ import annotations

from datetime import date
from html import escape

from companion.practice.words import number_of, piece_in_words
from companion.record.studio import ItemState, Student
from companion.record.text import LEGEND, day_cells, day_in_words, demands, so_far
from companion.record.week import WEEKDAYS, WeekSheet

__all__ = ["student_html"]

_STYLE = """
body { font: 11pt/1.45 "Libertinus Serif", Georgia, serif; color: #181614; background: #faf6ea; margin: 2.2em auto;
  max-width: 46em; padding: 0 1em; }
h1 { font-size: 20pt; margin: 0; } h2 { font-size: 13pt; margin: 1.4em 0 .3em; }
p.quiet, td.quiet { color: #68625a; font-style: italic; } p { margin: .3em 0; }
table { border-collapse: collapse; width: 100%; } th { text-align: left; font-weight: normal; font-style: italic; }
th, td { padding: .22em .5em .22em 0; border-bottom: 1px solid #c4bbaa; vertical-align: top; }
td.number, th.number { text-align: right; } tr.reached td:first-child { font-weight: bold; }
@media print { body { background: none; margin: 0; max-width: none; } @page { size: A4; margin: 18mm; } }
"""
#: So many spots and notes have room on one sheet.
MOST_SPOTS = 5
CARE = "Rest some minutes every half hour; stop at pain, numbness or tingling, and ask licensed health professionals."


def student_html(student: Student, today: date) -> str:
    """The page.

    Parameters
    ----------
    student
        As `record.studio` has it.
    today
        The day the page is made.
    """
    sheet = student.sheet
    title = sheet.student if sheet is not None and sheet.student else student.shown
    body = [f"<h1>{escape(title)}</h1>", f'<p class="quiet">{escape(_about(student, today))}</p>']
    if sheet is not None:
        of = "this week" if today in sheet.days else f"for the week of {day_in_words(sheet.week)}"
        body.append(f"<h2>What was set {of}</h2>")
        if sheet.items:
            body += [_items(sheet, student.items), f'<p class="quiet">{escape(LEGEND)}</p>']
        else:
            body.append("<p>Nothing is set.</p>")
    else:
        body.append("<p>There is no week sheet that can be read.</p>")
    if student.spots:
        body.append("<h2>What keeps failing</h2>")
        body += [f"<p>{escape(spot.sentence)}.</p>" for spot in student.spots[:MOST_SPOTS]]
        more = len(student.spots) - MOST_SPOTS
        body += [f'<p class="quiet">and {more} more</p>'] if more > 0 else []
    if student.remarks:
        body.append("<h2>Notes</h2>")
        body += [f'<p class="quiet">{escape(remark)}</p>' for remark in student.remarks[:MOST_SPOTS]]
        more = len(student.remarks) - MOST_SPOTS
        body += [f'<p class="quiet">and {more} more like these</p>'] if more > 0 else []
    body.append(f'<p class="quiet">{escape(CARE)}</p>')
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _about(student: Student, today: date) -> str:
    last = f"played last on {student.played_last(today)}" if student.last_day else "nothing played yet"
    when = "in the last seven days"
    if student.sheet is not None:
        week = student.sheet.week
        when = "this week" if today in student.sheet.days else f"in the week of {day_in_words(week)} {week.year}"
    takes = number_of(student.week_takes, "take")
    return f"{day_in_words(today)} {today.year}: {student.week_minutes:.0f} minutes in {takes} {when}; {last}."


def _items(sheet: WeekSheet, states: tuple[ItemState, ...]) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in ("Passage", "Target", *WEEKDAYS, "At target"))
    rows = [f"<table><tr>{head}</tr>"]
    for state in states:
        item, found = state.item, state.reached
        name = piece_in_words(item.passage.rpartition("/")[2], item.bars, item.exercise)
        due = WEEKDAYS[item.by.weekday()] if item.by in sheet.days else day_in_words(item.by) if item.by else ""
        by = f"{item.target_bpm:g}" + (f" by {due}" if due else "")
        cells = [name, by, *day_cells(found), so_far(found)]
        css = ' class="reached"' if found.done else ""
        rows.append(f"<tr{css}>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>")
        for text in (
            f"Stuck: {state.stuck}." if state.stuck else "",
            demands(item, sheet),
            item.comment,
            *found.remarks,
        ):
            if text:
                rows.append(f'<tr><td class="quiet" colspan="{len(cells)}">{escape(text)}</td></tr>')
    return "\n".join([*rows, "</table>"])
