"""The other side of ``tests.bench.libraries``: runs under a research library's own Python.

Every line of its input is a job: ``["MATCHER", "material.json", "answers.json"]``.  Each is answered by one
line: ``done``, or what went wrong.  Material: ``scores`` (each with ``qpm`` and ``notes``: id, onset,
duration in quarters, pitch, grace) and ``takes`` (each with the index of its ``score``, the number of that
score's ``first`` onset in the whole piece, and ``events``: onset in seconds, pitch, velocity).  Answers, one
a take: ``notes``, the id matched with each event or null; ``groups``, the number of the onset the follower
was at after each event, counted in the whole piece; ``cost_us``, one figure for each call of the library,
in µs of the processor's time; ``failed``, events at which it broke down (the place is then held).

**From a place to a note.**  A follower that gives a score position only is taken to mean, of the score notes
of equal pitch, the first that is free of those at that onset, then at the one before, then at the one after.
A note is taken for half a second after it was matched, so that the second of a double trigger is extra; for
no longer, since a student who starts again plays every note anew.  Kinds that end in ``-own`` use the
library's own matching, which never frees a note.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import logging
import os
import sys
import time
import warnings

import numpy as np

HELD_S = 0.5
NOTE = [
    ("onset_beat", "f8"),
    ("duration_beat", "f8"),
    ("onset_quarter", "f8"),
    ("duration_quarter", "f8"),
    ("onset_div", "i4"),
    ("duration_div", "i4"),
    ("pitch", "i4"),
    ("voice", "i4"),
    ("id", "U32"),
    ("is_grace", "?"),
]
PLAYED = [
    ("onset_sec", "f8"),
    ("duration_sec", "f8"),
    ("onset_tick", "i4"),
    ("duration_tick", "i4"),
    ("pitch", "i4"),
    ("velocity", "i4"),
    ("track", "i4"),
    ("channel", "i4"),
    ("id", "U32"),
]
DIVISIONS = 10_080


def score_array(notes):
    """Return the note array of a score, as partitura lays one out; the beat is a quarter."""
    rows = [
        (
            onset,
            duration,
            onset,
            duration,
            round(onset * DIVISIONS),
            round(duration * DIVISIONS),
            pitch,
            1,
            name,
            bool(grace),
        )
        for name, onset, duration, pitch, grace in notes
    ]
    return np.array(rows, NOTE)


def played_array(events):
    """Return the note array of a performance; every note lasts a quarter of a second."""
    rows = [
        (onset, 0.25, round(onset * 1000), 250, pitch, velocity, 0, 0, f"p{index}")
        for index, (onset, pitch, velocity) in enumerate(events)
    ]
    return np.array(rows, PLAYED)


class Places:
    """Turns places into notes, by the rule above."""

    def __init__(self, score):
        onsets = np.unique(score["onset_beat"])
        self.last = len(onsets) - 1
        self.at = {}
        for name, onset, pitch in zip(score["id"], score["onset_beat"], score["pitch"], strict=True):
            self.at.setdefault((int(np.searchsorted(onsets, onset)), int(pitch)), []).append(str(name))
        self.until = {}

    def note(self, group, pitch, now):
        for near in (group, group - 1, group + 1):
            for name in self.at.get((near, int(pitch)), ()):
                if self.until.get(name, -1.0) < now:
                    self.until[name] = now + HELD_S
                    return name
        return None


class Answer:
    """What one take came to."""

    def __init__(self, count):
        self.notes, self.groups = [None] * count, [0] * count
        self.cost_us, self.failed, self.why = [], 0, ""

    def timed(self, call, *args):
        """Return what a call returns, or None where the library breaks down; either way it takes time."""
        began = time.process_time_ns()
        try:
            return call(*args)
        except (IndexError, KeyError, ValueError, ZeroDivisionError) as error:
            self.failed += 1
            self.why = self.why or f"{type(error).__name__}: {error}"
            return None
        finally:
            self.cost_us.append((time.process_time_ns() - began) / 1000)


# --- parangonar -----------------------------------------------------------------------------------


def _seconds_a_beat(score_file):
    return 60.0 / score_file["qpm"]


def _by_place(follower, score, played):
    """Feed a parangonar follower note by note and ask for its place."""
    answer, places, at = Answer(len(played)), Places(score), 0
    for index, note in enumerate(played):
        found = answer.timed(follower, note)
        at = at if found is None else min(max(int(found), 0), places.last)
        answer.groups[index] = at
        answer.notes[index] = places.note(at, note["pitch"], note["onset_sec"])
    return answer


def oltw(score_file, score, played):
    from parangonar import OLTWMatcher

    return _by_place(OLTWMatcher(score, tracker_type="SL_OLTW"), score, played)


def toltw(score_file, score, played):
    from parangonar import TOLTWMatcher

    follower = TOLTWMatcher(score, tracker_type="SLT_OLTW", init_tempo=_seconds_a_beat(score_file))
    return _by_place(follower, score, played)


def transformer_jumps(score_file, score, played):
    from parangonar import OnlinePureTransformerMatcher

    return _by_place(OnlinePureTransformerMatcher(score), score, played)


def _whole(match, score, played):
    """Return the answer of a matcher that wants the whole take; its cost is shared out evenly."""
    answer = Answer(len(played))
    onsets = np.unique(score["onset_beat"])
    group = {str(s["id"]): int(np.searchsorted(onsets, s["onset_beat"])) for s in score}
    found = answer.timed(match) or []
    answer.cost_us = [answer.cost_us[0] / max(len(played), 1)]
    for pair in found:
        if pair["label"] == "match":
            answer.notes[int(str(pair["performance_id"])[1:])] = str(pair["score_id"])
    at = 0
    for index, name in enumerate(answer.notes):
        at = at if name is None else group[name]
        answer.groups[index] = at
    return answer


def oltw_own(score_file, score, played):
    from parangonar import OLTWMatcher

    # Reads note by note, though it is asked for the whole.
    return _whole(lambda: OLTWMatcher(score).offline(played), score, played)


def dual_dtw(score_file, score, played):
    from parangonar import DualDTWNoteMatcher

    matcher = DualDTWNoteMatcher()
    return _whole(lambda: matcher(score, played), score, played)


def transformer_own(score_file, score, played):
    from parangonar import OnlineTransformerMatcher

    follower = OnlineTransformerMatcher(score)
    follower.prepare_performance(played[0]["onset_sec"], _seconds_a_beat(score_file))
    answer = Answer(len(played))
    for index, note in enumerate(played):
        before = len(follower.alignment)
        answer.timed(follower.online, note)
        if len(follower.alignment) > before:
            answer.notes[index] = str(follower.alignment[-1][0])
        answer.groups[index] = follower.id_by_onset[follower.get_current_score_onset()]
    return answer


# --- pymatchmaker ---------------------------------------------------------------------------------


def _bunches(played, within_s):
    """Return runs of events no more than so many seconds after the first of the run."""
    bunches = [[0]]
    for index in range(1, len(played)):
        if played["onset_sec"][index] - played["onset_sec"][bunches[-1][0]] > within_s:
            bunches.append([])
        bunches[-1].append(index)
    return bunches


def _keys(pitches):
    """Return one entry a key of a piano, 1 where it is struck, as pymatchmaker's processors do."""
    keys = np.zeros(88, np.float32)
    keys[[min(max(int(pitch) - 21, 0), 87) for pitch in pitches]] = 1.0
    return keys


