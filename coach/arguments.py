"""What can be typed behind ``coach``: the commands and their options."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn, TypeVar

from coach import __version__
from coach.core.verdicts import DRIFT_FAULT_MS

N = TypeVar("N", int, float)


class OneLine(argparse.ArgumentParser):
    """Says in one line what was typed wrong, and where to look; exit code 2."""

    def error(self, message: str) -> NoReturn:
        """End with exit code 2."""
        self.exit(2, f"{self.prog}: {message.removeprefix('argument ')}; see {self.prog} --help\n")


ALL_STRINGS = "judge the melody too: a string that rings on by a beat past its note is a fault"


def parser() -> argparse.ArgumentParser:
    """Return the parser; ``command`` of what it reads is None without a command."""
    made = OneLine(
        prog="coach",
        description="A muting and timing coach for classical guitar with a hexaphonic pickup.",
    )
    made.add_argument("--version", action="version", version=f"coach {__version__}")
    commands = made.add_subparsers(
        dest="command",
        title="commands",
        metavar="COMMAND",
        description="Without a command the first page opens.",
    )

    demo = commands.add_parser("demo", help="play an included take through the whole program")
    _add_page(demo)
    demo.add_argument("--speed", type=_speed, default=1.0, metavar="X", help="times real time (default 1)")

    play = commands.add_parser("play", help="follow the guitar through a score, live")
    _add_score(play)
    play.add_argument("--port", metavar="NAME", help="part of the MIDI port's name (default: the last one)")
    play.add_argument("--tolerance", type=_tolerance, metavar="MS", help="overhang that passes as clean")
    _add_level(play)
    play.add_argument("--all-strings", action="store_true", help=ALL_STRINGS)
    play.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    play.add_argument(
        "--show",
        choices=("everything", "large", "each-pass", "every-second-pass"),
        default="everything",
        help="how much is marked while you play: everything, large faults, all after each pass, all after "
        "every second pass; it grows less as passes become clean (default everything)",
    )
    play.add_argument("--steady", action="store_true", help="go on showing as much as at the start")
    _add_page(play)

    review = commands.add_parser("review", help="judge a saved take, or any recording of the guitar's MIDI")
    review.add_argument("take", type=Path, metavar="TAKE", help="a take, or a Standard MIDI File")
    review.add_argument("--score", type=Path, metavar="FILE", help="the score that was played")
    _add_tuning(review)
    review.add_argument("--tolerance", type=_tolerance, metavar="MS", help="overhang that passes as clean")
    _add_level(review)
    review.add_argument("--all-strings", action="store_true", help=ALL_STRINGS)
    review.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    how = review.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="for other programs")
    how.add_argument("--window", action="store_true", help="replay it on the page")
    review.add_argument("--all", action="store_true", help="list the clean bass ends too")
    review.add_argument(
        "--hindsight",
        action="store_true",
        help="judge with the whole take known, and show where that differs from what was said as you played",
    )
    review.add_argument("--with", dest="beside", type=Path, metavar="TAKE", help="compare with another take")
    review.add_argument("--model", type=Path, metavar="TAKE", help="set the time against this take's")
    review.add_argument("--pass", dest="number", type=_count, metavar="N", help="begin with this pass")
    review.add_argument(
        "--leaf",
        choices=("page", "bar", "all", "two", "drift", "words"),
        default="page",
        help="what the window opens at, or the picture shows: the page, one bar to true time, all passes, "
        "two passes, the drift, the summary in words (default page)",
    )
    review.add_argument("--screenshot", type=Path, metavar="FILE", help="write that as a PNG")
    _add_look(review)

    studio = commands.add_parser("studio", help="play for a class: a large page, one thing at a time")
    _add_score(studio)
    studio.add_argument("--port", metavar="NAME", help="part of the MIDI port's name (default: the last one)")
    studio.add_argument(
        "--take", type=Path, metavar="TAKE", help="a take to compare with, such as a student's"
    )
    _add_level(studio)
    studio.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    studio.add_argument("--screenshot", type=Path, metavar="FILE", help="write a PNG of the page at the end")
    _add_look(studio)

    _add_drill(commands.add_parser("drill", help="a piece step by step, three clean in a row, slow to tempo"))
    history = commands.add_parser("history", help="what was practised, how it went, what to practise today")
    history.add_argument("score", type=Path, nargs="?", metavar="SCORE", help="one piece: its file or title")
    history.add_argument("--days", type=_days, metavar="N", help="the last so many days only")
    told = history.add_mutually_exclusive_group()
    told.add_argument("--json", action="store_true", help="for other programs")
    told.add_argument("--png", type=Path, metavar="FILE", help="as a picture: each stop, day by day")
    history.add_argument("--replace", action="store_true", help="write over a file that is there")

    _add_plan(commands.add_parser("plan", help="prepare a piece: strings, fingers, harmony, stops, form"))
    _add_exercise(commands.add_parser("exercise", help="write an exercise out of a piece, as MusicXML"))

    pedal = commands.add_parser("pedal", help="learn a MIDI foot switch")
    pedal.add_argument("--port", metavar="NAME", help="listen at this port only")
    pedal.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    pedal.add_argument("--forget", action="store_true", help="forget the switches that were learnt")

    _add_calibrate(commands.add_parser("calibrate", help="learn the guitar's delays, or the sound's"))

    commands.add_parser("desktop", help="put coach among the desktop's programs (Linux)")

    commands.add_parser("ports", help="list the MIDI ports")
    return made


def _add_calibrate(calibrate: argparse.ArgumentParser) -> None:
    calibrate.add_argument(
        "what", nargs="?", choices=("guitar", "sound"), default="guitar", help="default guitar"
    )
    calibrate.add_argument("--port", metavar="NAME", help="guitar: part of the MIDI port's name")
    calibrate.add_argument(
        "--tuning", metavar="NAMES", help='guitar: lowest string first, such as "D2 A2 D3 G3 B3 E4"'
    )
    calibrate.add_argument(
        "--strings", type=_strings, metavar="N,N", help="guitar: only these strings' fades and delays"
    )
    calibrate.add_argument(
        "--only", choices=("channels", "fades", "delays"), help="guitar: only this part; the rest stays"
    )
    calibrate.add_argument("--input", metavar="NAME", help="sound: part of the microphone's or input's name")
    calibrate.add_argument("--ms", type=_latency, metavar="MS", help="sound: set the latency by hand")
    calibrate.add_argument("--dry-run", action="store_true", help="measure, say it, keep nothing")


def _add_drill(drill: argparse.ArgumentParser) -> None:
    _add_score(drill)
    drill.add_argument("--port", metavar="NAME", help="part of the MIDI port's name (default: the last one)")
    parts = ("scale", "melody", "bass", "together")
    drill.add_argument("--part", choices=parts, help="only this of the ladder")
    drill.add_argument("--list", action="store_true", help="list the steps, and where you stand")
    drill.add_argument("--at", type=_count, metavar="N", help="go to this step")
    drill.add_argument("--bars", type=_bars, metavar="A-B", help="these bars first, then the ladder")
    drill.add_argument("--from-start", action="store_true", help="begin the ladder anew")
    drill.add_argument("--needed", type=_needed, default=3, metavar="N", help="clean in a row (default 3)")
    for name, told in (
        ("--from", "beats a minute to begin at (default 60 %% of the tempo)"),
        ("--goal", "beats a minute to reach (default the score's tempo)"),
        ("--by", "faster by so many (default a tenth of the tempo)"),
    ):
        place = "start" if name == "--from" else name.lstrip("-")
        drill.add_argument(name, dest=place, type=_positive, metavar="BEATS", help=told)
    drill.add_argument("--free-tempo", action="store_true", help="at your own tempo; nothing gets faster")
    drill.add_argument("--to-the-end", action="store_true", help="a fault ends a pass only at its end")
    drill.add_argument(
        "--drift",
        type=_tolerance,
        default=DRIFT_FAULT_MS,
        metavar="MS",
        help=f"a bar may stray so far (default {DRIFT_FAULT_MS:g})",
    )
    drill.add_argument("--click", action="store_true", help="a click goes along, after a count-in")
    drill.add_argument(
        "--subdivide", type=int, choices=(1, 2, 3, 4), default=1, help="clicks to a beat (default 1)"
    )
    drill.add_argument(
        "--quiet-bars",
        type=int,
        choices=(0, 1, 2, 4),
        default=0,
        help="bars without the click after each two with it: the pulse is yours (default 0)",
    )
    drill.add_argument("--no-model", action="store_true", help="do not play each new step first")
    heard = drill.add_mutually_exclusive_group()
    heard.add_argument("--silent", action="store_true", help="no sound at all")
    heard.add_argument(
        "--synth", metavar="PORT", help="a synthesizer at a MIDI port instead of the loudspeaker"
    )
    drill.add_argument("--tolerance", type=_tolerance, metavar="MS", help="overhang that passes as clean")
    _add_level(drill)
    drill.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    drill.add_argument("--screenshot", type=Path, metavar="FILE", help="write a PNG of the page at the end")
    _add_look(drill)


def _add_plan(plan: argparse.ArgumentParser) -> None:
    _add_score(plan)
    _add_level(plan)
    plan.add_argument("--tempo", type=_positive, metavar="BEATS", help="beats a minute to reckon times by")
    told = plan.add_mutually_exclusive_group()
    told.add_argument("--stop", type=_count, metavar="N", help="tell one stop in full, every way and why not")
    told.add_argument("--fingers", action="store_true", help="list string, fret and fingers of every note")
    told.add_argument("--json", action="store_true", help="for other programs")
    plan.add_argument(
        "--free", action="append", default=[], metavar="BAR:BEAT", help="let this bass ring from now on"
    )
    plan.add_argument(
        "--ask", action="append", default=[], metavar="BAR:BEAT", help="ask for this stop again from now on"
    )
    plan.add_argument("--musicxml", type=Path, metavar="FILE", help="write the score with all marks in it")
    plan.add_argument("--pdf", type=Path, metavar="FILE", help="print the marked page")
    plan.add_argument("--png", type=Path, metavar="FILE", help="the marked page as a picture")
    plan.add_argument("--replace", action="store_true", help="write over files that are there")
    plan.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the page (default a4)")


def _add_exercise(exercise: argparse.ArgumentParser) -> None:
    _add_score(exercise)
    _add_level(exercise)
    what = exercise.add_mutually_exclusive_group(required=True)
    what.add_argument("--stop", type=_count, metavar="N", help="the stop with this number in `coach plan`")
    what.add_argument("--worst", action="store_true", help="the stop that sounds worst if it rings on")
    what.add_argument("--scale", action="store_true", help="the scale of the tune, up and down")
    what.add_argument("--melody", action="store_true", help="the tune alone")
    what.add_argument("--bass", action="store_true", help="the bass line alone")
    exercise.add_argument("-o", "--out", type=Path, metavar="FILE", help="where to write it")
    exercise.add_argument("--replace", action="store_true", help="write over a file that is there")


def _add_level(parser: argparse.ArgumentParser) -> None:
    levels = ("first-lesson", "intermediate", "concert")
    parser.add_argument("--level", choices=levels, help="how much is asked for (default intermediate)")


def _add_score(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("score", type=Path, metavar="SCORE", help="MusicXML (also .mxl) or a MIDI file")
    _add_tuning(parser)


def _add_tuning(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--tuning",
        metavar="NAMES",
        help='lowest string first, such as "D2 A2 D3 G3 B3 E4" (default: the score\'s)',
    )
    parser.add_argument("--capo", type=_count, metavar="FRET", help="fret of the capo (default: the score's)")


def _add_page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--headless", action="store_true", help="no window: print the summary")
    parser.add_argument("--screenshot", type=Path, metavar="FILE", help="write a PNG of the page at the end")
    _add_look(parser)


def _add_look(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--night", action="store_true", help="light ink on a dark page")
    parser.add_argument("--size", type=_size, metavar="WxH", help="size of the window in pixels")
    parser.add_argument("--distance", type=_distance, metavar="M", help="metres from the eye to the screen")
    parser.add_argument("--screen", type=_screen, metavar="CM", help="height of the screen's picture")
    parser.add_argument("--still", action="store_true", help="nothing slides: what sounds grows by the beat")
    parser.add_argument(
        "--text", type=_text, metavar="X", help="signs and words so many times larger, 1 to 2"
    )


def _read(kind: type[N], text: str, told: str) -> N:
    """Return a number; what is none is refused in the words for one that is too large or small."""
    try:
        return kind(text)
    except ValueError:
        raise argparse.ArgumentTypeError(told) from None


def _count(text: str) -> int:
    return _read(int, text, "give a whole number")


def _within(kind: type[N], least: float, most: float, told: str) -> Callable[[str], N]:
    """Return what reads a number between two others, both allowed."""

    def read(text: str) -> N:
        value = _read(kind, text, told)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(told)
        return value

    return read


_distance = _within(float, 0.3, 30, "a distance lies between 0.3 and 30 metres")
_screen = _within(float, 5, 1000, "a screen is between 5 and 1000 cm high")
_text = _within(float, 1, 2, "text grows from 1 to 2 times")
_speed = _within(float, 0.05, 100, "a speed lies between 0.05 and 100")
_days = _within(int, 1, 100_000, "give a number of days")
_needed = _within(int, 1, 10, "from 1 to 10 in a row")
_tolerance = _within(float, 10, 2000, "a tolerance lies between 10 and 2000 ms")
_latency = _within(float, 0.1, 2000, "a latency lies between 0.1 and 2000 ms")
_positive = _within(float, 1, 1000, "a tempo lies between 1 and 1000 beats a minute")


def _bars(text: str) -> tuple[int, int]:
    first, _, last = text.replace("–", "-").partition("-")
    if not first.isdecimal() or not (last or first).isdecimal():
        raise argparse.ArgumentTypeError("give bars such as 3-6")
    return int(first), int(last or first)


def _strings(text: str) -> tuple[int, ...]:
    wrong = "give string numbers such as 4,5"
    numbers = [_read(int, part, wrong) for part in text.split(",")]
    if min(numbers) < 1:
        raise argparse.ArgumentTypeError(wrong)
    return tuple(sorted(set(numbers)))


def _size(text: str) -> tuple[int, int]:
    width, _, height = text.lower().partition("x")
    if not (
        width.isdecimal() and height.isdecimal() and 320 <= int(width) <= 7680 and 240 <= int(height) <= 4320
    ):
        raise argparse.ArgumentTypeError("give a size such as 1280x720")
    return int(width), int(height)
