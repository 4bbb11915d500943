"""The commands.  Exit codes: 0 done, 1 the input cannot be used (one line says why), 2 wrong usage."""

from __future__ import annotations

import argparse
import errno
import io
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from coach.arguments import parser
from coach.core.errors import CoachError

if TYPE_CHECKING:
    from coach.app.look import Look
    from coach.app.play import Asked
    from coach.core.profile import Profile


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):  # a terminal without our signs shows marks in their place
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    options = parser().parse_args(argv)
    try:
        _check_picture(getattr(options, "screenshot", None))
        code = RUN[options.command](options)
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


# The parts are imported where they are needed: `coach plan` loads no window, `coach --help` nothing.


def _first(options: argparse.Namespace) -> int:
    from coach.app.first import run_first

    try:
        return run_first()
    except CoachError as error:  # no display: a terminal is all there is
        print(f"coach: {error}\n", file=sys.stderr)
        parser().print_help()
        return 2


def _desktop(options: argparse.Namespace) -> int:
    from coach.app.first import install_entry

    print(f"Written: {install_entry()}")
    return 0


def _look(options: argparse.Namespace) -> Look:
    from coach.app.look import Look

    return Look(
        night=options.night,
        size=options.size,
        distance_m=options.distance,
        screen_cm=options.screen,
        text=options.text,
        still=options.still,
    )


def _demo(options: argparse.Namespace) -> int:
    from coach.app.demo import run_demo

    return run_demo(
        headless=options.headless, screenshot=options.screenshot, look=_look(options), speed=options.speed
    )


def _profile(options: argparse.Namespace) -> Profile | None:
    """Return the profile that was named, else the one that `coach calibrate` learnt, else None."""
    from coach.files.settings import kept_profile, read_profile

    return read_profile(options.profile) if options.profile else kept_profile()


def _asked(options: argparse.Namespace) -> Asked:
    from coach.app.play import Asked

    return Asked(
        port=options.port,
        profile=_profile(options),
        kept=options.profile is None,
        tolerance_ms=getattr(options, "tolerance", None),
        level=options.level,
        all_strings=getattr(options, "all_strings", False),
        headless=getattr(options, "headless", False),
        screenshot=options.screenshot,
        look=_look(options),
    )


def _play(options: argparse.Namespace) -> int:
    from coach.app.piece import open_piece
    from coach.app.play import run_play
    from coach.core.feedback import Amount
    from coach.files.settings import load_settings

    piece = open_piece(options.score, tuning=options.tuning, capo=options.capo)
    return run_play(
        piece,
        _asked(options),
        settings=load_settings(),
        amount=Amount(options.show),
        fixed=options.steady,
    )


def _studio(options: argparse.Namespace) -> int:
    from coach.app.piece import open_piece
    from coach.app.studio import run_studio
    from coach.files.settings import load_settings

    piece = open_piece(options.score, tuning=options.tuning, capo=options.capo)
    return run_studio(piece, _asked(options), settings=load_settings(), take=options.take)


def _drill(options: argparse.Namespace) -> int:
    from coach.app.drill import Wanted, list_steps, run_drill
    from coach.app.piece import open_piece
    from coach.files.settings import load_settings

    piece = open_piece(options.score, tuning=options.tuning, capo=options.capo)
    wanted = Wanted(
        part=options.part,
        at=options.at,
        bars=options.bars,
        from_start=options.from_start,
        needed=options.needed,
        at_once=not options.to_the_end,
        free_tempo=options.free_tempo,
        start=options.start,
        goal=options.goal,
        by=options.by,
        drift_ms=options.drift,
        click=options.click or options.subdivide > 1 or options.quiet_bars > 0,
        subdivide=options.subdivide,
        quiet_bars=options.quiet_bars,
        listen=not options.no_model,
        silent=options.silent,
        midi_out=options.synth,
    )
    if options.list:
        return list_steps(piece, _asked(options), wanted)
    return run_drill(piece, _asked(options), wanted, settings=load_settings())


def _history(options: argparse.Namespace) -> int:
    from coach.app.history import run_history

    return run_history(
        options.score,
        how="json" if options.json else "text",
        picture=options.png,
        days=options.days,
        replace=options.replace,
    )


def _pedal(options: argparse.Namespace) -> int:
    from coach.app.pedal import run_pedal
    from coach.files.settings import load_settings

    return run_pedal(
        load_settings(),
        port=options.port,
        forget=options.forget,
        profile=_profile(options),
    )


def _calibrate(options: argparse.Namespace) -> int:
    from coach.files.settings import load_settings

    settings = load_settings()
    if options.what == "sound":
        from coach.app.calibrate_sound import run_calibrate_sound, sound_only

        sound_only(options.strings is not None or options.only is not None)
        return run_calibrate_sound(settings, by_hand_ms=options.ms, source=options.input, dry=options.dry_run)
    from coach.app.calibrate import run_calibrate

    return run_calibrate(
        settings,
        port=options.port,
        tuning=options.tuning,
        strings=options.strings,
        only=options.only,
        dry=options.dry_run,
    )


def _review(options: argparse.Namespace) -> int:
    from coach.app.review import Shown, run_review
    from coach.files.settings import read_profile

    return run_review(
        options.take,
        Shown(
            how="json" if options.json else "window" if options.window else "text",
            everything=options.all,
            leaf=options.leaf,
            number=options.number,
            beside=options.beside,
            hindsight=options.hindsight,
            model=options.model,
            screenshot=options.screenshot,
            look=_look(options),
        ),
        score=options.score,
        tuning=options.tuning,
        capo=options.capo,
        tolerance_ms=options.tolerance,
        level=options.level,
        profile=read_profile(options.profile) if options.profile else None,
        all_strings=options.all_strings,
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


RUN: dict[str | None, Callable[[argparse.Namespace], int]] = {
    None: _first,
    "demo": _demo,
    "play": _play,
    "review": _review,
    "studio": _studio,
    "drill": _drill,
    "history": _history,
    "plan": _plan,
    "exercise": _exercise,
    "pedal": _pedal,
    "calibrate": _calibrate,
    "desktop": _desktop,
    "ports": _ports,
}