def _by_bunch(follower, score, played, within_s, look, step=1):
    """Feed bunches of notes; ``look`` makes of their pitches what the follower is shown."""
    answer, places, at = Answer(len(played)), Places(score), 0
    for bunch in _bunches(played, within_s):
        first_s = float(played["onset_sec"][bunch[0]])
        answer.timed(follower, look(played["pitch"][bunch]), first_s)
        if follower.current_index is not None:
            at = min(max(int(follower.current_index) // step, 0), places.last)
        for index in bunch:
            answer.groups[index] = at
            answer.notes[index] = places.note(at, played["pitch"][index], played["onset_sec"][index])
    return answer


def _chord_s():
    from inspect import signature

    from matchmaker.features.midi import ChordOnsetProcessor

    return signature(ChordOnsetProcessor.__init__).parameters["chord_threshold"].default


def _outer(score):
    # The library imports its compiled step by a name that it does not have when installed.
    module = importlib.import_module("matchmaker.prob.outer_product_hmm")
    module.viterbi_step_cy = importlib.import_module("matchmaker.prob.viterbi_step").viterbi_step_cy
    return module.OuterProductHMM(reference_features=score, piano_range=True)


def outer_hmm(score_file, score, played):
    return _by_bunch(_outer(score), score, played, _chord_s(), _keys)


def outer_hmm_wide(score_file, score, played):
    return _by_bunch(_outer(score), score, played, 0.08, _keys)


def pitch_tempo_hmm(score_file, score, played):
    from matchmaker.prob import PitchIOIHMM
    from matchmaker.utils.tempo_models import KalmanTempoModel

    follower = PitchIOIHMM(
        reference_features=score, tempo_model=KalmanTempoModel, has_insertions=True, piano_range=True
    )
    # States between two onsets stand for extra notes: two states an onset.
    return _by_bunch(follower, score, played, 0.01, lambda p: (p - 21).astype(np.float32), 2)


def pitch_tempo_hmm_plain(score_file, score, played):
    from matchmaker.prob import PitchIOIHMM
    from matchmaker.utils.tempo_models import KalmanTempoModel

    follower = PitchIOIHMM(
        reference_features=score, tempo_model=KalmanTempoModel, has_insertions=False, piano_range=True
    )
    return _by_bunch(follower, score, played, 0.01, lambda p: (p - 21).astype(np.float32))


def pitch_hmm(score_file, score, played):
    from matchmaker.prob import PitchHMM

    follower = PitchHMM(reference_features=score, has_insertions=True, piano_range=True)
    return _by_bunch(follower, score, played, 0.05, _keys, 2)


def pitch_hmm_plain(score_file, score, played):
    from matchmaker.prob import PitchHMM

    follower = PitchHMM(reference_features=score, has_insertions=False, piano_range=True)
    return _by_bunch(follower, score, played, 0.05, _keys)


def _warping(score, played, kind, **options):
    from matchmaker import dp
    from matchmaker.features.midi import onset_pianoroll

    features, positions = onset_pianoroll(score, onset_key="onset_beat", piano_range=True)
    follower = getattr(dp, kind)(reference_features=features, score_positions=positions, **options)
    follower.reset()
    return _by_bunch(follower, score, played, _chord_s(), _keys)


def dtw_arzt(score_file, score, played):
    return _warping(score, played, "OnlineTimeWarpingArztEvent", step_size=5)


def dtw_dixon(score_file, score, played):
    return _warping(score, played, "OnlineTimeWarpingDixonEvent")


MATCHERS = {
    "oltw": oltw,
    "oltw-own": oltw_own,
    "toltw": toltw,
    "transformer-own": transformer_own,
    "transformer-jumps": transformer_jumps,
    "dual-dtw": dual_dtw,
    "outer-hmm": outer_hmm,
    "outer-hmm-wide": outer_hmm_wide,
    "pitch-tempo-hmm": pitch_tempo_hmm,
    "pitch-tempo-hmm-plain": pitch_tempo_hmm_plain,
    "pitch-hmm": pitch_hmm,
    "pitch-hmm-plain": pitch_hmm_plain,
    "dtw-arzt": dtw_arzt,
    "dtw-dixon": dtw_dixon,
}


def follow(what, given, got):
    """Follow the takes of one file, and write the answers into another."""
    with open(given) as file:
        material = json.load(file)
    scores = [score_array(score["notes"]) for score in material["scores"]]
    answers = []
    for take in material["takes"]:
        np.random.seed(0)
        score_file = material["scores"][take["score"]]
        played = played_array(take["events"])
        answer = MATCHERS[what](score_file, scores[take["score"]].copy(), played)
        answer.groups = [take["first"] + group for group in answer.groups]
        answers.append(vars(answer))
    with open(got, "w") as file:
        json.dump(answers, file)


def quiet_torch():
    """Let torch use one processor and learn nothing, where it is installed."""
    if importlib.util.find_spec("torch"):
        import torch

        torch.set_num_threads(1)
        torch.set_grad_enabled(False)


def main():
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    replies = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # whatever a library prints is no reply
    quiet_torch()
    for line in sys.stdin:
        what, given, got = json.loads(line)
        try:
            follow(what, given, got)
            reply = "done"
        except Exception as error:  # a library may fail in any way: that is what its line then says
            reply = f"failed: {type(error).__name__}: {error}".splitlines()[0]
        print(reply, file=replies, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
