"""The history's file under two programs at once, damage, later versions, a full disk and a locked folder.

Result codes are SQLite's own (sqlite.org/rescode.html); the faults are real ones, none is pretended.
"""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
import traceback
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from coach.core.errors import CoachError
from coach.files import history_store
from coach.files.history import History, HistoryError
from tests.harness import ROOT
from tests.test_history import ROW, STOP

MANY = 60


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "history.sqlite")


def one_line(error: CoachError) -> str:
    text = str(error)
    assert "\n" not in text
    assert text.count("; ") >= 1  # what, and the remedy
    return text


def fill(history: History, count: int = 30) -> None:
    """Add so many passes that the file has many pages."""
    stops = [replace(STOP, note=i) for i in range(40)]
    history.add_take(ROW.take, 1, [(replace(ROW, number=n), stops) for n in range(1, count + 1)])


def child(code: str, *words: object, **how: object) -> subprocess.Popen[str]:
    """Start a Python program that has the history's names."""
    head = (
        "import sys\nfrom dataclasses import replace\nfrom pathlib import Path\n"
        "from coach.files.history import History, HistoryError\nfrom tests.test_history import ROW, STOP\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", head + textwrap.dedent(code), *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **how,  # type: ignore[call-overload]
    )


def outcome(process: subprocess.Popen[str]) -> str:
    out, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")
    return out


WRITER = """
history = History(Path(sys.argv[1]))
for n in range(1, int(sys.argv[3]) + 1):
    assert history.add(replace(ROW, take=sys.argv[2], number=n), [STOP] * 20)
print(*history.notices, sep="\\n", end="")
"""


# --- two programs at once ---------------------------------------------------------------------------


