"""Prove that the store loses nothing and keeps nothing twice: killed, crowded, full, fed rubbish.

Run from the top folder; on two cores each takes well under an hour:

    python -m tests.slow.nothing_lost kills [300] [--seed N]
    python -m tests.slow.nothing_lost writers [8] [50] [--seed N]
    python -m tests.slow.nothing_lost disk [60]
    python -m tests.slow.nothing_lost fuzz [5000] [--seed N]

What a store must hold is kept in plain dicts, from what the files were made of; rows are then read
back through the store's views and rejected lines from the rejects files themselves. The last line
of each gives the counts; the exit code is 1 when anything is off, and the folder is then kept.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.snapshot import StoreError
from analysis.store import Store
from tests.slow.fuzzing import (
    Content,
    Key,
    Tally,
    Totals,
    count_rows,
    fuzz,
    offer,
    one_sentence,
    read_rejects,
    totals_of,
)

TOP = Path(__file__).parents[2]
COLUMNS = "run,started,tower,bin,cycles,misses,doubles,note"


@dataclass
class Log:
    """A made run log and what has to become of its lines.

    Attributes
    ----------
    path : Path
        The file.
    new, corrections : dict
        Rows by key.
    lines : dict of str to int
        Lines that are ``added``, ``corrected``, ``known`` and ``rejected``.
    rejected_lines : list of int
        Line numbers of the rejected ones.
    """

    path: Path
    new: dict[Key, Content] = field(default_factory=dict)
    corrections: dict[Key, Content] = field(default_factory=dict)
    lines: Counter[str] = field(default_factory=Counter)
    rejected_lines: list[int] = field(default_factory=list)


class Model:
    """The rows that have to be in a store, by run."""

    def __init__(self) -> None:
        self.runs: dict[str, dict[Key, Content]] = {}
        self.keys: list[Key] = []
        self.past = 0

    def take(self, log: Log) -> None:
        """Add a log's rows."""
        for key, content in {**log.new, **log.corrections}.items():
            self.runs.setdefault(key[1], {})[key] = content
        self.keys.extend(log.new)
        self.past += len(log.corrections)

    def of_runs(self, runs: Sequence[str]) -> dict[Key, Content]:
        """Return the rows of some runs."""
        return {key: row for run in runs for key, row in self.runs.get(run, {}).items()}


def _micros(text: str) -> int:
    moment = dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
    return (moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) // dt.timedelta(microseconds=1)


