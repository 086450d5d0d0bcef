"""Would a test notice if a number, a sign or a condition of a module were another?

Run as ``python -m tests.slow.mutants intervals`` (or ``acceptance``, ``drift``). The code of a
subject is changed in one place at a time: a comparison, an operator, a number, a condition, what is
returned, a statement left out. The tests of the subject then have to fail, or not to end. A changed
module that passes them all has got away, and either a test is missing or no test can tell:
`mutants.toml` keeps the reasons, each beside the line and the change that it is given for.

A fixed sample of 300 changes is drawn for each subject, from all the files that it is made of. A
change is drawn by a checksum of its line and not by its place, so that the sample stays much the
same when other lines are added. Prints the share that was noticed and every change that was not;
fails below 85 % and where a reason is missing.

Each change is tried in a process of its own, forked once all has been imported and the tests been
collected, which is the greater part of the time that a short test takes. Of the tests those are run
that come by the changed function, file by file, the quickest first. That is why this is no
library's work: those that were looked at leave decorated functions as they are, and with them every
property, or start Python anew for each change.
"""

from __future__ import annotations

import argparse
import ast
import builtins
import hashlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from math import ceil
from pathlib import Path
from types import FunctionType, ModuleType

import pytest

from analysis.plans import Asked, single_plan
from analysis.sequential import sequential_plan

TOP = Path(__file__).resolve().parents[2]
SAMPLE, LEAST = 300, 0.85
#: Seconds of the processor; tests that take longer are not run. What only they notice is noticed
#: too late by whoever changes a line.
LONGEST = 1.0


@dataclass(frozen=True)
class Subject:
    """Files that are changed, by their names in `analysis`; tests that have to notice, in order.

    `before` works out what all of them need and no change touches.
    """

    files: tuple[str, ...]
    tests: tuple[str, ...]
    before: Callable[[], None] = lambda: None


def _usual_plans() -> None:
    for asked in (Asked(3e-5, 1e-4, 0.02, 0.10), Asked(1.5e-5, 5e-5, 0.02, 0.10)):
        single_plan(asked)
        sequential_plan(asked)


SUBJECTS = {
    "intervals": Subject(
        ("intervals", "quantiles"),
        (
            "tests/analysis/test_intervals.py",
            "analysis/intervals.py",
            "tests/analysis/test_coverage.py::test_table_of_coverage",
            "tests/analysis/test_coverage.py::test_coverage_is_the_sum_over_all_counts",
        ),
    ),
    "acceptance": Subject(
        ("acceptance", "chosen_plans", "run_by_run"),
        (
            "tests/analysis/test_run_by_run.py",
            "tests/analysis/test_chosen_plans.py",
            "tests/analysis/test_acceptance.py",
            "tests/analysis/test_doubts.py",
            "tests/commands/test_judge.py",
        ),
        _usual_plans,
    ),
    "drift": Subject(
        ("drift", "streams"),
        (
            "tests/analysis/test_drift_by_hand.py",
            "tests/analysis/test_streams.py",
            "tests/analysis/test_drift.py",
        ),
    ),
}


@dataclass(frozen=True)
class Mutant:
    """One change: the file and line, in which function, what stands there, and what is put there.

    `place` and `choice` say which of the places of the file is changed, and to which of its others.
    """

    name: str
    line: int
    function: str
    code: str
    change: str
    place: int
    choice: int

    @property
    def known_as(self) -> tuple[str, str, str]:
        """What a reason is given for."""
        return self.name, self.code, self.change

    def tree(self) -> ast.Module:
        """Return the changed module."""
        tree = ast.parse(_path(self.name).read_text("utf-8"))
        node, others = next(islice(_places(tree), self.place, None))
        for parent in ast.walk(tree):
            for field, value in ast.iter_fields(parent):
                if value is node:
                    setattr(parent, field, others[self.choice])
                elif isinstance(value, list):
                    value[:] = [others[self.choice] if one is node else one for one in value]
        return ast.fix_missing_locations(tree)


