"""`python -m socband`: the command, where its script is not on the path."""

from __future__ import annotations

from socband.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