class LogMaker:
    """Writes run logs whose lines have a known fate.

    Parameters
    ----------
    folder : Path
        Where the files go.
    seed : int
        The same seed gives the same files.
    """

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.draw = random.Random(seed)
        self.count = 0

    def make(
        self,
        rows: int,
        model: Model,
        *,
        corrections: int = 0,
        copies: int = 0,
        rejects: int = 0,
        also: dict[Key, Content] | None = None,
    ) -> Log:
        """Write one log.

        Parameters
        ----------
        rows : int
            New rows.
        model : Model
            The store that it will meet.
        corrections, copies, rejects : int
            Lines that correct, repeat or may not be taken, where the store has rows for them.
        also : dict, optional
            Rows to write beside these; not part of what is expected of the log.
        """
        draw = self.draw
        self.count += 1
        log = Log(self.folder / f"log-{self.count:04d}.csv")
        lines: list[tuple[str, str]] = []
        held = min(len(model.keys), corrections + copies + rejects)
        chosen = draw.sample(model.keys, held)

        def put(fate: str, key: Key, content: Content | None, text: str = "") -> None:
            lines.append((fate, text or _line(key, content or (0, 0, 0, 0, ""))))

        number = 0
        while number < rows:
            run = f"{self.count:04d}-{number // 10}"
            tower = draw.choice("ABCD")
            start = f"20{draw.randrange(31, 39)}-{draw.randrange(1, 13):02d}-11T08:05"
            if rows - number >= 10 and draw.random() < 0.1:
                cycles = draw.randrange(1000, 9000)
                for bin_number in range(1, 11):
                    log.new[tower, run, 1, bin_number] = (_micros(start), cycles, 0, 0, "")
                put("added", ("", "", 0, 0), None, f"{run},{start},{tower},1-10,{cycles},0,0,")
                number += 10
                continue
            for bin_number in range(1, min(10, rows - number) + 1):
                note = draw.choice(("", "", "", "pile was damp, again", "two\nlines", 'said "no"'))
                counts = draw.randrange(1000, 9000), draw.randrange(3), draw.randrange(3)
                log.new[tower, run, 1, bin_number] = (_micros(start), *counts, note)
                put("added", (tower, run, 1, bin_number), log.new[tower, run, 1, bin_number])
                number += 1
        for key in chosen[:corrections]:
            started, cycles, misses, doubles, note = model.runs[key[1]][key]
            # One miss more each time, so that no content ever comes back.
            log.corrections[key] = (started, cycles + 1, misses + 1, doubles, note)
            put("corrected", key, log.corrections[key])
        for key in chosen[corrections : corrections + copies]:
            put("known", key, model.runs[key[1]][key])
        for key in chosen[corrections + copies :]:
            put("rejected", key, (_micros("2030-01-02T03:04"), 9000, 0, 0, "another start"))
        for index in range(rejects):
            run = f"{self.count:04d}-bad-{index}"
            first = f"{run},2031-03-14T08:05,A,1,"
            choice = draw.randrange(4)
            if choice == 3:
                put("rejected", ("", "", 0, 0), None, first + "100,0,0,these two")
                put("rejected", ("", "", 0, 0), None, first + "100,1,0,differ")
            else:
                rest = ("100,,0,no count", "100,70,70,too many", "100,0")[choice]
                put("rejected", ("", "", 0, 0), None, first + rest)
        for key, content in (also or {}).items():
            put("also", key, content)
        draw.shuffle(lines)
        at = 2
        for fate, text in lines:
            log.lines[fate] += 1
            if fate == "rejected":
                log.rejected_lines.append(at)
            at += 1 + text.count("\n")
        text = "\n".join([COLUMNS, *(text for _, text in lines), ""])
        log.path.write_text(text, "utf-8", newline="\n")
        return log


def _line(key: Key, content: Content) -> str:
    started, cycles, misses, doubles, note = content
    start = dt.datetime.fromtimestamp(started / 1e6, dt.UTC).strftime("%Y-%m-%dT%H:%M")
    quoted = '"' + note.replace('"', '""') + '"' if note else ""
    return f"{key[1]},{start},{key[0]},{key[3]},{cycles},{misses},{doubles},{quoted}"


_READ = (
    "select tower, run, stretch, bin, epoch_us(started), cycles, misses, doubles, "
    "coalesce(note, '') from "
)


def _held(folder: Path, runs: Sequence[str] | None = None) -> tuple[dict[Key, Content], Totals]:
    """Return current rows, of some runs or all, and the counts of the whole store."""
    where = "" if runs is None else " where run in (select unnest(?::varchar[]))"
    with Store(folder).snapshot().connect() as connection:
        found = connection.execute(_READ + "runs" + where, [] if runs is None else [runs])
        rows = {row[:4]: row[4:] for row in found.fetchall()}
        return rows, totals_of(connection)


def _check_rejects(log: Log, tally: Tally, where: str, *, there: bool = True) -> int:
    """See that a log's rejects file is whole, or where it may be absent, that it is one of both."""
    path = log.path.with_name(log.path.stem + ".rejects.csv")
    if not path.exists():
        tally.expect(not there or not log.rejected_lines, f"{where}: no rejects file")
        return 0
    found = [line for line, _ in read_rejects(path)]
    tally.expect(
        found == log.rejected_lines,
        f"{where}: {path.name} has lines {found[:5]}…, {len(found)} of them, not "
        f"{log.rejected_lines[:5]}…, {len(log.rejected_lines)}",
    )
    return len(found)


# --- a process of its own that takes files in -------------------------------------------------