COMPARED: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
OPERATORS: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
}
#: What stands for its opposite.
NAMED = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
LEFT_OUT = (ast.Expr, ast.AugAssign, ast.Assign, ast.Raise, ast.Continue, ast.Break)


def mutants(name: str) -> list[Mutant]:
    """Return every change of one module of `analysis`, in the order of its lines."""
    source = _path(name).read_text("utf-8")
    tree, lines = ast.parse(source), source.splitlines()
    functions = {
        line: qualified
        for node, qualified in _functions(tree)
        for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)
    }
    found = []
    times: Counter[tuple[str, str]] = Counter()
    for place, (node, others) in enumerate(_places(tree)):
        for choice, other in enumerate(others):
            code = lines[node.lineno - 1].strip()
            change = f"{_short(node)}  ->  {_short(other)}"
            times[code, change] += 1
            if times[code, change] > 1:
                change += f"  ({times[code, change]})"
            found.append(
                Mutant(
                    name, node.lineno, functions.get(node.lineno, ""), code, change, place, choice
                )
            )
    return sorted(found, key=lambda mutant: mutant.line)


def _functions(tree: ast.AST, inside: str = "") -> Iterator[tuple[ast.FunctionDef, str]]:
    """Yield each function and method with its qualified name; none that stands in another."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.ClassDef):
            yield from _functions(node, f"{node.name}.")
        elif isinstance(node, ast.FunctionDef):
            yield node, inside + node.name


def _path(name: str) -> Path:
    return TOP / "analysis" / f"{name}.py"


def _short(node: ast.AST) -> str:
    if isinstance(node, ast.For):
        return f"for {ast.unparse(node.target)} in {ast.unparse(node.iter)}"
    return ast.unparse(node)


def _places(node: ast.AST) -> Iterator[tuple[ast.AST, list[ast.AST]]]:
    """Yield what can be changed and what it can be changed to; the same order for a copy."""
    for field, value in ast.iter_fields(node):
        # Annotations are not run, and what a message says is its own affair; decorators here say
        # how a class is made, and count nothing.
        if field in ("annotation", "returns", "decorator_list", "exc"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                others = list(_others(child, field))
                if others:
                    yield child, others
                yield from _places(child)


def _others(node: ast.AST, field: str) -> Iterator[ast.AST]:
    """Yield what a node can be changed to."""

    def like(**changed: object) -> ast.AST:
        fields = {**dict(ast.iter_fields(node)), **changed}
        return ast.copy_location(type(node)(**fields), node)

    if isinstance(node, ast.Compare):
        for place, compared in enumerate(node.ops):
            for other in COMPARED[type(compared)]:
                yield like(ops=[*node.ops[:place], other(), *node.ops[place + 1 :]])
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        yield like(op=OPERATORS[type(node.op)]())
    elif isinstance(node, ast.AugAssign) and not isinstance(node.value, ast.JoinedStr):
        if type(node.op) in OPERATORS:
            yield like(op=OPERATORS[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        yield like(op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.UnaryOp) and not isinstance(node.operand, ast.Constant):
        yield node.operand
    elif isinstance(node, ast.Constant) and type(node.value) in (bool, int, float):
        yield like(value=_other_number(node.value))
    elif isinstance(node, ast.Return) and node.value is not None:
        yield like(value=ast.Constant(None))
    elif isinstance(node, ast.keyword) and not isinstance(node.value, ast.Constant):
        yield like(value=ast.Constant(None))
    elif isinstance(node, ast.For):
        yield like(iter=ast.Tuple([], ast.Load()))
    elif isinstance(node, ast.Name) and node.id in NAMED:
        yield like(id=NAMED[node.id])
    elif isinstance(node, ast.Attribute) and node.attr in NAMED:
        yield like(attr=NAMED[node.attr])
    if field in ("test", "ifs"):
        # A comparison, or what is denied, is turned round above.
        if not isinstance(node, ast.UnaryOp) and not (
            isinstance(node, ast.Compare) and len(node.ops) == 1
        ):
            yield ast.copy_location(ast.UnaryOp(ast.Not(), node), node)
    if isinstance(node, LEFT_OUT) and not _needed(node):
        yield ast.copy_location(ast.Pass(), node)


def _other_number(value: object) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    assert isinstance(value, float)
    return 2 * value or 1.0


def _needed(node: ast.AST) -> bool:
    """Whether a statement is a docstring, or gives a name what it stands for.

    Without that any test that comes by fails: it would be no test of the tests.
    """
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant | ast.Yield)
    return isinstance(node, ast.Assign) and any(
        isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store)
        for target in node.targets
        for one in ast.walk(target)
    )


def _put_in(name: str, tree: ast.Module) -> None:
    """Change a module that has been imported, wherever its functions and numbers went."""
    module = sys.modules[f"analysis.{name}"]
    other = ModuleType(module.__name__)
    exec(compile(tree, str(module.__file__), "exec", dont_inherit=True), vars(other))
    for known_as, new in vars(other).items():
        old = vars(module).get(known_as)
        if getattr(new, "__module__", None) == module.__name__:
            _as(old, new)
        elif isinstance(new, bool | int | float | tuple) and new != old:
            for loaded in list(sys.modules.values()):
                if getattr(loaded, "__dict__", {}).get(known_as) is old:
                    setattr(loaded, known_as, new)


def _as(old: object, new: object) -> None:
    """Let a function, or the methods of a class, do what another does."""
    if isinstance(new, type):
        for name, own in vars(new).items():
            _as(vars(old).get(name), own)
    elif isinstance(old, FunctionType) and isinstance(new, FunctionType):
        old.__code__, old.__defaults__ = new.__code__, new.__defaults__
        old.__kwdefaults__ = new.__kwdefaults__
    else:
        for inside in ("fget", "func", "__func__", "__wrapped__"):
            if hasattr(new, inside):
                _as(getattr(old, inside), getattr(new, inside))


class Noted:
    """Which functions of the files each test comes by, and how long it takes."""

    def __init__(self, subject: Subject) -> None:
        self.by_test: dict[str, set[str]] = {}
        self.seconds: dict[str, float] = {}
        self.ready = 0.0
        self._seen: set[str] = set()
        builtins.come_by = lambda function: self._seen.add(function)  # type: ignore[attr-defined]
        for name in subject.files:
            tree = ast.parse(_path(name).read_text("utf-8"))
            for node, qualified in _functions(tree):
                node.body[:0] = ast.parse(f"come_by({f'{name}.{qualified}'!r})").body
            _put_in(name, ast.fix_missing_locations(tree))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        # What is made ready for one test of a file may be looked at by another.
        self._seen = self.by_test.setdefault(str(item.path), set())
        begun = time.process_time()
        try:
            return (yield)
        finally:
            self.ready = max(self.ready, time.process_time() - begun)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        self._seen = self.by_test.setdefault(item.nodeid, set())
        begun = time.process_time()
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() - begun

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            print(report.longreprtext)


class Trial:
    """The tests of a subject, collected once and run on one changed module after another."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name, self.subject, self.folder = name, SUBJECTS[name], folder
        self.passed = False

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Try the sample, and say what got away."""
        self.items = list(session.items)
        self._note(session)
        self.subject.before()
        every = [mutant for name in self.subject.files for mutant in mutants(name)]
        known, sample = reasons(), drawn(every)
        ends: Counter[str] = Counter()
        unknown = 0
        for mutant in sample:
            end = self._end(session, mutant)
            ends[end] += 1
            if end == "alive":
                why = known.get(mutant.known_as)
                unknown += why is None
                print(f"analysis/{mutant.name}.py:{mutant.line}: {mutant.code}")
                print(f"    {mutant.change}\n    {why or 'NO REASON IS KEPT'}", flush=True)
        noticed = 1 - ends["alive"] / len(sample)
        print(
            f"{self.name}: of {len(sample)} changes {ends['killed']} failed a test, {ends['time']} "
            f"did not end, {ends['alive']} got away ({unknown} without a reason): {noticed:.1%} "
            "noticed"
        )
        gone = [
            reason
            for reason in known.keys() - {mutant.known_as for mutant in every}
            if reason[0] in self.subject.files
        ]
        for name, code, change in gone:
            print(f"analysis/{name}.py has no such place any more: {code}\n    {change}")
        self.passed = noticed >= LEAST and not unknown and not gone
        return True

    def _note(self, session: pytest.Session) -> None:
        """Run the tests on the code as it is; what they share for a session is made by that."""
        file = self.folder / "noted.json"

        def run() -> int:
            noted = Noted(self.subject)
            session.config.pluginmanager.register(noted)
            failed = _run(session, self.items)
            found = {key: sorted(seen) for key, seen in noted.by_test.items()}
            file.write_text(json.dumps([found, noted.seconds, noted.ready]), "utf-8")
            return failed

        if _in_a_fork(run):
            raise pytest.UsageError("the tests fail on the code as it is")
        self.by_test, self.seconds, self.ready = json.loads(file.read_text("utf-8"))

    def _end(self, session: pytest.Session, mutant: Mutant) -> str:
        """Say what became of a changed module: ``killed``, ``time`` or ``alive``."""
        files = list(dict.fromkeys(item.path for item in self.items))
        items = sorted(
            (one for one in self.items if self._comes_by(one, mutant)),
            key=lambda item: (files.index(item.path), self.seconds[item.nodeid]),
        )

        def limit(item: pytest.Item) -> None:
            # In seconds of the processor; what waits takes none.
            most = 5 * (1 + self.ready + self.seconds[item.nodeid])
            resource.setrlimit(resource.RLIMIT_CPU, (ceil(time.process_time() + most), -1))
            signal.alarm(ceil(50 * most))

        def run() -> int:
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            _put_in(mutant.name, mutant.tree())
            return _run(session, items, limit)

        status = _in_a_fork(run)
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGALRM):
            return "time"
        return "killed" if status else "alive"

    def _comes_by(self, item: pytest.Item, mutant: Mutant) -> bool:
        if self.seconds[item.nodeid] > LONGEST:
            return False
        if not mutant.function:
            return True
        seen = {*self.by_test[item.nodeid], *self.by_test[str(item.path)]}
        return f"{mutant.name}.{mutant.function}" in seen


def _run(
    session: pytest.Session,
    items: Sequence[pytest.Item],
    before: Callable[[pytest.Item], None] = lambda item: None,
) -> int:
    """Run tests until one fails; 1 where one did."""
    for item, following in zip(items, [*items[1:], None], strict=True):
        if not session.testsfailed:
            before(item)
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
    return int(session.testsfailed > 0)


def _in_a_fork(run: Callable[[], int]) -> int:
    """Run something in a process of its own, and return how that ended."""
    sys.stdout.flush()
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    code = 1
    try:
        code = run()
    finally:
        os._exit(code)


def reasons() -> dict[tuple[str, str, str], str]:
    """Return why no test can tell, for each change of which that is so."""
    kept = tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))
    return {
        (one["file"], one["code"], change): one["why"]
        for one in kept["reason"]
        for change in one["changes"]
    }


def drawn(every: Sequence[Mutant]) -> list[Mutant]:
    """Return the sample of all changes of a subject, in the same order."""

    def lot(mutant: Mutant) -> bytes:
        return hashlib.sha256(f"{mutant.code}\n{mutant.change}".encode()).digest()

    chosen = {id(mutant) for mutant in sorted(every, key=lot)[:SAMPLE]}
    return [mutant for mutant in every if id(mutant) in chosen]


def main(name: str) -> int:
    """Try the sample of one subject."""
    # As one of the workers of a session, so that what it shares is made once.
    os.environ["PYTEST_XDIST_WORKER"] = "mutant"
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(name, Path(folder))
        options = ["-s", "-p", "no:cacheprovider", f"--basetemp={folder}/mutant"]
        tests = [str(TOP / test) for test in trial.subject.tests]
        pytest.main([*options, *tests], plugins=[trial])
    return 0 if trial.passed else 1


if __name__ == "__main__":
    asked = argparse.ArgumentParser(prog="python -m tests.slow.mutants")
    asked.add_argument("subject", choices=SUBJECTS)
    sys.exit(main(asked.parse_args().subject))
