"""The command `socband`: reads, asks, shows. Every number is computed elsewhere.

Command functions live in `cli_owner`, `cli_technician` and `cli_research`; they import what they
need when they are called, so that `socband --help` answers at once.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
import textwrap
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from cyclopts import App, CycloptsError

from socband import __version__
from socband.cli_owner import check, replay, tonight
from socband.cli_research import bench, cell, fit
from socband.cli_technician import budget, charging, suspects

EXIT_BAD_INPUT = 2
EXIT_ENDED = 128 + signal.SIGTERM  # as a shell says of a command that a signal ended


def build_app() -> App:
    """The command with all its subcommands."""
    app = App(
        name="socband",
        version=__version__,
        help="How far a battery monitor's displayed charge can be trusted, and what that means "
        "for tonight.",
        help_format="plaintext",
        version_flags=["--version"],
        exit_on_error=False,
        print_error=False,
        result_action="return_value",
    )
    for function in (tonight, replay, check, suspects, charging, budget, cell, fit, bench):
        app.command(function)
    return app


class _Ended(BaseException):
    """SIGTERM arrived; no `Exception`, so that nobody takes it for one of an estimator's."""


@contextmanager
def _no_worker_left_behind() -> Iterator[None]:
    """Within it SIGTERM unwinds the command, which removes scratch files, and ends its workers."""

    def end(number: int, frame: object) -> None:
        raise _Ended

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set a handler
        return
    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    except _Ended:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)  # once is enough
        if "multiprocessing" in sys.modules:
            for worker in sys.modules["multiprocessing"].active_children():
                worker.terminate()
        raise
    finally:
        signal.signal(signal.SIGTERM, before)


def _read_no_more() -> None:
    """Nobody reads what is written (`| head`): the rest of it goes nowhere, without a complaint
    when the process ends."""
    with suppress(OSError), open(os.devnull, "wb") as nowhere:  # a stream in memory has no number
        os.dup2(nowhere.fileno(), sys.stdout.fileno())


def _as_line(error: CycloptsError) -> str:
    """What is wrong with the command line, within 80 columns."""
    from cyclopts import UnknownCommandError

    from socband.errors import nearest

    text = str(error)
    if isinstance(error, UnknownCommandError) and error.unused_tokens:
        given = error.unused_tokens[0]
        names = [name for name in build_app() if not name.startswith("-")]
        close = nearest(given, names)
        text = f'unknown command "{given}". ' + (
            f'Did you mean "{close}"?' if close else f"There are: {', '.join(names)}."
        )
    lines = textwrap.wrap(f"socband: {text}", 78, subsequent_indent="  ", break_on_hyphens=False)
    command = " ".join(["socband", *(error.command_chain or ())])
    return "\n".join([*lines, f"Try: {command} --help"])


def main(argv: list[str] | None = None) -> int:
    """Run the command.

    Args:
        argv: arguments without the program's name; those of the process by default.

    Returns:
        0; 2 if an input is bad, the reason stands on standard error then; 143 if ended by SIGTERM.
    """
    from socband.errors import InputError

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that cannot show a sign shows another
            stream.reconfigure(errors="replace")
    try:
        with _no_worker_left_behind():
            build_app()(sys.argv[1:] if argv is None else argv)
            sys.stdout.flush()
    except _Ended:
        return EXIT_ENDED
    except InputError as error:
        from socband.report import problems_text

        print(problems_text(error), file=sys.stderr)
        return EXIT_BAD_INPUT
    except CycloptsError as error:
        print(_as_line(error), file=sys.stderr)
        return EXIT_BAD_INPUT
    except BrokenPipeError:
        _read_no_more()
        return 0
    except SystemExit as leaving:  # so help and version answer the same
        if not isinstance(leaving.__context__, BrokenPipeError):
            raise
        return 0
    except OSError as error:
        # a full disk names no file; those that are written here are named where they are written
        full = "standard output" if error.errno == errno.ENOSPC else ""
        where = f"{name}: " if (name := error.filename or full) else ""
        print(f"socband: {where}{error.strerror or error}", file=sys.stderr)
        return EXIT_BAD_INPUT
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
