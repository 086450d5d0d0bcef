"""Say what is likely behind the faults of a bin or a tower, and what to check or swap first."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.causes import Cause, Causes
    from analysis.contrasts import Contrast
    from analysis.swap_readings import SwapReading
    from analysis.swaps import Swap

#: How chances come about: the likelihood of each pattern, averaged over what is not known of it.
METHOD = "marginal likelihood"

#: Causes below this chance are listed only when all are asked for.
WORTH = 0.02


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("--tower", required=True, metavar="T", help="whose faults")
    parser.add_argument(
        "--bin", type=_bin, metavar="B", help="of one bin (the tower as a whole when absent)"
    )
    shared.add_kind(parser)
    parser.add_argument("--since", default="", metavar="WHEN", help="first day or moment")
    parser.add_argument("--until", default="", metavar="WHEN", help="last day or moment, included")
    parser.add_argument(
        "--all", action="store_true", help="list every cause, those below 2 in 100 too"
    )
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run, where=[])


def _bin(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is no bin; write its number, such as 7")
    return number


def run(options: argparse.Namespace) -> int:
    """Print the likely causes, those that explain most first, with what speaks for and against."""
    from analysis import answers
    from analysis.cautions import HELP
    from analysis.conditions_model import ConditionsError
    from analysis.patterns import read_patterns

    patterns = read_patterns(shared.store_folder(options))
    with shared.scan(options) as (scan, _):
        try:
            result = answers.causes(
                scan, shared.filters(options), options.tower, options.bin, patterns=patterns
            )
        except ConditionsError as error:
            raise UsageError(str(error)) from None
    stood = shared.as_of_sentence(options)
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": METHOD,
                "tower": result.tower,
                "bin": result.bin,
                "kind": result.kind,
                "observed": result.observed,
                "expected": shared.finite(result.expected),
                "feeds": result.feeds,
                "causes": [_json(cause) for cause in result.causes],
                "swap_test": _swap_json(result.swap) if result.swap else None,
                "swaps_read": [_reading_json(reading) for reading in result.swaps_read],
                "lacking": list(result.lacking),
                "help": HELP,
            },
            sentence=stood + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, stood, HELP, every=options.all)
    return 0


# JSON. --------------------------------------------------------------------------------------------


def _json(cause: Cause) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "kind": cause.kind,
        "score": cause.score,
        "chance": cause.chance,
        "named": cause.named,
        "shared": cause.shared,
        "said": cause.said,
        "over": cause.over,
        "since": None if cause.since is None else cause.since.item(),
        "excess": shared.finite(cause.excess),
        "for": [_contrast_json(contrast) for contrast in cause.supports],
        "against": [_contrast_json(contrast) for contrast in cause.against],
        "same_as": list(cause.same_as),
        "check_first": cause.check_first,
        "caution": cause.caution,
    }


def _contrast_json(contrast: Contrast) -> dict[str, Any]:
    return {
        "contrast": contrast.contrast,
        "ratio": shared.finite(contrast.ratio),
        "low": shared.finite(contrast.low),
        "high": shared.finite(contrast.high),
        "count": contrast.count,
        "expected": shared.finite(contrast.expected),
        "feeds": contrast.feeds,
    }


def _swap_json(swap: Swap) -> dict[str, Any]:
    return {
        "tower": swap.tower,
        "bin": swap.bin,
        "kind": swap.kind,
        "what": swap.what,
        "other_bin": swap.other_bin,
        "why": swap.why,
        "then": swap.then or None,
        "cycles": swap.cycles,
        "cycles_before": swap.cycles_before,
        "more_before": swap.more_before,
        "days": swap.days,
        "power": swap.power,
        "risk": swap.risk,
        "rate": swap.rate,
        "ratio": swap.ratio,
        "caution": swap.caution,
        "sentence": swap.sentence(),
    }


def _reading_json(reading: SwapReading) -> dict[str, Any]:
    return {
        "bins": list(reading.bins),
        "what": reading.what,
        "when": reading.when,
        "kind": reading.kind,
        "verdict": reading.verdict,
        **{
            name: {part: shared.finite(getattr(times, part)) for part in ("ratio", "low", "high")}
            for name, times in (
                ("before", reading.ratio_before),
                ("after", reading.ratio_after),
            )
        },
        "more_cycles": reading.more_cycles,
        "sentence": reading.sentence(),
    }


# On a terminal. -----------------------------------------------------------------------------------


def _print(result: Causes, stood: str, told: str, *, every: bool) -> None:
    from analysis.causes_together import order
    from analysis.cautions import HANDS

    head = result.sentence()
    print(stood + head)
    listed = [cause for cause in result.causes if every or cause.score >= WORTH]
    if order(listed):
        print("", order(listed), sep="\n")
    for place, cause in enumerate(listed, 1):
        print()
        for line in _lines(result, cause, place, head):
            print(line)
    rest = len(result.causes) - len(listed)
    notes = [reading.sentence() for reading in result.swaps_read]
    if result.swap:
        notes.append(result.swap.sentence())
        if result.swap.cycles is not None:
            notes.append(f"Log it {result.swap.logged_as()}")
    if result.lacking:
        whys = (text.partition(": ") for text in result.lacking)
        notes.append(f"Not looked at: {'; '.join(f'{name} ({why})' for name, _, why in whys)}.")
    if rest:
        notes.append(f"Below 2 in 100: {rest} more; --all lists {'it' if rest == 1 else 'them'}.")
    # Hands may go in for any that is listed, but each caution is said once, that of hands first.
    mind = dict.fromkeys(cause.caution for cause in listed)
    cautions = [*sorted(mind, key=lambda caution: caution != HANDS), told]
    for lines in (notes, cautions):
        if lines:
            print("", *lines, sep="\n")


def _lines(result: Causes, cause: Cause, place: int, head: str) -> Iterator[str]:
    """Say one cause in a few lines, without what the answer's first sentence has said of it."""
    from analysis.chances import NAMED
    from analysis.words import either, two_digits

    of = f" behind the {cause.kind}" if _lucky(cause) and result.kind == "faults" else ""
    # Of several causes at once each has its share of the chance, and so of the faults.
    much = f", about {two_digits(cause.excess)} {cause.kind} too many" if cause.named else ""
    if not (cause.named or _lucky(cause)) and cause.shared and cause.chance >= NAMED:
        much = ", but it explains little of this"
    yield f"{place}. {_capital(cause.cause)}{of}: {_chance(cause.chance)}{much}."
    if cause.said not in head:
        yield f"   {_capital(cause.said)}."
    yield from _contrasts("For", cause.supports, numbers=_lucky(cause))
    yield from _contrasts("Against", cause.against, numbers=True)
    if cause.same_as:
        yield f"   Looks the same in counts: {either(cause.same_as)}."
    if place > 1 or cause.check_first.lower() not in head.lower():
        yield f"   First: {cause.check_first}."


def _contrasts(title: str, contrasts: Sequence[Contrast], *, numbers: bool) -> Iterator[str]:
    """Say what is raised with its numbers, a line each, and what makes no difference in one."""
    from analysis.words import listed

    alike = [] if numbers else [one for one in contrasts if one.low <= 1]
    for one in contrasts:
        if one not in alike:
            yield f"   {title}: {one.sentence()}."
    if alike:
        names = [one.contrast.partition(" against ")[0] for one in alike]
        yield f"   {title}: no difference with {listed(names)}."


def _lucky(cause: Cause) -> bool:
    from analysis.causes import BAD_LUCK, CANNOT_TELL

    return cause.cause in (BAD_LUCK, CANNOT_TELL)


def _chance(score: float) -> str:
    if score > 0.99:
        return "over 99 in 100"
    return "below 1 in 100" if score < 0.01 else f"{100 * score:.0f} in 100"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
