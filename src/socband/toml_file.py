"""Reading a TOML file: everything that can be wrong with one is a single clear problem."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from socband.errors import InputError, Problem, refuse_endless


def read_toml(path: Path, what: str = "a TOML file") -> dict[str, Any]:
    """The tables of a TOML file; a byte order mark before it is read over.

    Args:
        path: the file.
        what: it should have been, for messages.

    Raises:
        InputError: no such file, no text, no TOML, or TOML that nobody writes by hand.
    """
    refuse_endless(path, f"{what}, a file")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise InputError(Problem(str(path), f"no valid TOML: {error}", "a TOML file")) from None
    except UnicodeDecodeError:
        raise InputError(Problem(str(path), "bytes that are no UTF-8 text", "TOML text")) from None
    except RecursionError:
        found = "brackets within brackets, hundreds deep"
        raise InputError(Problem(str(path), found, what)) from None
    except ValueError:  # of Python itself, which reads no number of thousands of digits
        found = "a number of thousands of digits"
        raise InputError(Problem(str(path), found, what)) from None
    except OSError as error:
        reason = (error.strerror or "unreadable").lower()
        raise InputError(Problem(str(path), reason, f"{what} that can be read")) from None
