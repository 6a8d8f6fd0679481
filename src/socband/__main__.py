"""The command, also as `python -m socband` where its script is not on the path."""

from __future__ import annotations

EXIT_INTERRUPTED = 130  # as a shell says of a command that Ctrl-C ended


def main() -> int:
    """Run the command; Ctrl-C ends it without a traceback, also while it is still being loaded."""
    try:
        from socband.cli import main as run

        return run()
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


if __name__ == "__main__":
    raise SystemExit(main())
