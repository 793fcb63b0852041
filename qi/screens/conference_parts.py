"""What a room sees of cases for teaching, in large letters: pictures, words, measures, pauses and questions, as HTML text.

Letters grow with the window: a wall is wider than a desk. Every text is escaped, and nothing asks another host for anything.
"""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from html import escape

from qi.charts.case_picture import in_words
from qi.charts.colours import ACCENTS
from qi.charts.teaching_picture import pictures
from qi.desk.conference import Taught, pauses, rows
from qi.feedback.said import limit_of
from qi.model.review import Judged
from qi.model.words import amount, bounds, give_or_take, name

_CSS = """<style>
.for-a-room { font-size: clamp(1rem, 1.5vw, 1.95rem); line-height: 1.4; }
.for-a-room h2 { font-size: 1.25em; font-weight: 600; margin: .2em 0 .3em; padding: 0; }
.for-a-room h2 small { font-size: .8em; font-weight: 400; }
.for-a-room h3 { font-size: 1.1em; font-weight: 600; margin: .9em 0 .3em; padding: 0; }
.for-a-room p { font-size: inherit; margin: .3em 0; max-width: 62em; }
.for-a-room ul { font-size: inherit; margin: .2em 0; padding-left: 1.4em; }
.for-a-room li { font-size: inherit; margin: .35em 0; max-width: 58em; }
.for-a-room img { display: block; width: 100%; height: auto; margin: .2em 0 .8em; }
.for-a-room table { border-collapse: collapse; width: 100%; }
.for-a-room th, .for-a-room td { text-align: left; vertical-align: top; padding: .35em .8em .35em 0; border: 0;
  border-bottom: 1px solid rgba(128, 128, 128, .45); font-size: inherit; }
.for-a-room thead th { font-weight: 600; }
.for-a-room tbody th { font-weight: 400; }
.for-a-room b { font-size: 1.35em; font-weight: 650; line-height: 1.15; white-space: nowrap; }
.for-a-room .under { display: block; font-size: .82em; opacity: .85; }
.for-a-room .word { white-space: nowrap; }
.for-a-room .bar { display: block; height: .75em; min-width: 2px; margin-top: .25em; }
.for-a-room .wide { width: 45%; }
@media (max-width: 56rem) { .for-a-room .scrolls { overflow-x: auto; } .for-a-room .scrolls img { min-width: 46rem; } }
</style>"""


def whole(*parts: str) -> str:
    """Parts as one piece with its look."""
    return f'{_CSS}<div class="for-a-room">{"".join(parts)}</div>'


def heading(letter: str, case: Taught) -> str:
    """The neutral name of a case, and who the patient was."""
    who = f" <small>{escape(case.who)}</small>" if case.who else ""
    return f"<h2>{escape(letter)}{who}</h2>"


def pictures_of(cases: Mapping[str, Taught], *, dark: bool) -> str:
    """A picture of each case under its name; of several, stacked on axes of one length."""
    drawn = pictures([case.review for case in cases.values()], dark=dark)
    return "".join(
        heading(letter, case) + _image(picture, f"{letter}. {in_words(case.review)}")
        for (letter, case), picture in zip(cases.items(), drawn, strict=True)
    )


def _image(picture: str, words: str) -> str:
    packed = b64encode(picture.encode()).decode()
    return f'<div class="scrolls"><img src="data:image/svg+xml;base64,{packed}" alt="{escape(words)}"></div>'


def words_of(cases: Mapping[str, Taught]) -> str:
    """What happened, a sentence a line."""
    parts = []
    for letter, case in cases.items():
        parts.append(f"<h3>{'What happened' if len(cases) == 1 else escape(letter)}</h3>")
        parts += [f"<p>{escape(sentence)}</p>" for sentence in case.sentences]
    return "".join(parts)


def measures_of(cases: Mapping[str, Taught], shapes: Mapping[str, str]) -> str:
    """The main measures, one row each, with what is asked for and the verdict as a word and a shape; cases as columns.

    Parameters: cases, by name; shapes, the words and shapes of the verdicts.
    """
    found = rows(list(cases.values()))
    if not found:
        return "<h3>The main measures</h3><p>None of them could be measured.</p>"
    lines = []
    for row in found:
        label = next(name(one) for one in row if one is not None)
        cells = _apart(row[0], shapes) if len(cases) == 1 else [_together(one, shapes) for one in row]
        lines.append(_line(label, cells))
    heads = ["Value", "Asked for", "Verdict"] if len(cases) == 1 else list(cases)
    return f"<h3>The main measures</h3>{_table(['Measure', *heads], lines)}"


