"""Who is asking, and what may they do?

Who has signed in is found once for each request (`dashboard.sign_in`) and kept beside it; pages
ask here. Where nobody needs to sign in, which is on this machine alone, everybody may do
everything and has no name.
"""

from __future__ import annotations

from dataclasses import dataclass

from flask import current_app, g, has_request_context
from werkzeug.exceptions import Forbidden

#: What users may do, the least first; each role may do what those before it may.
ROLES = ("read", "log", "manage")

#: Whether the pages ask who is there: a setting of the Flask application.
ASKED = "FEEDTALLY_SIGN_IN"

_NEEDED = {
    "read": "You may not see this",
    "log": "You may read here, but not log",
    "manage": "You may log here, but not manage",
}


@dataclass(frozen=True)
class Visitor:
    """Somebody who has signed in.

    Attributes
    ----------
    name : str
        As in the users file.
    role : str
        One of `ROLES`.
    """

    name: str
    role: str


def admit(visitor: Visitor) -> None:
    """Note who is asking, for the rest of this request."""
    g.feedtally_visitor = visitor


def visitor() -> Visitor | None:
    """Return who is asking; None where nobody has signed in, or need not."""
    return g.get("feedtally_visitor") if has_request_context() else None


def allowed(role: str) -> bool:
    """Tell whether who is asking may do what a role may.

    Parameters
    ----------
    role : str
        ``read``, ``log`` or ``manage``.

    Raises
    ------
    ValueError
        When it is no role.
    """
    needed = _rank(role)
    if not has_request_context() or not current_app.config.get(ASKED):
        return True
    who = visitor()
    return who is not None and _rank(who.role) >= needed


def require(role: str) -> None:
    """Refuse whoever may not do what a role may.

    Parameters
    ----------
    role : str
        As of `allowed`.

    Raises
    ------
    werkzeug.exceptions.Forbidden
        When who is asking may not; it is answered as one sentence of plain text.
    """
    if not allowed(role):
        raise Forbidden(f"{_NEEDED[role]}; ask whoever looks after feedtally for the role {role}.")


def user_name() -> str:
    """Return the name of who is asking; empty where nobody need sign in."""
    who = visitor()
    return who.name if who is not None else ""


def _rank(role: str) -> int:
    if role not in ROLES:
        raise ValueError(f"{role} is no role")
    return ROLES.index(role)


def one_line(text: object) -> str:
    """Return what a request says of itself as a log may hold it: short, on one line, in ASCII."""
    told = ascii(str(text)[:200])
    return told if len(told) <= 202 else f"{told[:200]}..."
