"""Which kind of log is this, by its header, and what are its columns called?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from analysis.log_format import KINDS, MOST_COLUMNS, LogKind
from analysis.records import Header
from analysis.site import Site
from analysis.texts import NotALogError
from analysis.values import nearest, unescape_cell

#: What a rejects file has before the columns of the log it came from.
REJECT_COLUMNS = ("line", "column", "reason")


def columns_passed_over(header: Header) -> int:
    """Return how many columns of a mended rejects file say what was wrong and are passed over."""
    return len(REJECT_COLUMNS) if header.names[: len(REJECT_COLUMNS)] == REJECT_COLUMNS else 0


def known_names(site: Site) -> frozenset[str]:
    """Return every name that may stand in a header: the format's and the site's own."""
    return frozenset(name for kind in KINDS.values() for name in kind.names) | set(site.headers)


def own_names(headers: Sequence[str], site: Site) -> list[str]:
    """Return the format's names for a file's headers, as far as it has them."""
    names = [unescape_cell(name) for name in headers]
    return [site.headers.get(name, name) for name in names]


def tell_kind(names: Sequence[str]) -> LogKind:
    """Tell which kind of log a header belongs to.

    Parameters
    ----------
    names : sequence of str
        Header names in lower case.

    Raises
    ------
    NotALogError
        When no kind has all its needed columns, or a name stands twice; the sentence says which
        column is missing.
    """
    if len(names) > MOST_COLUMNS:
        raise NotALogError(
            f"the header names {len(names):,} columns, more than a log has ({MOST_COLUMNS}); "
            "export the log's own columns only"
        )
    given = set(names)

    def score(kind: LogKind) -> tuple[int, int]:
        return len(given.intersection(kind.names)), len(given.intersection(kind.needed))

    ranked = sorted(KINDS.values(), key=score, reverse=True)
    complete = [kind for kind in ranked if given.issuperset(kind.needed)]
    likeliest = ranked[0]
    if complete and score(complete[0])[0] == score(likeliest)[0]:
        twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
        if twice:
            raise NotALogError(
                f"the header names {', '.join(twice)} twice; give each column a name of its own"
            )
        return complete[0]
    if score(likeliest)[0] < 2:
        raise NotALogError(
            "the first line does not name the columns of a log; take out any lines above the names "
            f"(a run log needs {', '.join(KINDS['runs'].needed)})"
        )
    missing = [name for name in likeliest.needed if name not in given]
    raise NotALogError(
        f"the header looks like that of a {likeliest.title} but has no column "
        f"{' or '.join(missing)}; add it, rename the column that holds it, or say in the site file "
        "which of your headers it is"
    )


def name_columns(names: list[str], kind: LogKind) -> list[str]:
    """Name the nameless columns in place; return warnings of those the format does not know."""
    warnings: list[str] = []
    for index, name in enumerate(names):
        if not name:
            names[index] = f"column_{index + 1}"
            while names.count(names[index]) > 1:
                names[index] += "_"
            warnings.append(f"column {index + 1} has no name; it is kept as {names[index]}")
        elif name not in kind.names:
            meant = nearest(name, frozenset(kind.names) - frozenset(names))
            hint = f"; did you mean {meant}?" if meant else ""
            if not (name.startswith("set_") and kind.name == "runs"):
                warnings.append(
                    f"column {name} is not in the format of a {kind.title}; "
                    f"it is kept as it stands{hint}"
                )
            elif meant:
                warnings.append(f"column {name} is kept as a setting of your own{hint}")
    return warnings
