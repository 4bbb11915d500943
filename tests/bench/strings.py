"""What strings and fingers cost: ``python -m tests.bench.strings``.  CPU seconds, drawn pieces by length.

The bar to stay under is 1 s for the strings of a piece of 200 bars (the issue's own figure).  The last column
is the greatest number of sets of held notes that the search kept at once, to be compared with its limit.
"""

import sys
import time
from dataclasses import replace

import numpy as np

from coach.core import strings
from coach.core.hand import fingerings
from coach.core.left_hand import finger_left
from coach.core.right_hand import finger_right
from coach.core.score import make_score
from tests.pieces import generated_piece


def bare(score):
    """The score without strings, frets and fingers."""
    notes = score.notes.copy()
    notes["string"], notes["fret"], notes["finger"], notes["pluck"] = 0, -1, 0, 0
    return replace(score, notes=make_score(notes, score.bars).notes)


def watched(sizes):
    """Make the search note how many sets of held notes it keeps."""
    gather = strings._Search._gather

    def noted(self, *arguments):
        states = gather(self, *arguments)
        sizes.append(len(states.sets))
        return states

    strings._Search._gather = noted


def main():
    sizes = []
    watched(sizes)
    print("  bars  notes groups   strings  left  right  (s of CPU)   sets, limit", strings.MOST_SETS)
    for bars in (16, 50, 100, 200, 400):
        score = bare(generated_piece(seed=bars, bars=bars, eighths=0.6))
        spent = []
        fingerings.cache_clear()
        sizes.clear()
        for work in (lambda s: strings.assign_strings(s)[0], finger_left, finger_right):
            began = time.process_time()
            score = work(score)
            spent.append(time.process_time() - began)
        groups = len(np.unique(score.notes["onset"]))
        figures = "".join(f"{s:8.3f}" for s in spent)
        print(f"{bars:6d}{len(score.notes):7d}{groups:7d}{figures}{max(sizes):22d}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
