"""Reading a TOML file: everything that can be wrong with one is a single clear problem."""

from __future__ import annotations

import re
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
    text = ""
    try:
        text = path.read_text(encoding="utf-8-sig")
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found, hint = f"no valid TOML: {error}", _slip(text, str(error))
        raise InputError(Problem(str(path), found, "a TOML file", hint)) from None
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


# What people write where TOML wants something else: the pattern of a value, and what to say.
_SLIPS = (
    (r"[+-]?\d+,\d", "a decimal comma? Numbers have a point: 0.5"),
    (r"\d{1,2}:\d\d", 'times of day stand in quotes: "20:00"'),
    (r"[+-]?[\d.]+\s*(?:[^\W\d_]|°)", "numbers stand without their unit: rated_capacity_ah = 100"),
    (r"[+-]?[\d.]+\s*%", "a share is a number from 0 to 1: 0.55"),
    (r"(?!(?:true|false)\s*(?:#|$))[^\W\d_]", 'text stands in quotes: name = "fridge"'),
)


def _slip(text: str, error: str) -> str:
    """A hint for what is likely meant in the line that is no TOML, "" if nothing is clear."""
    at = re.search(r"line (\d+)", error)
    lines = text.splitlines()
    if at is None or int(at[1]) > len(lines):
        return ""
    value = lines[int(at[1]) - 1].partition("=")[2].strip()
    return next((hint for pattern, hint in _SLIPS if re.match(pattern, value)), "")