class Worker:
    """A fresh Python with everything loaded, that takes files in when told and says how far it is.

    It says ``ready``, and for each file ``begin``, ``commit`` and ``left`` (entering and leaving
    the commit) and ``done`` with what became of it.
    """

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.slow.nothing_lost", "worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=TOP,
        )
        self.said: list[tuple[str, float]] = []
        self.results: list[dict[str, Any]] = []

    def order(self, folder: Path, *files: Path, limit: int | None = None) -> None:
        """Have files taken in; with ``limit``, no file may grow beyond so many bytes."""
        order = {"folder": str(folder), "files": [str(f) for f in files], "limit": limit}
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(order).encode() + b"\n")
        self.process.stdin.flush()

    def hear(self) -> str:
        """Return the next word; nothing when the process has ended."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline().decode()
        if not line.endswith("\n"):
            return ""
        word, _, rest = line.strip().partition(" ")
        self.said.append((word, time.perf_counter()))
        if word == "done":
            self.results.append(json.loads(rest))
        return word

    def wait(self, *words: str) -> str:
        """Wait for one of some words, or the end."""
        while (word := self.hear()) and word not in words:
            pass
        return word

    def moment(self, word: str) -> float:
        """Return when a word was said last."""
        return next(at for said, at in reversed(self.said) if said == word)

    def kill(self) -> None:
        """Kill it at once, and hear what it had said."""
        self.process.kill()
        self.wait("")
        self.close()

    def close(self) -> None:
        """Let it end."""
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(600)
        self.process.stdout.close()


def _work() -> None:
    """Be the worker's process: orders on standard input, words on standard output."""

    def say(text: str) -> None:
        os.write(1, text.encode() + b"\n")

    inner = Store._commit

    def announced(self: Store, *args: Any, **options: Any) -> Any:
        say("commit")
        try:
            return inner(self, *args, **options)
        finally:
            say("left")

    Store._commit = announced  # type: ignore[method-assign]
    say("ready")
    for line in sys.stdin:
        order = json.loads(line)
        if order["limit"] is not None:
            import resource

            hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
            resource.setrlimit(resource.RLIMIT_FSIZE, (order["limit"], hard))
        for file in order["files"]:
            say("begin")
            say("done " + json.dumps(offer(Path(order["folder"]), Path(file))))


def _check_account(found: dict[str, Any], log: Log, again: bool, tally: Tally, where: str) -> None:
    """See that an account says what the lines were made for."""
    wanted = {name: log.lines[name] for name in ("added", "corrected", "known", "rejected")}
    if again:
        wanted |= {"added": 0, "corrected": 0, "known": sum(wanted.values()) - wanted["rejected"]}
    wanted["lines"] = sum(log.lines.values())
    same = {name: found.get(name) for name in wanted}
    tally.expect(same == wanted, f"{where}: {found} where {wanted} was to be")


# --- kills ------------------------------------------------------------------------------------


class _Pace:
    """How long a whole intake and its commit take here, by rows: measured, now and then anew."""

    def __init__(self) -> None:
        self.rows: list[int] = []
        self.times: list[tuple[float, float]] = []

    def measured(self, rows: int, worker: Worker) -> None:
        """Keep what a worker that was let run to its end took."""
        begin, end = worker.moment("begin"), worker.moment("done")
        self.rows.append(rows)
        self.times.append((end - begin, worker.moment("left") - worker.moment("commit")))

    def of(self, rows: int) -> tuple[float, float]:
        """Return seconds of the whole and of the commit: as measured for the nearest size."""
        places = range(len(self.rows))
        distance = [abs(math.log(self.rows[i] / rows)) for i in places]
        return self.times[min(reversed(places), key=distance.__getitem__)]