def test_two_programs_write_at_once_into_a_new_file(history):
    writers = [child(WRITER, history.path, f"{name}.mid", MANY) for name in ("one", "two")]
    assert [outcome(writer) for writer in writers] == ["", ""]
    rows = history.passes()
    assert sorted((row.take, row.number) for row in rows) == [
        (f"{name}.mid", n) for name in ("one", "two") for n in range(1, MANY + 1)
    ]
    (stop,) = history.stops(ROW.digest)
    assert stop.asked == 2 * MANY * 20
    with closing(sqlite3.connect(history.path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_reader_sees_whole_passes_while_another_program_writes(history):
    writer = child(WRITER, history.path, "one.mid", MANY)
    seen = 0
    while writer.poll() is None:
        for stop in history.stops(ROW.digest):
            assert stop.asked % 20 == 0
        count = len(history.passes())
        assert count >= seen
        seen = count
    outcome(writer)
    assert len(history.passes()) == MANY


def test_two_programs_find_the_damage_at_once(history):
    fill(history)
    scribble(history.path)
    writers = [child(WRITER, history.path, f"{name}.mid", 10) for name in ("one", "two")]
    notices = [outcome(writer) for writer in writers]
    assert len(history.passes()) == 20
    assert [path.name for path in broken(history)] == ["history.broken.sqlite"]
    assert sum("damaged" in notice for notice in notices) == 1


def test_killed_in_the_middle_of_a_pass_it_has_all_passes_before(history):
    code = """
    history = History(Path(sys.argv[1]))
    history.add(replace(ROW, number=1), [STOP])
    def stops():
        yield STOP
        print("now", flush=True)
        sys.stdin.read()
    class Endless(list):
        def __iter__(self): return stops()
    history.add(replace(ROW, number=2), Endless())
    """
    process = child(code, history.path, stdin=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline() == "now\n"  # it stands within the transaction
    process.kill()
    process.communicate()
    assert [row.number for row in history.passes()] == [1]
    assert history.add(replace(ROW, number=3), [STOP])
    assert history.notices == []


def test_a_program_that_does_not_let_go_is_one_line(history, monkeypatch):
    monkeypatch.setattr(history_store, "BUSY_S", 0.05)
    monkeypatch.setattr(history_store, "WAIT_S", 0.1)
    history.add(ROW)
    with closing(sqlite3.connect(history.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(HistoryError, match="another program is using the history") as caught:
            history.add(replace(ROW, number=2))
        one_line(caught.value)
        assert len(history.passes()) == 1  # readers go on
        other.execute("ROLLBACK")
    assert history.add(replace(ROW, number=2))


# --- damage -----------------------------------------------------------------------------------------


def scribble(path: Path, *, seed: int = 1) -> None:
    """Write rubbish over the middle of a file, as a failing disk does."""
    dice = random.Random(seed)
    size = path.stat().st_size
    with path.open("r+b") as file:
        for at in range(4096, size - 512, 2048):
            file.seek(at)
            file.write(dice.randbytes(512))


def broken(history: History) -> list[Path]:
    return sorted(history.path.parent.glob("*.broken*.sqlite"))


def damage_head(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"this is no database, whatever its name says")


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size * 2 // 3)


def of_another_program(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE passes (colour TEXT)")
        db.commit()


def without_a_table(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TABLE stops")
        db.commit()


DAMAGES = [scribble, damage_head, cut, of_another_program, without_a_table]


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
@pytest.mark.parametrize("first", ["read", "write"])
def test_a_damaged_file_is_moved_aside_and_a_new_one_begun(history, damage, first):
    fill(history)
    damage(history.path)
    before = history.path.read_bytes()
    fresh = History(history.path)
    if first == "read":
        assert fresh.passes() == ()
    else:
        assert fresh.add(ROW, [STOP])
        assert fresh.passes() == (ROW,)
    (aside,) = broken(history)
    assert aside.name == "history.broken.sqlite"
    assert aside.read_bytes() == before  # nothing of it is lost
    (notice,) = fresh.notices
    assert "history.broken.sqlite" in notice
    assert "\n" not in notice
    assert fresh.known_takes() == {}  # so that every take is read again
    assert fresh.add(replace(ROW, number=2), [STOP])
    assert len(fresh.notices) == 1


def test_damage_while_the_program_runs_is_found_at_the_next_pass(history):
    fill(history)
    damage_head(history.path)
    assert history.add(replace(ROW, number=99), [STOP])
    assert [row.number for row in history.passes()] == [99]
    assert len(broken(history)) == 1


def spoil_a_page(path: Path) -> None:
    """Spoil a page in the middle, where no new pass is written."""
    page = path.stat().st_size // 4096 // 2
    with path.open("r+b") as file:
        file.seek(page * 4096)
        file.write(b"\xff" * 4096)


def test_damage_is_found_before_anything_is_added_to_it(history):
    fill(history)
    spoil_a_page(history.path)
    fresh = History(history.path)
    assert fresh.add(replace(ROW, number=99), [STOP])
    assert len(broken(history)) == 1
    assert [row.number for row in fresh.passes()] == [99]


def test_a_file_put_in_its_place_is_looked_at_anew(history, tmp_path):
    fill(history)
    shutil.copy(history.path, tmp_path / "copy")  # such as from a disk that fails
    spoil_a_page(tmp_path / "copy")
    os.replace(tmp_path / "copy", history.path)
    assert history.add(replace(ROW, number=99), [STOP])
    assert len(broken(history)) == 1


def test_what_another_program_has_begun_anew_is_not_moved_aside(history):
    history.path.write_bytes(b"rubbish")
    seen = history_store._identity(history.path)
    other = History(history.path)
    assert other.add(ROW)  # found the rubbish first
    history._store._move_aside("not a database", seen, 1)
    assert history.passes() == (ROW,)
    assert history.notices == []


def test_each_broken_file_is_kept(history):
    for n in range(1, 4):
        history.path.write_bytes(b"rubbish number %d, long enough to be looked at as a database head" % n)
        assert History(history.path).add(ROW)
    found = {path.name: path.read_bytes()[15:16] for path in broken(history)}
    assert found == {
        "history.broken.sqlite": b"1",
        "history.broken-2.sqlite": b"2",
        "history.broken-3.sqlite": b"3",
    }


def test_the_log_of_a_broken_file_goes_with_it(history):
    fill(history, 3)
    with closing(sqlite3.connect(history.path)) as db:  # its last connection would tidy up
        db.execute("SELECT count(*) FROM passes").fetchone()
        history.add(replace(ROW, number=50), [STOP])
        log = Path(f"{history.path}-wal").read_bytes()
        assert log
        damage_head(history.path)
        fresh = History(history.path)
        assert fresh.add(ROW)
    assert fresh.passes() == (ROW,)
    assert Path(f"{broken(history)[0]}-wal").read_bytes()[: len(log)] == log


def test_an_empty_file_is_a_new_history(history):
    history.path.touch()
    assert history.passes() == ()
    assert history.add(ROW)
    assert history.notices == []


def test_a_file_that_is_deleted_while_the_program_runs_is_begun_anew(history):
    history.add(ROW)
    history.path.unlink()
    assert history.passes() == ()
    assert history.add(replace(ROW, number=2))
    assert [row.number for row in history.passes()] == [2]


@pytest.mark.parametrize("seed", range(12))
def test_any_damage_is_told_or_does_no_harm(history, seed):
    fill(history)
    whole = history.passes()
    data = bytearray(history.path.read_bytes())
    dice = random.Random(seed)
    for _ in range(dice.choice((1, 3, 40))):
        at = dice.randrange(len(data))
        data[at : at + 8] = dice.randbytes(8)
    history.path.write_bytes(data)
    fresh = History(history.path)
    try:
        fresh.add(replace(ROW, number=77), [STOP])
        found = fresh.passes()
    except HistoryError as error:
        one_line(error)  # such as a file that says it is of a later version
        return
    numbers = [row.number for row in found]
    if not numbers:  # seen only when all of it was read: the new pass is in the file that is kept aside
        assert broken(history)
        assert len(fresh.notices) == 1
        return
    assert 77 in numbers
    if not broken(history):
        assert len(found) == len(whole) + 1
    else:
        assert numbers == [77]


# --- another version --------------------------------------------------------------------------------


def test_a_history_of_a_later_version_is_refused_and_left_as_it_is(history):
    fill(history, 3)
    with closing(sqlite3.connect(history.path)) as db:
        db.execute("ALTER TABLE passes ADD COLUMN mood TEXT")
        db.execute(f"PRAGMA user_version = {history_store.SCHEMA + 1}")
        db.execute("PRAGMA journal_mode = DELETE")
    before = history.path.read_bytes()
    for work in (lambda h: h.add(replace(ROW, number=9)), lambda h: h.passes()):
        with pytest.raises(HistoryError, match="later version") as caught:
            work(History(history.path))
        one_line(caught.value)
    assert history.path.read_bytes() == before
    assert broken(history) == []


# --- a disk that does not take it -------------------------------------------------------------------


def test_a_full_disk_is_one_line_and_loses_nothing(history):
    history.add(ROW, [STOP])
    size = history.path.stat().st_size
    code = """
    history = History(Path(sys.argv[1]))
    for n in range(2, 400):
        try:
            history.add(replace(ROW, number=n), [STOP] * 200)
        except HistoryError as error:
            print(error)
            break
    """
    limit = size + 200_000
    process = child(
        code, history.path, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    )
    line = outcome(process)
    assert line.count("\n") == 1
    assert "the history cannot be written" in line
    assert "the take is kept" in line
    assert history.notices == []
    rows = history.passes()
    assert rows[0] == ROW
    (stop,) = history.stops(ROW.digest)
    assert stop.asked == 1 + 200 * (len(rows) - 1)  # no pass by halves
    assert history.add(replace(ROW, number=500), [STOP])


@pytest.fixture
def public() -> Iterator[Path]:
    """A folder that any user may enter (pytest's own is closed to others)."""
    folder = Path(tempfile.mkdtemp(prefix="coach-history-"))
    folder.chmod(0o777)
    yield folder
    folder.chmod(0o777)
    shutil.rmtree(folder)


def as_nobody(work: Callable[[], None]) -> list[str]:
    """Do ``work`` as another user (root may write everywhere), in a child; return the lines it printed."""
    get, put = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.dup2(put, 1)
            os.dup2(put, 2)
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            with open(put, "w", encoding="utf-8") as out, contextlib.redirect_stdout(out):
                work()
        except BaseException:
            traceback.print_exc(file=sys.__stderr__)
            os._exit(1)
        os._exit(0)
    os.close(put)
    with open(get, encoding="utf-8") as said:
        text = said.read()
    _, status = os.waitpid(pid, 0)
    assert status == 0, text
    return text.splitlines()


def write_and_read(path: Path) -> None:
    history = History(path)
    try:
        history.add(replace(ROW, number=2), [STOP])
    except HistoryError as error:
        print(error)
    try:
        print(len(history.passes()), "passes")
    except HistoryError as error:
        print(error)


@pytest.mark.parametrize("folder_too", [False, True], ids=["file", "folder"])
def test_what_may_only_be_read_is_read_and_not_written(public, folder_too):
    path = public / "history.sqlite"
    History(path).add(ROW, [STOP])
    path.chmod(0o444)
    if folder_too:
        public.chmod(0o555)
    refused, read = as_nobody(lambda: write_and_read(path))
    assert "the history cannot be written" in refused
    assert "unlock the folder" in refused
    assert read == "1 passes"
    assert History(path).passes() == (ROW,)
    assert broken(History(path)) == []


def test_a_folder_that_cannot_be_made_is_one_line(public):
    public.chmod(0o555)
    refused, read = as_nobody(lambda: write_and_read(public / "data" / "history.sqlite"))
    assert "the history cannot be written" in refused
    assert read == "0 passes"


def test_a_damaged_file_in_a_locked_folder_stays_and_is_one_line(public):
    path = public / "history.sqlite"
    path.write_bytes(b"rubbish that is long enough to be taken for the head of a database")
    before = path.read_bytes()
    path.chmod(0o666)
    public.chmod(0o555)
    for line in as_nobody(lambda: write_and_read(path)):
        assert "damaged" in line
        assert "move the file away by hand" in line
    assert path.read_bytes() == before


def test_a_folder_in_its_place_is_one_line(history):
    history.path.mkdir()
    for work in (lambda: history.add(ROW), history.passes):
        with pytest.raises(HistoryError) as caught:
            work()
        one_line(caught.value)
    assert history.path.is_dir()


def test_a_bug_keeps_its_traceback(history):
    with pytest.raises(sqlite3.OperationalError, match="no such column"):
        history._store.read(lambda db: db.execute("SELECT mood FROM passes"))
    assert broken(history) == []


def older(history):
    """Make the history one of version 1: without what a pass was judged by."""
    with closing(sqlite3.connect(history.path)) as db:
        for column in ("tolerance_ms", "drift_limit_ms"):
            db.execute(f"ALTER TABLE passes DROP COLUMN {column}")
        db.execute("PRAGMA user_version = 1")
        db.execute("PRAGMA journal_mode = DELETE")
        db.commit()


def test_a_history_of_an_older_version_is_read_as_it_is_and_not_changed(history):
    fill(history, 3)
    whole = history.passes()
    older(history)
    before = history.path.read_bytes()
    fresh = History(history.path)
    assert fresh.passes() == tuple(replace(row, tolerance_ms=None, drift_limit_ms=None) for row in whole)
    assert fresh.known_takes() == {}  # they are to be judged anew
    assert len(fresh.stops(ROW.digest)) == 40
    assert fresh.notices == []
    assert history.path.read_bytes() == before


def test_a_history_of_an_older_version_is_brought_up_to_date_when_it_is_written(history):
    fill(history, 3)
    older(history)
    fresh = History(history.path)
    judged = replace(ROW, number=2, clean=False, tolerance_ms=120.0, drift_limit_ms=80.0)
    assert not fresh.add(judged, [STOP])  # it was there, and is brought up to date
    found = History(history.path).passes()
    assert [(row.number, row.drift_limit_ms) for row in found] == [(1, None), (2, 80.0), (3, None)]
    assert found[1] == judged
    assert fresh.known_takes() == {}
    assert fresh.add_take(ROW.take, 7, [(judged, [STOP])], whole=True) == 0
    assert History(history.path).known_takes() == {ROW.take: 7}
    with closing(sqlite3.connect(history.path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (history_store.SCHEMA,)
    assert (fresh.notices, broken(history)) == ([], [])
