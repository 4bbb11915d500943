"""The commands.  Exit codes: 0 done, 1 the input cannot be used (one line says why), 2 wrong usage."""

from __future__ import annotations

import argparse
import errno
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from coach import __version__
from coach.core.errors import CoachError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):  # a terminal without our signs shows marks in their place
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    parser = _parser()
    options = parser.parse_args(argv)
    try:
        _check_picture(getattr(options, "screenshot", None))
        code = int(options.run(options))
        sys.stdout.flush()
        return code
    except CoachError as error:
        print(f"coach: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:  # the reader of our output went away, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    except OSError as error:
        if error.errno != errno.ENOSPC or error.filename is not None:
            raise
        print("coach: the output cannot be written: no space is left; free some", file=sys.stderr)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _check_picture(path: Path | None) -> None:
    """Refuse a picture that could not be written before anything is played for it."""
    if path is not None and (not path.parent.is_dir() or path.is_dir()):
        raise CoachError(str(path), "no picture can be written there", "name a file in a folder that exists")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="coach",
        description="A muting and timing coach for classical guitar with a hexaphonic pickup.",
    )
    parser.add_argument("--version", action="version", version=f"coach {__version__}")
    parser.set_defaults(run=_first)
    commands = parser.add_subparsers(
        title="commands", metavar="COMMAND", description="Without a command the first page opens."
    )

    demo = commands.add_parser("demo", help="play an included take through the whole program")
    _add_page(demo)
    demo.add_argument("--speed", type=_speed, default=1.0, metavar="X", help="times real time (default 1)")
    demo.set_defaults(run=_demo)

    play = commands.add_parser("play", help="follow the guitar through a score, live")
    _add_score(play)
    play.add_argument("--port", metavar="NAME", help="part of the MIDI port's name (default: the last one)")
    play.add_argument("--tolerance", type=_tolerance, metavar="MS", help="overhang that passes as clean")
    _add_level(play)
    play.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    play.add_argument(
        "--show",
        choices=("everything", "gross", "after", "second"),
        default="everything",
        help="how much is marked while you play: everything, gross faults, all after each pass, all after "
        "every second pass; it grows less as passes become clean (default everything)",
    )
    play.add_argument("--steady", action="store_true", help="go on showing as much as at the start")
    _add_page(play)
    play.set_defaults(run=_play)

    review = commands.add_parser("review", help="judge a saved take, or any recording of the guitar's MIDI")
    review.add_argument("take", type=Path, metavar="TAKE", help="a take, or a Standard MIDI File")
    review.add_argument("--score", type=Path, metavar="FILE", help="the score that was played")
    _add_tuning(review)
    review.add_argument("--tolerance", type=_tolerance, metavar="MS", help="overhang that passes as clean")
    _add_level(review)
    review.add_argument("--profile", type=Path, metavar="FILE", help="pickup profile (TOML)")
    how = review.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="for other programs")
    how.add_argument("--window", action="store_true", help="replay it on the page")
    review.add_argument("--all", action="store_true", help="list the clean bass ends too")
    review.add_argument("--screenshot", type=Path, metavar="FILE", help="write a PNG of the page at the end")
    review.set_defaults(run=_review)

    _add_plan(commands.add_parser("plan", help="prepare a piece: strings, fingers, harmony, stops, form"))
    _add_exercise(commands.add_parser("exercise", help="write an exercise out of a piece, as MusicXML"))

    entry = commands.add_parser("desktop", help="put coach among the desktop's programs (Linux)")
    entry.set_defaults(run=_desktop)

    ports = commands.add_parser("ports", help="list the MIDI ports")
    ports.set_defaults(run=_ports)
    return parser


def _add_plan(plan: argparse.ArgumentParser) -> None:
    _add_score(plan)
    _add_level(plan)
    plan.add_argument("--tempo", type=_positive, metavar="BEATS", help="beats a minute to reckon times by")
    told = plan.add_mutually_exclusive_group()
    told.add_argument("--stop", type=int, metavar="N", help="tell one stop in full, every way and why not")
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
    plan.set_defaults(run=_plan)


def _add_exercise(exercise: argparse.ArgumentParser) -> None:
    _add_score(exercise)
    _add_level(exercise)
    what = exercise.add_mutually_exclusive_group(required=True)
    what.add_argument("--stop", type=int, metavar="N", help="the stop with this number in `coach plan`")
    what.add_argument("--worst", action="store_true", help="the stop that sounds worst if it rings on")
    what.add_argument("--scale", action="store_true", help="the scale of the tune, up and down")
    what.add_argument("--melody", action="store_true", help="the tune alone")
    what.add_argument("--bass", action="store_true", help="the bass line alone")
    exercise.add_argument("-o", "--out", type=Path, metavar="FILE", help="where to write it")
    exercise.add_argument("--replace", action="store_true", help="write over a file that is there")
    exercise.set_defaults(run=_exercise)


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
    parser.add_argument("--capo", type=int, metavar="FRET", help="fret of the capo (default: the score's)")