def kills(folder: Path, number: int, *, seed: int = 1, most_rows: int = 20_000) -> Tally:
    """Kill processes in the middle of an intake, and look each time what the store holds.

    Parameters
    ----------
    folder : Path
        An empty folder to work in.
    number : int
        How many processes to kill; a third of them inside the commit.
    seed : int
        Of the files and the moments.
    most_rows : int
        Of the largest file.
    """
    tally = Tally(notes={"kills": 0, "inside the commit": 0, "left all": 0, "left none": 0})
    draw = random.Random(seed)
    store, model, pace = folder / "store", Model(), _Pace()
    maker = LogMaker(folder, seed)
    logs: list[Log] = []
    spare = Worker()
    spare.wait("ready")

    def next_log() -> tuple[Log, int]:
        rows = round(math.exp(draw.uniform(math.log(10), math.log(most_rows))))
        log = maker.make(
            rows,
            model,
            corrections=draw.choice((0, 0, 1, rows // 10)),
            copies=draw.choice((0, 1, rows // 5)),
            rejects=draw.choice((0, 1, 7, rows // 20)),
        )
        logs.append(log)
        return log, rows

    def measure(rows: int) -> None:
        log = maker.make(rows, model, corrections=rows // 10, rejects=1)
        logs.append(log)
        worker = Worker()
        worker.wait("ready")
        worker.order(store, log.path)
        worker.wait("done")
        worker.close()
        _check_account(worker.results[-1], log, False, tally, log.path.name)
        model.take(log)
        pace.measured(rows, worker)

    while tally.notes["kills"] < number and not tally.faults:
        killed = tally.notes["kills"]
        if killed % 50 == 0 and len(pace.rows) < 3 * (killed // 50 + 1):
            for rows in (10, round(math.sqrt(10 * most_rows)), most_rows):
                measure(rows)
        log, rows = next_log()
        worker = spare
        whole, commit = pace.of(rows)
        worker.order(store, log.path)
        if killed % 3 == 0:
            worker.wait("commit", "done")
            # Some at once, some at any moment, some late, where the rows become the store's.
            early, late = draw.choice(((0, 0), (0, 1.2), (0, 1.2), (0.6, 1.2), (0.6, 1.2)))
            _pause(draw.uniform(early * commit, late * commit))
        else:
            worker.wait("begin")
            _pause(draw.uniform(0, 1.2 * whole))
        worker.kill()
        # It loads while the store is looked at, never while another one is being timed.
        spare = Worker()
        said = [word for word, _ in worker.said]
        finished = "done" in said
        where = f"seed {seed}, kill {killed}, {log.path.name}, killed after {said[-1]}"
        state = _after_a_kill(store, model, log, tally, where)
        if not finished:
            tally.note("kills")
            tally.note("inside the commit", "commit" in said and "left" not in said)
            tally.note(f"left {state}")
        else:
            tally.note("ended before the kill")
        account = offer(store, log.path)
        _check_account(account, log, state == "all", tally, where + ", added again")
        model.take(log)
        _check_rejects(log, tally, where + ", added again")
        _check_runs(store, model, log, tally, where + ", added again")
        spare.wait("ready")
    spare.close()

    found, totals = _held(store)
    tally.compare(found, model.of_runs(list(model.runs)), "at the end")
    tally.stored, tally.twice = totals.all, totals.twice
    tally.expect(not totals.twice, f"seed {seed}: {totals.twice} keys stand twice")
    tally.offered = sum(len(g.new) + len(g.corrections) + g.lines["rejected"] for g in logs)
    tally.rejected = sum(_check_rejects(log, tally, log.path.name) for log in logs)
    return tally


def _pause(seconds: float) -> None:
    # Short pauses end late by a scheduler's tick; they are spun out.
    until = time.perf_counter() + seconds
    if seconds > 0.003:
        time.sleep(seconds - 0.002)
    while time.perf_counter() < until:
        pass


def _touched(log: Log) -> list[str]:
    return sorted({key[1] for key in [*log.new, *log.corrections]})


def _after_a_kill(store: Path, model: Model, log: Log, tally: Tally, where: str) -> str:
    """Look whether all or none of a log is there, and nothing in between; return which."""
    _check_rejects(log, tally, where, there=False)
    runs = _touched(log)
    before = model.of_runs(runs)
    after = {**before, **log.new, **log.corrections}
    try:
        found, totals = _held(store, runs)
    except StoreError as error:
        tally.faults.append(f"{where}: the store does not open: {error}")
        return "a store that does not open"
    tally.twice += totals.twice
    if found == after:
        wanted = len(model.keys) + len(log.new), model.past + len(log.corrections)
        state = "all"
    else:
        tally.compare(found, before, where)
        wanted = len(model.keys), model.past
        state = "none"
    held = totals.current, totals.past
    tally.expect(held == wanted, f"{where}: {held} rows current and past, not {wanted}")
    return state


def _check_runs(store: Path, model: Model, log: Log, tally: Tally, where: str) -> None:
    """See that the runs of a log, and the store's counts, are as they have to be."""
    runs = _touched(log)
    found, totals = _held(store, runs)
    tally.compare(found, model.of_runs(runs), where)
    tally.twice += totals.twice
    held, wanted = (totals.current, totals.past), (len(model.keys), model.past)
    tally.expect(held == wanted, f"{where}: {held} rows current and past, not {wanted}")


# --- many writers at once ---------------------------------------------------------------------


def writers(folder: Path, processes: int, files: int, *, seed: int = 1, rows: int = 200) -> Tally:
    """Let several processes add to one store at once, that none of them has made before.

    Each file has rows of its own, and some whose key another process offers as well with another
    content: whichever comes first, the other corrects it, and both stand in the history. Every
    fifth file is added by two processes.

    Parameters
    ----------
    folder : Path
        An empty folder to work in.
    processes, files : int
        How many processes, and how many files each.
    seed : int
        Of the files.
    rows : int
        Most rows of a file.
    """
    tally = Tally(notes={"processes": processes, "files": 0})
    draw = random.Random(seed)
    store, maker, nothing = folder / "store", LogMaker(folder, seed), Model()
    logs: list[Log] = []
    lists: list[list[Path]] = [[] for _ in range(processes)]
    contested: dict[Key, set[Content]] = {}
    for number in range(files):
        shared: list[Log] = []
        # Row j of this round is offered by processes j and j + 1.
        theirs: list[dict[Key, Content]] = [{} for _ in range(processes)]
        for first in range(processes if processes > 1 else 0):
            key = ("T", f"both-{number}-{first}", 1, 1)
            for misses, who in enumerate((first, (first + 1) % processes)):
                theirs[who][key] = (_micros("2031-03-14T08:05"), 5000, misses, 0, f"by {who}")
                contested.setdefault(key, set()).add(theirs[who][key])
        for who in range(processes):
            if number % 5 == 4 and who % 2 and shared:
                lists[who].append(shared[-1].path)
                continue
            log = maker.make(
                draw.randrange(1, rows),
                nothing,
                rejects=draw.choice((0, 1, 5)),
                also={} if number % 5 == 4 else theirs[who],
            )
            if number % 5 == 4:
                shared.append(log)
            logs.append(log)
            lists[who].append(log.path)
        if number % 5 == 4:
            for first in range(processes if processes > 1 else 0):
                del contested["T", f"both-{number}-{first}", 1, 1]
    started = time.perf_counter()
    workers = [Worker() for _ in lists]
    for worker in workers:
        worker.wait("ready")
    for worker, paths in zip(workers, lists, strict=True):
        worker.order(store, *paths)
        assert worker.process.stdin is not None
        worker.process.stdin.close()
    while any(worker.process.poll() is None for worker in workers):
        _look_meanwhile(store, tally)
        time.sleep(0.2)
    for worker, paths in zip(workers, lists, strict=True):
        worker.wait("")
        worker.close()
        tally.note("files", len(worker.results))
        tally.expect(len(worker.results) == len(paths), "a process ended before its last file")
        for path, result in zip(paths, worker.results, strict=False):
            if "others kept writing" in result.get("error", ""):
                tally.note("asked to add again")
                result = offer(store, path)
            tally.expect("lines" in result, f"seed {seed}, {path}: {result}")
    tally.notes["seconds"] = round(time.perf_counter() - started)

    wanted = {key: row for log in logs for key, row in log.new.items()}
    found, totals = _held(store)
    both = {key: found.pop(key, None) for key in contested}
    tally.compare(found, wanted, f"seed {seed}, at the end")
    with Store(store).snapshot().connect() as connection:
        rows_held = connection.execute(_READ + "all_runs where tower = 'T'").fetchall()
    history: dict[Key, list[Content]] = {}
    for row in rows_held:
        history.setdefault(row[:4], []).append(row[4:])
    for key, contents in contested.items():
        tally.missing += len(contents - set(history.get(key, [])))
        tally.expect(
            sorted(contents) == sorted(history.get(key, [])) and both[key] in contents,
            f"seed {seed}: {key} has the history {history.get(key)}, and {both[key]} stands",
        )
    tally.stored, tally.twice = totals.all, totals.twice
    tally.expect(not totals.twice, f"seed {seed}: {totals.twice} keys stand twice")
    tally.offered = len(wanted) + sum(map(len, contested.values()))
    tally.offered += sum(log.lines["rejected"] for log in logs)
    tally.rejected = sum(_check_rejects(log, tally, log.path.name) for log in logs)
    return tally


def _look_meanwhile(store: Path, tally: Tally) -> None:
    """Read the store while others write: it holds no key twice, and never fewer rows."""
    if not (store / "store.json").exists():
        return
    totals = count_rows(store)
    tally.note("looks meanwhile")
    tally.twice += totals.twice
    tally.expect(totals.all >= tally.stored, f"{totals.all} rows after {tally.stored} were seen")
    tally.stored = totals.all


# --- no room ----------------------------------------------------------------------------------


_NAMESPACES = (["unshare", "--user", "--map-root-user", "--mount"], ["unshare", "--mount"])


def disk(levels: int) -> int:
    """Run the trial of the full disk in a mount namespace of its own; return the exit code."""
    for namespace in _NAMESPACES:
        mount = ["sh", "-c", "mount -t tmpfs -o size=1m none /tmp"]
        try:
            tried = subprocess.run([*namespace, *mount], capture_output=True, check=False)
        except OSError:
            continue
        if tried.returncode == 0:
            command = [sys.executable, "-m", "tests.slow.nothing_lost", "disk-inside", str(levels)]
            return subprocess.run([*namespace, *command], cwd=TOP, check=False).returncode
    print(
        "The trial of a full disk needs a tmpfs of its own, which neither a user namespace nor "
        "the rights of this user allow here; run it as root, or where unshare works."
    )
    return 2


def _mount(*words: str) -> None:
    subprocess.run(["mount", *words], check=True)


def full_disk(folder: Path, levels: int, *, seed: int = 1) -> Tally:
    """Add files with less and less room on the disk; to be called where mounting is allowed.

    Parameters
    ----------
    folder : Path
        An empty folder outside the small disk.
    levels : int
        How many amounts of free room to try, three at least, from none to more than enough.
    seed : int
        Of the files.
    """
    small = folder / "small"
    small.mkdir()
    _mount("-t", "tmpfs", "-o", "size=24m", "none", str(small))
    tally = Tally(notes={"failed": 0, "fitted": 0})
    trial = _Trial(folder, small, tally, seed)
    amounts = [
        (free, log)
        for log in trial.logs
        for free in _amounts(trial.needed(log), math.ceil(levels / len(trial.logs)))
    ]
    for level, (free, log) in enumerate(amounts):
        where = f"{free:,} bytes free, {log.path.name}"
        with trial.fresh(log) as offered:
            spool = small / "spool" if level % 2 else folder / "spool"
            spool.mkdir(exist_ok=True)
            tempfile.tempdir = str(spool)
            filler = small / "filler"
            room = os.statvfs(small)
            with filler.open("wb") as out:
                out.write(bytes(max(0, room.f_bavail * room.f_bsize - free)))
            failed = trial.offer(offered, where)
            filler.unlink()
            tally.note("failed" if failed else "fitted")
            trial.offer_whole(offered, where + ", then room made", again=not failed)
    tempfile.tempdir = None
    for log in trial.logs:
        with trial.fresh(log) as offered:
            _mount("-o", "remount,ro", str(small))
            where = "on a disk that is read-only"
            tally.expect(trial.offer(offered, where), f"{where}: nothing was said")
            _mount("-o", "remount,rw", str(small))
            trial.offer_whole(offered, "read-only no more")
    for method in ("add", "_commit"):
        log = trial.logs[0]
        with trial.fresh(log) as offered, trial.gone_before(method) as gone:
            where = f"the folder gone before {method}"
            found = offer(trial.store, offered.path)
            tally.expect(one_sentence(found.get("error", "")), f"{where}: {found}")
            gone()
            trial.holds(trial.model, where)
            trial.offer_whole(offered, where + " and back")
    for name in ("failed", "fitted"):
        tally.expect(tally.notes[name] > 0, f"no file {name}")
    return tally


def _amounts(need: int, number: int) -> list[int]:
    """Return amounts of room: from none to more than enough, and page by page below enough."""
    spread = math.ceil(number / 2)
    amounts = [round(1.15 * need * step / max(1, spread - 1)) for step in range(spread)]
    return amounts + [max(0, need + 4096 * (2 - step)) for step in range(number - spread)]


def limited(folder: Path, limits: Sequence[int], *, seed: int = 1) -> Tally:
    """Add files in a process that may not write files beyond a size, as on a full disk.

    Parameters
    ----------
    folder : Path
        An empty folder to work in.
    limits : sequence of int
        Bytes that no file may grow beyond.
    seed : int
        Of the files.
    """
    small = folder / "small"
    small.mkdir()
    tally = Tally(notes={"failed": 0, "fitted": 0})
    trial = _Trial(folder, small, tally, seed)
    worker = Worker()
    worker.wait("ready")
    for limit in limits:
        for log in trial.logs:
            where = f"files of at most {limit:,} bytes, {log.path.name}"
            with trial.fresh(log) as offered:
                worker.order(trial.store, offered.path, limit=limit)
                worker.wait("done")
                failed = trial.judge(worker.results[-1], offered, where)
                tally.note("failed" if failed else "fitted")
                trial.offer_whole(offered, where + ", then room made", again=not failed)
    worker.close()
    return tally


class _Trial:
    """A small store, logs for it, and what has to hold when one of them meets trouble."""

    def __init__(self, folder: Path, small: Path, tally: Tally, seed: int) -> None:
        self.small, self.tally = small, tally
        self.store = small / "store"
        self.kept = folder / "kept"
        self.model = Model()
        maker = LogMaker(folder, seed)
        base = maker.make(3000, self.model)
        _check_account(offer(self.kept, base.path), base, False, tally, "the first log")
        self.model.take(base)
        # Without a correction, without a rejected line, and with many of both: each fails at
        # moments of its own.
        self.logs = [
            maker.make(2000, self.model, corrections=100, copies=50, rejects=300),
            maker.make(2000, self.model, corrections=100),
            maker.make(4000, self.model),
        ]

    @contextmanager
    def fresh(self, log: Log) -> Iterator[Log]:
        """Give the store as it was, and the log beside it; count what it holds afterwards."""
        shutil.copytree(self.kept, self.store)
        path = self.small / log.path.name
        shutil.copyfile(log.path, path)
        yield Log(path, log.new, log.corrections, log.lines, log.rejected_lines)
        totals = count_rows(self.store)
        self.tally.stored += totals.all
        self.tally.twice += totals.twice
        self.tally.offered += len(self.model.keys) + len(log.new) + len(log.corrections)
        self.tally.offered += log.lines["rejected"]
        for left in self.small.iterdir():
            shutil.rmtree(left) if left.is_dir() else left.unlink()

    def needed(self, log: Log) -> int:
        """Return how many bytes a log takes on the disk, its spool included."""
        with self.fresh(log) as offered:
            before = os.statvfs(self.small).f_bavail
            self.offer_whole(offered, "with all the room")
            after = os.statvfs(self.small)
            return (before - after.f_bavail) * after.f_bsize

    def offer(self, log: Log, where: str) -> bool:
        """Add a log that may fail; tell whether it did."""
        return self.judge(offer(self.store, log.path), log, where)

    def judge(self, found: dict[str, Any], log: Log, where: str) -> bool:
        """See that a failure is a sentence and changes nothing, and tell whether it was one."""
        if "lines" in found:
            _check_account(found, log, False, self.tally, where)
            after = Model()
            after.runs, after.keys = {k: dict(v) for k, v in self.model.runs.items()}, []
            after.keys.extend(self.model.keys)
            after.take(log)
            self.holds(after, where)
            return False
        said = found.get("error", "")
        self.tally.expect(one_sentence(said), f"{where}: {found.get('crash', said)}")
        self.tally.said[said] += 1
        self.holds(self.model, where)
        _check_rejects(log, self.tally, where, there=False)
        return True

    def offer_whole(self, log: Log, where: str, *, again: bool = False) -> None:
        """Add a log that has to go in."""
        _check_account(offer(self.store, log.path), log, again, self.tally, where)
        after = Model()
        after.runs = {run: dict(rows) for run, rows in self.model.runs.items()}
        after.keys.extend(self.model.keys)
        after.take(log)
        self.holds(after, where)
        path = log.path.with_name(log.path.stem + ".rejects.csv")
        self.tally.rejected += _check_rejects(log, self.tally, where) if path.exists() else 0
        if not path.exists() and log.rejected_lines:
            # Where the log's own folder had no room, they may stand in the store.
            self.tally.faults.append(f"{where}: no rejects file")

    def holds(self, model: Model, where: str) -> None:
        """See that the store holds just the rows of a model."""
        try:
            found, totals = _held(self.store)
            self.tally.compare(found, model.of_runs(list(model.runs)), where)
            past = totals.past
            self.tally.expect(past == model.past, f"{where}: {past} past rows, not {model.past}")
        except StoreError as error:
            self.tally.faults.append(f"{where}: the store does not open: {error}")

    @contextmanager
    def gone_before(self, method: str) -> Iterator[Callable[[], None]]:
        """Take the store's folder away whenever a method of it begins; gives what puts it back."""
        inner = getattr(Store, method)
        away = self.small / "away"

        def without(store: Store, *args: Any, **options: Any) -> Any:
            store.folder.rename(away)
            return inner(store, *args, **options)

        def back() -> None:
            setattr(Store, method, inner)
            # A lock or a rejects file may have been put where the folder was.
            shutil.rmtree(self.store, ignore_errors=True)
            away.rename(self.store)

        setattr(Store, method, without)
        try:
            yield back
        finally:
            setattr(Store, method, inner)


# --- the command ------------------------------------------------------------------------------


def main(words: Sequence[str]) -> int:
    """Run one of the trials; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.slow.nothing_lost")
    parser.add_argument(
        "trial", choices=("kills", "writers", "disk", "fuzz", "disk-inside", "worker")
    )
    parser.add_argument("numbers", type=int, nargs="*")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(words)
    if given.trial == "worker":
        _work()
        return 0
    numbers = given.numbers
    if given.trial == "disk":
        return disk(*numbers[:1] or [60])
    folder = Path(tempfile.mkdtemp(prefix="nothing-lost-"))
    started = time.perf_counter()
    if given.trial == "kills":
        tally = kills(folder, *numbers[:1] or [300], seed=given.seed)
    elif given.trial == "writers":
        processes, files = [*numbers, 8, 50][:2] if len(numbers) != 1 else (numbers[0], 50)
        tally = writers(folder, processes, files, seed=given.seed)
    elif given.trial == "fuzz":
        tally = fuzz(folder, *numbers[:1] or [5000], seed=given.seed)
    else:
        tally = full_disk(folder, *numbers[:1] or [60], seed=given.seed)
    for said in sorted(tally.said):
        print(f"{tally.said[said]:4d} times said: {said.replace(str(folder), '…')}")
    for fault in tally.faults[:20]:
        print(fault)
    if tally.good:
        shutil.rmtree(folder, ignore_errors=True)
    else:
        print(f"{len(tally.faults)} faults; seed {given.seed}; everything is kept in {folder}")
    tally.notes["seconds"] = round(time.perf_counter() - started)
    print(tally.line())
    return 0 if tally.good else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
