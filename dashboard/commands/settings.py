"""Say which settings ran a stock clean, which to try next, and make its set-up card."""

from __future__ import annotations

import argparse
import datetime as dt
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.combinations_run import Combination
    from analysis.levels_tried import Level, Tried
    from analysis.set_up import SetUp
    from analysis.trials import Trial


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("--stock", required=True, metavar="S", help="which stock, by its code")
    parser.add_argument(
        "--trial",
        type=_two_levels,
        metavar="SETTING=LEVEL,LEVEL",
        help="plan a trial of two levels that this stock has run at, the usual one first: "
        "set_spring=on,off",
    )
    parser.add_argument(
        "--ratio",
        type=_number,
        metavar="TIMES",
        help="with --trial: how many times the faults of the first level the second has, to be "
        "shown (2 when absent)",
    )
    parser.add_argument(
        "--power",
        type=_number,
        metavar="CHANCE",
        help="with --trial: chance that the trial shows it if it is so (0.8 when absent)",
    )
    parser.add_argument(
        "--card", metavar="FILE", help="write the set-up card to hang at the tower: a PDF, A5"
    )
    shared.add_kind(parser)
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _two_levels(text: str) -> tuple[str, tuple[str, str]]:
    setting, sign, levels = text.partition("=")
    both = [level.strip() for level in levels.split(",")]
    if not sign or not setting.strip() or len(both) != 2 or not all(both):
        raise argparse.ArgumentTypeError(
            f"{text} is no setting with two levels; write it as set_spring=on,off"
        )
    name = setting.strip().lower().replace(" ", "_")
    if name != "prepared" and not name.startswith("set_"):
        name = f"set_{name}"
    return name, (both[0], both[1])


def _number(text: str) -> float:
    value = shared.number(text)
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text} is no number, such as 2")
    return value


def run(options: argparse.Namespace) -> int:
    """Print the evidence for settings of a stock, and write its card where that is asked."""
    for name in ("ratio", "power"):
        if getattr(options, name) is not None and options.trial is None:
            raise UsageError(f"--{name} goes with --trial; add that or leave it out")
    filters = shared.filters(options)
    if filters.values("stock"):
        raise UsageError("--stock names the stock; leave --where stock= out")
    path = _card_path(options.card) if options.card is not None else None
    from analysis import answers

    with shared.scan(options) as (scan, _):
        made = answers.set_up(scan, filters, options.stock)
    asked = _asked(options, made) if options.trial else None
    told = shared.as_of_sentence(options) + made.sentence()
    if asked is not None:
        told += f" {asked.sentence()}"
    if path is not None:
        told += _write(path, made, options.as_of.strip())
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                **_json(made),
                "trial": None if asked is None else _trial_json(options.trial[0], asked),
                "file": None if path is None else str(path),
            },
            sentence=told,
            account=made.account,
        )
    else:
        print(told)
        _print(made)
    return 0


def _asked(options: argparse.Namespace, made: SetUp) -> Trial:
    """Plan the trial that is asked for; of levels that this stock has run at, and no others."""
    from analysis.set_up import TRIAL_POWER
    from analysis.trials import trial
    from analysis.words import called, listed

    setting, levels = options.trial
    known = made.ran
    if setting not in known:
        which = f"it has run with {listed(sorted(known))}" if known else "none was logged of it yet"
        raise UsageError(f"{setting} is no setting that stock {made.stock} has run with; {which}")
    tried = known[setting]
    new = [level for level in dict.fromkeys(levels) if level not in tried]
    name = called(setting)
    if new:
        only = "only " if len(tried) == 1 else ""
        raise UsageError(
            f"stock {made.stock} has not run with {listed([f'{name} {level}' for level in new])}, "
            f"and a trial is of levels that it has run at: {only}{listed(tried)}"
        )
    if not made.total.rate:
        raise UsageError(
            f"stock {made.stock} has no {made.kind} on record, so there is no rate to plan a trial "
            "from; log more runs, or ask for another kind"
        )
    try:
        return trial(
            made.total.rate,
            _ratio(made, setting, levels) if options.ratio is None else options.ratio,
            variance=made.variance,
            power=TRIAL_POWER if options.power is None else options.power,
            levels=(f"{name} {levels[0]}", f"{name} {levels[1]}"),
            kind=made.kind,
        )
    except ValueError as error:
        raise UsageError(str(error)) from None


