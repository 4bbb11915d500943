"""What is said about the form of a piece, with printed bar numbers; the most useful first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from coach.core.form import Chunk, Form, Likeness, Phrase, Repeat
from coach.core.likeness import is_pickup
from coach.core.score import Score

MOST_SENTENCES = 6
BARS_A_SENTENCE = 6  # a short piece is told in fewer sentences
MOST_SINGLE_BARS = 1  # sentences about single bars

BAR, BARS = "bar {run}", "bars {runs}"
AND = " and "
AGAIN = "{new} {are} {old} again{tail}."
TAIL, TAIL_BAR = "; {bars} end differently", "; {bars} is different"
TRANSPOSED = "{new} {are} {old} {interval}."
RHYTHM = "{new} {have} the rhythm of {old}."
TUNE = "The tune of {new} is that of {old}; the bass is new."
TUNE_OTHER_BASS = "The tune of {new} is that of {old}; the bass differs."
TUNE_AND_BASS = "The tune and the bass of {new} are those of {old}; the notes between differ."
TUNE_TRANSPOSED = "The tune of {new} is that of {old} {interval}; the bass does not follow."
TUNE_RHYTHM = "The tune of {new} has the rhythm of that of {old}."
HIGHER, LOWER = "{interval} higher", "{interval} lower"
WITHIN_KEY = ", within the key"
OCTAVE, OCTAVES = "an octave", "{count} octaves"
OCTAVE_AND = "{octaves} and {interval}"
SEMITONES = (
    "", "a semitone", "a whole tone", "a minor third", "a major third", "a fourth", "a tritone", "a fifth",
    "a minor sixth", "a major sixth", "a minor seventh", "a major seventh",
)  # fmt: skip
STEPS = ("", "a step", "a third", "a fourth", "a fifth", "a sixth", "a seventh")
PHRASE = "{letter} {bars}"
WITH_UPBEATS = "{line}, each from its upbeat"

FOURS = "Chunks of four: {chunks}"
TWOS = "Chunks of two: {chunks}"
EIGHTS = "of eight: {chunks}"
SEAMS = "joins: {chunks}"
HALVES = "halves: {chunks}"
PLAY_INTO = "Play each on to the next note, so that its last bass stops in time."
_WORTH = {Likeness.EXACT: 1.0, Likeness.TRANSPOSED: 0.8, Likeness.RHYTHM: 0.4}
_TUNE_ALONE = 0.6  # times as useful
_SINGLE = 0.5  # bars that a single one counts for


def form_sentences(score: Score, form: Form) -> list[str]:
    """Return what comes again in a piece, in sentences, the most useful first; at most six, fewer if short.

    Passages that are alike in the same way to the same bars share a sentence.
    """
    groups: dict[tuple[object, ...], list[Repeat]] = {}
    for repeat in form.repeats:
        tail = _tails(score, form, repeat)
        key = (
            repeat.of_first,
            repeat.of_last,
            repeat.how,
            repeat.shift,
            repeat.steps,
            repeat.bass,
            repeat.inner,
            repeat.new_bass,
        )
        groups.setdefault((*key, repeat.first) if tail else key, []).append(repeat)
    ranked = sorted(groups.values(), key=lambda g: (-sum(map(_worth, g)), g[0].first))
    most = min(MOST_SENTENCES, 1 + len({bar.written for bar in score.bars}) // BARS_A_SENTENCE)
    said: list[str] = []
    singles = 0
    for group in ranked:
        single = group[0].first == group[0].last
        if len(said) < most and (not single or singles < MOST_SINGLE_BARS):
            singles += single
            said.append(_sentence(score, form, group))
    return said


def phrase_line(score: Score, form: Form) -> str:
    """Return the phrases in one line, such as ``A 1–8, B 9–16, A′ 17–24``; empty where there is none.

    A phrase all of whose bars have been played before is left out.
    """
    seen: set[int] = set()
    told: list[Phrase] = []
    for phrase in form.phrases:
        written = {score.bars[i].written for i in range(phrase.first, phrase.last + 1)}
        if not written <= seen:
            told.append(phrase)
        seen |= written
    line = ", ".join(
        PHRASE.format(letter=p.letter, bars=_plain(_numbers(score, p.first, p.last))) for p in told
    )
    upbeats = [p.upbeat > 0 or is_pickup(score.bars[p.first]) for p in told]
    return WITH_UPBEATS.format(line=line) if len(told) > 1 and all(upbeats) else line


def chunk_line(score: Score, form: Form) -> str:
    """Return the chunks to practise in one line; empty for a piece too short to divide."""
    parts: list[str] = []
    fours = _of(form, 4)
    if len(fours) > 1:
        parts = [FOURS.format(chunks=_list(score, fours))]
        joins = [c for c in form.chunks if c.join]
        known = {(c.first, c.last) for c in fours}
        eights = [c for c in _of(form, 8) if (c.first, c.last) not in known]
        if joins:
            parts.append(SEAMS.format(chunks=_list(score, joins)))
        if eights and not all(_whole(score, c) for c in eights):
            parts.append(EIGHTS.format(chunks=_list(score, eights)))
        halves = [c for c in form.chunks if c.size > 8 and not _whole(score, c)]
        if halves:
            parts.append(HALVES.format(chunks=", ".join(_written(score, c) for c in halves)))
    elif len(_of(form, 2)) > 1:
        parts = [TWOS.format(chunks=_list(score, _of(form, 2)))]
    return f"{'; '.join(parts)}. {PLAY_INTO}" if parts else ""


def _of(form: Form, size: int) -> list[Chunk]:
    return [c for c in form.chunks if c.size == size and not c.join]


def _whole(score: Score, chunk: Chunk) -> bool:
    return chunk.first == 0 and chunk.last == len(score.bars) - 1


def _list(score: Score, chunks: Iterable[Chunk]) -> str:
    return ", ".join(_plain(_numbers(score, c.first, c.last)) for c in chunks)


def _written(score: Score, chunk: Chunk) -> str:
    """Return a half's bars as printed, whatever is repeated in it."""
    numbers = [
        b.number for b in score.bars[chunk.first : chunk.last + 1] if not is_pickup(b) and b.round == 1
    ]
    return _plain([min(numbers), max(numbers)]) if numbers else ""