def _add_page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--headless", action="store_true", help="no window: print the summary")
    parser.add_argument("--screenshot", type=Path, metavar="FILE", help="write a PNG of the page at the end")
    parser.add_argument("--night", action="store_true", help="light ink on a dark page")
    parser.add_argument("--size", type=_size, metavar="WxH", help="size of the window in pixels")


def _speed(text: str) -> float:
    value = float(text)
    if not 0.05 <= value <= 100:
        raise argparse.ArgumentTypeError("a speed lies between 0.05 and 100")
    return value


def _tolerance(text: str) -> float:
    value = float(text)
    if not 10 <= value <= 2000:
        raise argparse.ArgumentTypeError("a tolerance lies between 10 and 2000 ms")
    return value


def _positive(text: str) -> float:
    value = float(text)
    if not 1 <= value <= 1000:
        raise argparse.ArgumentTypeError("a tempo lies between 1 and 1000 beats a minute")
    return value


def _size(text: str) -> tuple[int, int]:
    width, _, height = text.lower().partition("x")
    if not (
        width.isdecimal() and height.isdecimal() and 320 <= int(width) <= 7680 and 240 <= int(height) <= 4320
    ):
        raise argparse.ArgumentTypeError("give a size such as 1280x720")
    return int(width), int(height)


# The parts are imported where they are needed: `coach plan` loads no window, `coach --help` nothing.


def _first(options: argparse.Namespace) -> int:
    from coach.app.first import run_first

    try:
        return run_first()
    except CoachError as error:  # no display: a terminal is all there is
        print(f"coach: {error}\n", file=sys.stderr)
        _parser().print_help()
        return 2


def _desktop(options: argparse.Namespace) -> int:
    from coach.app.first import install_entry

    print(f"Written: {install_entry()}")
    return 0


def _demo(options: argparse.Namespace) -> int:
    from coach.app.demo import run_demo

    return run_demo(
        headless=options.headless,
        screenshot=options.screenshot,
        night=options.night,
        size=options.size,
        speed=options.speed,
    )


def _play(options: argparse.Namespace) -> int:
    from coach.app.piece import open_piece
    from coach.app.play import run_play
    from coach.core.feedback import Amount
    from coach.files.settings import load_settings, read_profile

    piece = open_piece(options.score, tuning=options.tuning, capo=options.capo)
    return run_play(
        piece,
        settings=load_settings(),
        port=options.port,
        profile=read_profile(options.profile) if options.profile else None,
        tolerance_ms=options.tolerance,
        level=options.level,
        amount=Amount(options.show),
        fixed=options.steady,
        headless=options.headless,
        screenshot=options.screenshot,
        night=options.night,
        size=options.size,
    )


def _review(options: argparse.Namespace) -> int:
    from coach.app.review import run_review
    from coach.files.settings import read_profile

    return run_review(
        options.take,
        score=options.score,
        tuning=options.tuning,
        capo=options.capo,
        tolerance_ms=options.tolerance,
        level=options.level,
        profile=read_profile(options.profile) if options.profile else None,
        how="json" if options.json else "window" if options.window else "text",
        everything=options.all,
        screenshot=options.screenshot,
    )


def _plan(options: argparse.Namespace) -> int:
    from coach.app.piece import open_piece
    from coach.app.plan import Outputs, run_plan

    return run_plan(
        open_piece(options.score, tuning=options.tuning, capo=options.capo),
        level=options.level,
        beats_a_minute=options.tempo,
        free=options.free,
        ask=options.ask,
        outputs=Outputs(
            json=options.json,
            fingers=options.fingers,
            stop=options.stop,
            musicxml=options.musicxml,
            pdf=options.pdf,
            png=options.png,
            paper=options.paper,
            replace=options.replace,
        ),
    )


def _exercise(options: argparse.Namespace) -> int:
    from coach.app.exercise import run_exercise

    kinds = ("worst", "scale", "melody", "bass")
    return run_exercise(
        options.score,
        kind=next((kind for kind in kinds if getattr(options, kind)), "stop"),
        stop=options.stop,
        out=options.out,
        replace=options.replace,
        tuning=options.tuning,
        capo=options.capo,
        level=options.level,
    )


def _ports(options: argparse.Namespace) -> int:
    from coach.devices.ports import list_ports

    ports = list_ports()
    for port in ports:
        print(f"{port.name}  ({port.backend})")
    if not ports:
        print("There is no MIDI port: plug in the guitar's converter and switch it on.")
    return 0
