"""Run the commands as ``python -m dashboard``."""

from dashboard.commands import main

if __name__ == "__main__":
    raise SystemExit(main())
