"""``coach drill``: a piece step by step, three clean in a row, slow to tempo, with sound."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cache
from pathlib import Path

from coach.app.drill_live import DrillLive, Maker
from coach.app.drill_paper import with_pale_notes
from coach.app.drill_sound import Player
from coach.app.exercise import part_of_piece
from coach.app.history import remember_sitting
from coach.app.pedal import pedal_of
from coach.app.piece import Piece, open_piece
from coach.app.play import Asked, choose_port, run_live, terms_asked
from coach.app.sitting import Sitting
from coach.app.step import of_rung, whole
from coach.app.terms import Terms, terms_beside
from coach.core import drill_words, tempo_words, words
from coach.core.drill import Drill, PastPass, Rules, recheck
from coach.core.errors import CoachError
from coach.core.ladder import Part, Rung, from_fault, ladder, own_step, without
from coach.core.preparation import Preparation
from coach.core.profile import Profile
from coach.core.verdicts import DRIFT_FAULT_MS, Limits
from coach.devices.midi_out import MidiSpeaker
from coach.devices.sound import Speaker
from coach.files.history import History, HistoryError, history_path
from coach.files.ladder_file import ladder_path, read_ladder, set_aside, write_ladder
from coach.files.settings import Settings, takes_folder
from coach.files.whole_file import write_whole
from coach.screen.keys import DRILL_KEYS
from coach.screen.page_words import DRILL_KEYS as KEY_LINES
from coach.screen.window import Window

# Shares of the written tempo, or of the goal; our own figures.  One voice alone is learnt at one tempo: three
# clean there, and the tempo is climbed when both are together.
START, PART_GOAL, STEP = 0.6, 0.8, 0.1
SLOWEST, FASTEST = 0.3, 1.5
MANY_BARS = 16  # a longer piece is put together eight bars at a time


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a drill was asked for; None where nothing was."""

    part: str | None = None  # scale, melody, bass or together
    at: int | None = None  # step of the ladder, from 1
    bars: tuple[int, int] | None = None  # as a musician counts: these first, then the ladder
    from_start: bool = False  # forget where the player stood
    rules: Rules | None = None  # all of them; None: as the next six say
    needed: int = 3  # clean in a row
    at_once: bool = True  # a fault ends a pass at once
    free_tempo: bool = False
    start: float | None = None  # beats a minute to begin at; so the next two
    goal: float | None = None
    by: float | None = None
    drift_ms: float = DRIFT_FAULT_MS  # a bar that strays further, at the full tempo, is a fault
    click: bool = False
    subdivide: int = 1  # of a beat, by the click
    quiet_bars: int = 0  # without the click, after each two bars with it
    listen: bool = True  # each step is played first
    silent: bool = False
    midi_out: str | None = None  # a synthesizer's port instead of the loudspeaker


def run_drill(piece: Piece, asked: Asked, wanted: Wanted, *, settings: Settings) -> int:
    """Drill a piece until the player leaves; say where it stands.

    Raises CoachError where there is no display, or nothing to practise.
    """
    terms, limits = terms_asked(piece, asked, settings)
    limits = replace(limits, drift_fault_ms=wanted.drift_ms, hands_alone=False)
    prepared = terms.prepare(piece)
    rungs = ladder_of(piece, terms, wanted, prepared)
    kept = ladder_path(piece.score.digest)
    drill = stand(piece, rungs, wanted, kept)
    drill.around = lambda bar, part: from_fault(prepared, rungs, bar, part)
    if wanted.bars is not None:
        drill.visit(own_bars(piece, prepared, wanted))
    chosen = choose_port(asked.port, settings)
    make = maker(piece, terms, asked.profile_for(piece), limits, prepared)
    print(words.HAND_CARE, flush=True)

    def ended(sitting: Sitting) -> None:
        for line in remember_sitting(sitting, part=drill_part(sitting)):
            _warn(line)
        keep(kept, drill, piece.title)

    look = asked.look
    window = Window(
        piece.score,
        piece.xml,
        size=look.size,
        night=look.night,
        title=piece.title,
        reading=look.reading(settings),
        keys=DRILL_KEYS,
        key_lines=KEY_LINES,
    )
    with sound(wanted, settings) as player:
        live = DrillLive(
            drill,
            make,
            window,
            player=player,
            pedal=pedal_of(settings, asked.port, asked.profile),
            still=look.still or settings.still,
            click=wanted.click,
            subdivide=wanted.subdivide,
            silent=wanted.quiet_bars,
            listen=wanted.listen,
            ended=ended,
        )
        window.turn_to(live.sitting.piece.score, live.sitting.piece.xml)
        if drill.visiting:
            live.tell(beginning(drill))
            live.speak(beginning(drill))
        code = run_live(live, chosen, asked, settings, remember=False)
    if live.sitting.begun:
        ended(live.sitting)
    else:
        keep(kept, drill, piece.title)
    return code


