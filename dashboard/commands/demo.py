"""Serve the pages on a sample log, made at the first start."""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

from dashboard.commands import UsageError, serve

_MARK = "made-from-the-samples.txt"


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    serve.add_port(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Make the sample store when it is not there, and serve it."""
    folder = sample_store()
    print("An invented print works; none of its runs ever ran.")
    return serve.serve_folder(folder, options.port)


def sample_store() -> Path:
    """Return the store of the samples, made at the first call.

    It stands in a folder named by the samples' hash, so that new samples get a new store and no
    other store is ever touched.
    """
    import platformdirs

    import data_samples

    mark = data_samples.fingerprint()
    base = Path(platformdirs.user_data_dir("feedtally", appauthor=False))
    folder = base / f"demo-{mark[:12]}"
    if folder.exists():
        held = folder / _MARK
        if not held.is_file() or held.read_text("utf-8").strip() != mark:
            raise UsageError(
                f"{folder} is not a sample store of this program's making; move it away"
            )
        return folder
    from analysis import taking_in

    print(f"Making the sample store in {folder} ...", file=sys.stderr)
    try:
        base.mkdir(parents=True, exist_ok=True)
        # Made under another name first: a store that was broken off is never taken for whole.
        partial = base / f"{folder.name}.part"
        shutil.rmtree(partial, ignore_errors=True)
        paths = [data_samples.folder() / name for name in data_samples.FILES]
        intake = taking_in.add(partial, paths)
        if any(t.error or (t.account and t.account.rejected) for t in intake.files):
            raise UsageError("the sample files are damaged; install feedtally again")
        (partial / _MARK).write_text(mark + "\n", "utf-8")
        partial.rename(folder)
    except OSError as error:
        raise UsageError(
            f"the sample store cannot be made in {base} ({error.strerror or error}); "
            "free some room there or mend the rights"
        ) from None
    return folder
