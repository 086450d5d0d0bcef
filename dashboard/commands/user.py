"""Say who may sign in to the pages, and what for."""

from __future__ import annotations

import argparse
import getpass
import sys
from typing import TYPE_CHECKING

from dashboard.commands import Parser, UsageError

if TYPE_CHECKING:
    from dashboard.users import Users

_ROLES = "read: sees all; log: also takes runs in; manage: all there is"


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", required=True, parser_class=Parser
    )
    for name, about, work in (
        ("add", "add a user, whose password is asked for", _add),
        ("list", "say which users there are, and their roles", _list),
        ("password", "give a user a new password, which ends his sessions", _password),
        ("role", "give a user another role, which ends his sessions", _role),
        ("remove", "remove a user, which ends his sessions", _remove),
    ):
        action = actions.add_parser(name, help=about, description=f"{about.capitalize()}.")
        if name != "list":
            action.add_argument("name", metavar="NAME", help="what the user signs in with")
        if name == "add":
            action.add_argument("--role", required=True, metavar="ROLE", help=_ROLES)
        if name == "role":
            action.add_argument("role", metavar="ROLE", help=_ROLES)
        if name in ("add", "password"):
            action.add_argument(
                "--password-from-stdin",
                action="store_true",
                help="take the password from the first line of standard input",
            )
        action.set_defaults(run=run, work=work)


def run(options: argparse.Namespace) -> int:
    """Do it, and say what was done."""
    from dashboard.users import Users, UsersError, users_folder

    try:
        options.work(Users(users_folder()), options)
    except UsersError as error:
        raise UsageError(str(error)) from None
    return 0


def _add(users: Users, options: argparse.Namespace) -> None:
    from dashboard.access import ROLES
    from dashboard.users import check_name

    # Told before anybody types a password.
    check_name(options.name)
    if options.role not in ROLES:
        raise UsageError(f"the role is {options.role!a}; write one of {', '.join(ROLES)}")
    user = users.add(options.name, options.role, _asked(options))
    print(f"{user.name} may sign in, role {user.role}; users are kept in {users.folder}.")


def _list(users: Users, options: argparse.Namespace) -> None:
    found = users.all()
    width = max((len(user.name) for user in found), default=0)
    for user in found:
        print(f"{user.name:{width}}  {user.role}")
    if not found:
        print("Nobody may sign in; add a user with: feedtally user add NAME --role ROLE")


def _password(users: Users, options: argparse.Namespace) -> None:
    user = users.set_password(options.name, _asked(options))
    print(f"{user.name} has a new password; his sessions have ended.")


def _role(users: Users, options: argparse.Namespace) -> None:
    user = users.set_role(options.name, options.role)
    print(f"{user.name} has the role {user.role} now; his sessions have ended.")


def _remove(users: Users, options: argparse.Namespace) -> None:
    user = users.remove(options.name)
    print(f"{user.name} may no longer sign in; his sessions have ended.")


def _asked(options: argparse.Namespace) -> str:
    """Return the new password: it never stands on a command line, where others can see it."""
    from dashboard.users import check_password

    if options.password_from_stdin:
        try:
            return check_password(sys.stdin.readline().rstrip("\r\n"))
        except UnicodeDecodeError:
            raise UsageError("the password on standard input is no readable text") from None
    if not sys.stdin.isatty():
        raise UsageError(
            "there is no terminal to ask for the password; "
            "write it to standard input and add --password-from-stdin"
        )
    try:
        first = check_password(getpass.getpass(f"Password for {options.name}: "))
        again = check_password(getpass.getpass("Once more: "))
    except EOFError:
        raise UsageError("no password was typed; start again") from None
    if first != again:
        raise UsageError("the two passwords differ; start again")
    return first