def _apart(one: Judged | None, shapes: Mapping[str, str]) -> list[str]:
    """Value with its bounds, what is asked for, and verdict, each in a cell of its own."""
    if one is None:
        return ["–", "", ""]
    return [f"<b>{_value(one)}</b> {_around(one)}", _limit(one), _verdict(one, shapes)]


def _together(one: Judged | None, shapes: Mapping[str, str]) -> str:
    """The same in one cell."""
    if one is None:
        return "–"
    limit = f"{_limit(one)} asked for" if one.limit else ""
    under = "; ".join(part for part in (_around(one), limit) if part)
    said = f"<b>{_value(one)}</b> {_verdict(one, shapes)}"
    return said + (f'<span class="under">{under}</span>' if under else "")


def _value(one: Judged) -> str:
    if one.value is None:
        return {"never": "never", "censored": "not by the end of the record"}.get(one.number.status or "", "–")
    return escape(amount(one.value, one.unit) + give_or_take(one))


def _around(one: Judged) -> str:
    """What the value may be, whatever happened in time that is not known."""
    return escape(bounds(one.number, one.unit)) if one.value is not None else ""


def _limit(one: Judged) -> str:
    return escape(limit_of(one.limit, one.unit)) if one.limit else ""


def _verdict(one: Judged, shapes: Mapping[str, str]) -> str:
    """A word and a shape; of a value that is too uncertain to be held to its limit, that there is no verdict."""
    shape = shapes[one.verdict]
    if one.value is not None:
        shape = shape.replace("not measurable", "no verdict")
    return f'<span class="word">{escape(shape)}</span>'


def pauses_of(cases: Mapping[str, Taught], *, dark: bool) -> str:
    """Pauses by cause: how many, how long together, the longest; with a bar for the seconds of each."""
    table = pauses(list(cases.values()))
    if table.empty:
        return "<h3>Pauses by cause</h3><p>No pause was seen.</p>"
    most = max(float(table[f"seconds_{at}"].max()) for at in range(len(cases))) or 1.0
    colour = ACCENTS["chest"]["dark" if dark else "light"]
    lines = []
    for row in table.to_dict("records"):
        cells = []
        for at in range(len(cases)):
            count, seconds, longest = (float(row[f"{what}_{at}"]) for what in ("count", "seconds", "longest"))
            each = f"{count:.0f} pauses, the longest {longest:.0f} s" if count > 1 else "1 pause"
            bar = f'<span class="bar" style="width: {max(1.0, 100 * seconds / most):.0f}%; background: {colour}"></span>'
            if len(cases) == 1:
                cells += [f"<b>{seconds:.0f} s</b>", each, bar]
            else:
                cells.append(f'<b>{seconds:.0f} s</b> <span class="under">{each}</span>{bar}' if count else "none")
        lines.append(_line(str(row["cause"]), cells))
    heads = ["Together", "How many", ""] if len(cases) == 1 else list(cases)
    return f"<h3>Pauses by cause</h3>{_table(['Cause', *heads], lines)}"


def questions_of(cases: Mapping[str, Taught]) -> str:
    """Questions for the room, each once."""
    own: dict[str, list[str]] = {}
    for letter, case in cases.items():
        for one in case.questions:
            own.setdefault(one.text, []).extend([letter] if one.rests_on and len(cases) > 1 else [])
    ranked = sorted(own.items(), key=lambda pair: not pair[1])  # those of one case first
    whose = {text: f" ({', '.join(letters)})" if letters else "" for text, letters in ranked}
    parts = [f"<li>{escape(text)}{escape(letters)}</li>" for text, letters in whose.items()]
    return f"<h3>To talk about</h3><ul>{''.join(parts)}</ul>"


def _line(label: str, cells: Sequence[str]) -> str:
    """A row of a table; cells are HTML, the label is plain."""
    told = "".join(
        f'<td class="wide">{cell}</td>' if cell.startswith('<span class="bar"') else f"<td>{cell}</td>" for cell in cells
    )
    return f'<tr><th scope="row">{escape(label)}</th>{told}</tr>'


def _table(heads: Sequence[str], lines: Sequence[str]) -> str:
    first = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    return f'<div class="scrolls"><table><thead><tr>{first}</tr></thead><tbody>{"".join(lines)}</tbody></table></div>'