def _ratio(made: SetUp, setting: str, levels: tuple[str, str]) -> float:
    """Return the ratio that a trial is to show: what the log makes of its levels, if anything."""
    from analysis.set_up import TRIAL_RATIO

    found = [t.between(*levels) for t in made.tried if t.setting == setting]
    # A difference of a hundredth would take more feeds than there are.
    return next((r for r in found if r is not None and not 0.95 < r < 1.05), TRIAL_RATIO)


def _card_path(text: str) -> Path:
    """Return where the card goes; refuse what is there and no PDF, before the log is read."""
    path = Path(text).expanduser()
    try:
        if path.suffix.lower() != ".pdf":
            raise UsageError(f"{path} does not end in .pdf; name a file that does with --card")
        # A slip of the pen must not cost a log.
        if path.exists() and path.read_bytes()[:5] not in (b"%PDF-", b""):
            raise UsageError(f"{path} is there already and no PDF; name another file with --card")
    except (OSError, ValueError) as error:
        raise _unwritten(path, error) from None
    return path


def _write(path: Path, made: SetUp, as_of: str) -> str:
    """Write the card and say where it is."""
    from dashboard.reports import card

    content = card.pdf(made, dt.date.today(), as_of=as_of)
    try:
        path.write_bytes(content)
    except (OSError, ValueError) as error:
        raise _unwritten(path, error) from None
    told = f" Its card is in {path}."
    if not card.can_write(made):
        told += " The card's type lacks letters of some names, which stand there as question marks."
    return told


def _unwritten(path: Path, error: Exception) -> UsageError:
    reason = getattr(error, "strerror", None) or error
    return UsageError(
        f"{path} cannot be written ({str(reason).lower()}); name another file with --card"
    )


def _json(made: SetUp) -> dict[str, Any]:
    from analysis.starting_points import CAUTION

    total = made.total
    return {
        "method": total.method,
        "confidence": total.confidence,
        "kind": made.kind,
        "stock": made.stock,
        "feeds": total.feeds,
        "count": total.count,
        "rate": total.rate,
        "low": total.wide_low,
        "high": total.wide_high,
        "combinations": [_combination_json(c) for c in made.combinations],
        "settings": [
            {
                "setting": tried.setting,
                "usual": tried.usual,
                "settled": tried.settled,
                "sentence": tried.sentence(),
            }
            for tried in made.tried
        ],
        "levels": [_level_json(tried, level) for tried in made.tried for level in tried.levels],
        "always": dict(made.always),
        "starting_points": [
            {"setting": p.setting, "what": p.what, "why": p.why, "sentence": p.sentence()}
            for p in made.starting
        ],
        "trials": [_trial_json(setting, trial) for setting, trial in made.trials.items()],
        "without": made.without or None,
        "caution": CAUTION,
    }


def _combination_json(combination: Combination) -> dict[str, Any]:
    rate = combination.rate
    return {
        "settings": dict(combination.settings),
        "feeds": rate.feeds,
        "count": rate.count,
        **combination.counts,
        "rate": rate.rate,
        "low": rate.wide_low,
        "high": rate.wide_high,
        "expected": combination.expected,
        "verdict": combination.verdict,
        "last": combination.last,
    }


def _level_json(tried: Tried, level: Level) -> dict[str, Any]:
    return {
        "setting": tried.setting,
        "level": level.level,
        "feeds": level.feeds,
        "count": level.count,
        "feeds_like": level.feeds_like,
        "count_like": level.count_like,
        "ratio": shared.finite(level.ratio),
        "low": level.low,
        "high": shared.finite(level.high),
        "best": level.best,
    }


def _trial_json(setting: str, trial: Trial) -> dict[str, Any]:
    from analysis.words import called

    return {
        "setting": setting,
        "levels": [level.removeprefix(f"{called(setting)} ") for level in trial.levels],
        "feeds": trial.feeds,
        "stretches": trial.stretches,
        "feeds_per_stretch": trial.feeds_per_stretch,
        "power": trial.power,
        "ratio": trial.ratio,
        "confidence": trial.confidence,
        "rate": trial.rate,
        "runs_variance": trial.variance,
        "expected": list(trial.expected),
        "sentence": trial.sentence(),
    }