def _worth(repeat: Repeat) -> float:
    worth = _WORTH[repeat.how] * (repeat.length if repeat.length > 1 else _SINGLE)
    return worth if repeat.inner else worth * _TUNE_ALONE


def _sentence(score: Score, form: Form, group: Sequence[Repeat]) -> str:
    one = group[0]
    new = _bars(score, [(r.first, r.last) for r in group])
    old = _bars(score, [(one.of_first, one.of_last)])
    many = (
        len(group) > 1 or _numbers(score, one.first, one.last)[0] != _numbers(score, one.first, one.last)[1]
    )
    tail = _tails(score, form, one) if len(group) == 1 else ""
    if one.how is Likeness.RHYTHM:
        frame = RHYTHM if one.inner else TUNE_RHYTHM
    elif one.how is Likeness.TRANSPOSED:
        frame = TRANSPOSED if one.inner else TUNE_TRANSPOSED
    elif one.inner:
        frame = AGAIN
    else:
        frame = TUNE_AND_BASS if one.bass else TUNE if one.new_bass else TUNE_OTHER_BASS
    text = frame.format(
        new=new,
        old=old,
        are="are" if many else "is",
        have="have" if many else "has",
        tail=tail,
        interval=_interval(one),
    )
    return text[0].upper() + text[1:]


def _tails(score: Score, form: Form, repeat: Repeat) -> str:
    """Return that the rest of the phrase differs, where both passages stop short of a phrase's end."""
    if repeat.length < 2 or repeat.how is not Likeness.EXACT or not repeat.inner or repeat.open_end:
        return ""
    here, there = form.phrase_of(repeat.last), form.phrase_of(repeat.of_last)
    if here is None or there is None:
        return ""
    rest, old_rest = here.last - repeat.last, there.last - repeat.of_last
    if not 0 < rest <= repeat.length or not 0 < old_rest <= repeat.length:
        return ""
    low, high = repeat.last + 1, here.last
    if any(r.first <= high and r.last >= low for r in form.repeats):
        return ""
    runs = _numbers(score, low, high)
    return (TAIL if runs[0] != runs[-1] else TAIL_BAR).format(bars=_bars(score, [(low, high)]))


def _interval(repeat: Repeat) -> str:
    amount, names, octave = (repeat.shift, SEMITONES, 12) if repeat.shift else (repeat.steps, STEPS, 7)
    octaves, rest = divmod(abs(amount), octave)
    name = names[rest]
    if octaves:
        many = OCTAVE if octaves == 1 else OCTAVES.format(count=octaves)
        name = OCTAVE_AND.format(octaves=many, interval=name) if rest else many
    told = (HIGHER if amount > 0 else LOWER).format(interval=name)
    return told if repeat.shift else told + WITHIN_KEY


def _numbers(score: Score, first: int, last: int) -> list[int]:
    """Return the printed numbers at the ends of the runs of some performed bars: first, last, first, last …

    A pickup at their beginning is not told.
    """
    begin = next((i for i in range(first, last + 1) if not is_pickup(score.bars[i])), first)
    ends: list[int] = []
    before: int | None = None
    for index in range(begin, last + 1):
        number = score.bars[index].number
        if before is not None and 0 <= number - before <= 1:
            ends[-1] = number
        else:
            ends += [number, number]
        before = number
    return ends


def _plain(ends: Sequence[int]) -> str:
    runs = zip(ends[::2], ends[1::2], strict=True)
    return AND.join(str(a) if a == b else f"{a}–{b}" for a, b in runs)


def _bars(score: Score, spans: Sequence[tuple[int, int]]) -> str:
    """Return ``bar 5``, ``bars 5–8`` or ``bars 5–8, 13–16 and 21–24``."""
    ends = [_numbers(score, first, last) for first, last in spans]
    if len(ends) == 1 and ends[0][0] == ends[0][-1]:
        return BAR.format(run=ends[0][0])
    texts = [_plain(e) for e in ends]
    runs = texts[0] if len(texts) == 1 else ", ".join(texts[:-1]) + AND + texts[-1]
    return BARS.format(runs=runs)