def rules_of(piece: Piece, wanted: Wanted) -> Rules:
    """Return the rules that were asked for.  Raises CoachError for tempi that make no sense."""
    if wanted.rules is not None:
        return wanted.rules
    written = piece.score.qpm(0) / tempo_words.beat_quarters(piece.score)  # beats a minute

    def share(asked: float | None, usual: float) -> float:
        return usual if asked is None else asked / written

    goal, step = share(wanted.goal, 1.0), share(wanted.by, STEP)
    if wanted.start is not None and share(wanted.start, 0.0) > goal:
        what = drill_words.ABOVE_GOAL.format(start=round(wanted.start), goal=round(goal * written))
        raise CoachError(piece.path.name, what, drill_words.OTHER_TEMPI)
    start = min(share(wanted.start, START * goal), goal)
    try:
        return Rules(
            needed=wanted.needed,
            at_once=wanted.at_once,
            free_tempo=wanted.free_tempo,
            start_speed=start,
            goal=goal,
            part_goal=min(max(PART_GOAL * goal, start), goal),
            slowest=min(start, SLOWEST),
            fastest=max(goal, FASTEST),
            step_up=step,
            step_down=step,
        )
    except ValueError as error:
        raise CoachError(piece.path.name, str(error), drill_words.OTHER_TEMPI) from None


def list_steps(piece: Piece, asked: Asked, wanted: Wanted) -> int:
    """Print the steps of a piece's ladder, and where the player stands."""
    terms, _ = terms_beside(piece, asked.level)
    rungs = ladder_of(piece, terms, wanted)
    drill = stand(piece, rungs, wanted, ladder_path(piece.score.digest))
    print(drill_words.LADDER_HEAD.format(needed=drill_words.number_word(rules_of(piece, wanted).needed)))
    if wanted.bars is not None:
        own = own_bars(piece, terms.prepare(piece), wanted)
        print(drill_words.OWN_FIRST.format(rung=own.name))
    for number, rung in enumerate(rungs, 1):
        mark = "→" if number - 1 == drill.at else "✓" if drill.climbed(rung) else " "
        print(drill_words.STEP_LINE.format(mark=mark, number=number, rung=rung.name).rstrip())
    return 0


def ladder_of(
    piece: Piece, terms: Terms, wanted: Wanted, prepared: Preparation | None = None
) -> tuple[Rung, ...]:
    """Return the steps that were asked for; ``prepared``: where the piece has been.

    Raises CoachError where there are none.
    """
    rungs = ladder(prepared or terms.prepare(piece), by_eights=len(piece.score.bars) > MANY_BARS)
    if wanted.part is not None:
        for part in Part:
            if part.value != wanted.part:
                rungs = without(rungs, part=part)
    if not rungs:
        what = drill_words.NOTHING_TO_DRILL if wanted.part is None else drill_words.NO_SUCH_PART
        raise CoachError(piece.path.name, what, drill_words.OTHER_PART)
    if wanted.at is not None and not 1 <= wanted.at <= len(rungs):
        what = drill_words.NO_STEP.format(at=wanted.at, all=len(rungs))
        raise CoachError(piece.path.name, what, drill_words.SEE_STEPS)
    return rungs


def own_bars(piece: Piece, prepared: Preparation, wanted: Wanted) -> Rung:
    """Return the step of the bars that were asked for.  Raises CoachError where it cannot be."""
    assert wanted.bars is not None
    numbers = {bar.number: index for index, bar in reversed([*enumerate(piece.score.bars)])}
    first, last = (numbers.get(number, -1) for number in wanted.bars)
    try:
        return own_step(prepared, Part(wanted.part or Part.TOGETHER.value), first, last)
    except ValueError as error:
        told = words.bars_words(*wanted.bars)
        raise CoachError(piece.path.name, f"{told}: {error}", drill_words.OTHER_BARS) from None