def _print(made: SetUp) -> None:
    from analysis.starting_points import CAUTION
    from analysis.words import called, listed

    print(f"On all: {made.total.sentence()}")
    if made.without:
        print(f"Nothing is known of its settings yet: {_ended(made.without)}")
    if made.combinations:
        _print_combinations(made.combinations)
    if made.tried:
        _print_levels(made)
    if made.always:
        always = listed([f"{called(name)} {level}" for name, level in made.always.items()])
        print(f"Always, or nearly, with {always}: the log cannot tell what other levels would do.")
    if made.starting:
        print("\nWhere to start:")
        for point in made.starting:
            print(point.sentence())
    if made.trials:
        _print_trials(made.trials)
    print(f"\n{CAUTION}")


def _ended(text: str) -> str:
    return text if text.endswith((".", "?")) else f"{text}."


def _print_combinations(combinations: Sequence[Combination]) -> None:
    from analysis.words import called, per_10k, settings_words, two_digits

    kind = combinations[0].rate.kind
    names = list(combinations[0].settings)
    # What all have in common is said once and takes no column.
    same = {
        name: combinations[0].settings[name]
        for name in names
        if len({c.settings[name] for c in combinations}) == 1
    }
    varied = [name for name in names if name not in same]
    print("\nSettings that it ran with, those with most feeds:")
    rows = []
    for c in combinations:
        levels = ["not logged" if (v := c.settings[name]) is None else v for name in varied]
        rows.append(
            (
                *levels,
                f"{c.rate.feeds:,}",
                f"{c.counts['misses']:,}",
                f"{c.counts['doubles']:,}",
                "" if c.rate.rate is None else per_10k(c.rate.rate),
                f"{per_10k(c.rate.wide_low)} to {per_10k(c.rate.wide_high)}",
                two_digits(c.expected),
                c.verdict,
                f"{c.last:%Y-%m-%d}",
            )
        )
    heads = [called(name) for name in varied]
    shared.print_table(
        (
            *heads,
            "feeds",
            "misses",
            "doubles",
            "per 10,000",
            "range",
            f"{kind} expected",
            "verdict",
            "last ran",
        ),
        rows,
        left=(*heads, "verdict"),
    )
    if any(level is not None for level in same.values()):
        print(f"All of these with {settings_words(same)}.")


def _print_levels(made: SetUp) -> None:
    from analysis.words import called, chance
    from dashboard.commands.conditions import spanned

    print("\nLevels of each setting, beside the one that it mostly ran at:")
    rows = []
    for tried in made.tried:
        for level in tried.levels:
            usual = level.level == tried.usual
            ratio, span = spanned(level.ratio, level.low, level.high)
            rows.append(
                (
                    called(tried.setting),
                    level.level,
                    f"{level.feeds:,}",
                    f"{level.count:,}",
                    f"{level.feeds_like:,}",
                    f"{level.count_like:,}",
                    "1" if usual else ratio,
                    "usual" if usual else span,
                    "too few feeds" if level.best is None else chance(level.best),
                )
            )
    shared.print_table(
        (
            "setting",
            "level",
            "feeds",
            made.kind,
            "feeds of all like it",
            f"{made.kind} of these",
            "times",
            "range",
            "best of those tried",
        ),
        rows,
        left=("setting", "level"),
    )
    for tried in made.tried:
        print(tried.sentence())


def _print_trials(trials: Mapping[str, Trial]) -> None:
    from analysis.words import two_digits

    first = next(iter(trials.values()))
    print(
        f"\nTrials, level and level in turn, that show so many times the {first.kind} at the other "
        f"level with {100 * first.power:.0f} % power:"
    )
    shared.print_table(
        ("one level", "the other", "times", "stretches", "feeds a stretch", "feeds each"),
        [
            (
                *t.levels,
                two_digits(t.ratio),
                str(t.stretches),
                f"{t.feeds_per_stretch:,}",
                f"{t.feeds:,}",
            )
            for t in trials.values()
        ],
        left=("one level", "the other"),
    )
