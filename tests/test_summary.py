"""What a student is told after a take: true figures, the worst first, one next step."""

from coach.core.events import End
from coach.core.report import report
from coach.core.session import judge
from coach.core.summary import pass_sentence, summarise, worst_stops
from tests.scores import piece
from tests.test_session import CLEAN, STEPS, bass_line, on


def told(score=STEPS, **changed):
    line = list(CLEAN)
    for key, value in changed.items():
        line[int(key[1:])] = value
    session = judge([*bass_line(*line), End(12_000_000)], score)
    return report(session), summarise(report(session), "A Title")


def test_a_clean_take_is_praised_in_figures_and_sent_on():
    _, summary = told()
    assert summary.headline == "A Title"
    assert summary.sentences[0] == "8 of 8 notes were right. 8 of 8 bass stops were clean."
    assert summary.rows == ()
    assert "faster" in summary.advice


def test_the_worst_stop_comes_first_and_gives_the_next_step():
    result, summary = told(n0=(45, 1.3), n3=(45, 2.6))
    assert [(r.verdict.note, r.verdict.kind.value) for r in worst_stops(result)] == [
        (3, "ringing"),
        (0, "late"),
    ]
    assert summary.sentences[0].endswith("6 of 8 bass stops were clean.")
    assert "bar 1, beat 4" in summary.sentences[1]
    assert [(r.bar, r.beat, r.string, r.amount) for r in summary.rows] == [
        ("1", "4", 5, "+1600 ms"),
        ("1", "1", 5, "+300 ms"),
    ]
    assert "bars 1–2" in summary.advice  # the stop is due in bar 2, and the bar before leads to it


def test_without_faults_of_damping_another_fault_is_named():
    _, summary = told(n2=(41, 1.0))
    assert "F was played" in summary.sentences[1]


def test_nothing_heard_is_said():
    summary = summarise(report(judge([End(1_000_000)], STEPS)), "")
    assert summary.sentences[0] == "Nothing of this piece was heard."


def test_no_stop_asked_means_no_stop_counted():
    score = piece("4/4", "", "E4 1, F4 1, G4 1, E4 1")
    events = [on(1, 64), on(2, 65, 1), on(3, 67, 1), on(4, 64), End(6_000_000)]
    assert summarise(report(judge(events, score)), "").sentences[0] == "4 of 4 notes were right."


def test_after_a_pass_its_worst_fault_is_said_or_that_it_was_clean():
    again = bass_line((45, 1.3), *CLEAN[1:4]) + bass_line(*CLEAN, start=9.0)
    result = report(judge([*sorted(again, key=lambda e: e.time_us), End(20_000_000)], STEPS))
    assert pass_sentence(result, 1) == "bar 1, beat 1: the A on string 5 was stopped late (+300 ms)."
    assert pass_sentence(result, 2) == "bars 1–2: clean."
    assert pass_sentence(result, 3) == ""