def stand(piece: Piece, rungs: tuple[Rung, ...], wanted: Wanted, kept: Path) -> Drill:
    """Return the drill where the player stood, what was clean on an earlier day first."""
    rules = rules_of(piece, wanted)
    drill = Drill(rungs, rules)
    plain, notice = (None, "") if wanted.from_start else read_ladder(kept)
    if plain is not None:
        try:
            drill = Drill.from_plain(plain, rungs, rules)
        except ValueError as error:
            notice = set_aside(kept, str(error))
    drill.tempo_words = lambda speed: tempo_words.beats_a_minute(piece.score, speed)
    if notice:
        _warn(notice)
    if wanted.at is not None:
        drill.choose(wanted.at - 1)
    elif not wanted.from_start and wanted.part is None:
        past: tuple[PastPass, ...] = ()
        try:
            past = History(history_path()).past(piece.score.digest)
        except HistoryError as error:
            _warn(str(error))
        drill.check(recheck(rungs, date.today().isoformat(), past, needed=rules.needed))
    return drill


def beginning(drill: Drill) -> str:
    """Return with what the drill begins where that is not the step the player stands at."""
    rung, speed = drill.rung.name, drill.tempo_words(drill.speed)
    if drill.needed < drill.rules.needed:  # what was clean on an earlier day is played once
        text = drill_words.CHECKING_FREELY if drill.rules.free_tempo else drill_words.CHECKING
    else:
        text = drill_words.BEGINNING_FREELY if drill.rules.free_tempo else drill_words.BEGINNING
    return text.format(rung=rung, speed=speed)


def maker(
    piece: Piece,
    terms: Terms,
    profile: Profile | None,
    limits: Limits,
    prepared: Preparation | None = None,
) -> Maker:
    """Return what makes a sitting for a step at a speed; ``prepared``: where the piece has been."""
    made = prepared or terms.prepare(piece)  # once, not at every step
    all_of_scale = cache(lambda: whole(scale_piece(piece, terms, made), Terms(terms.level)))

    def make(rung: Rung, speed: float) -> Sitting:
        scale = rung.part is Part.SCALE
        step = all_of_scale() if scale else of_rung(piece, terms, rung, made.stops)
        step = replace(step, piece=with_pale_notes(step.piece))
        return Sitting(
            step.piece,
            profile=profile or Profile(strings=piece.score.tuning.strings),
            limits=limits,
            folder=takes_folder(),
            started=datetime.now().astimezone(),
            terms=Terms(terms.level) if scale else terms,
            step=step,
            asked_speed=speed,
        )

    return make


def scale_piece(piece: Piece, terms: Terms, prepared: Preparation | None = None) -> Piece:
    """Return the scale of a piece as a piece of its own, kept beside the takes so that they find it."""
    made = part_of_piece(piece, prepared or terms.prepare(piece), "scale")
    folder = takes_folder()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{piece.path.stem}-{made.ending}.musicxml"
    if not path.is_file() or path.read_text("utf-8") != made.xml:
        write_whole(path, made.xml, remedy=drill_words.FREE_FOLDER)
    return open_piece(path)


def drill_part(sitting: Sitting) -> str:
    """Return the part a sitting practised."""
    return sitting.step.rung.part.value if sitting.step.rung is not None else Part.SCALE.value


def keep(path: Path, drill: Drill, title: str) -> None:
    """Keep where the player stands; where that cannot be, say so: the takes matter."""
    try:
        write_ladder(path, drill.to_plain(), title)
    except CoachError as error:
        _warn(str(error))


@contextmanager
def sound(wanted: Wanted, settings: Settings) -> Iterator[Player | None]:
    """Yield what makes sound, None where none is wanted."""
    if wanted.silent:
        yield None
        return
    tell: Callable[[str], None] = _warn
    player: Speaker | MidiSpeaker
    latency_ms = settings.sound_latency_ms or 0.0
    if wanted.midi_out:
        player = MidiSpeaker(port=wanted.midi_out, latency_ms=latency_ms, on_state=tell)
    else:
        player = Speaker(device=settings.sound_device or None, latency_ms=latency_ms, on_state=tell)
    player.start()
    try:
        yield player
    finally:
        player.close()


def _warn(line: str) -> None:
    print(f"coach: {line}", file=sys.stderr)
