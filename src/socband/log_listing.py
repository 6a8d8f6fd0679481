"""Rows of a log that have the same thing wrong with them, as problems."""

from __future__ import annotations

import numpy as np

from socband.errors import Problem

LISTED = 20  # problems of one kind that are listed one by one


def runs(marked: np.ndarray) -> list[np.ndarray]:
    """Indices of the marked rows (n,), neighbours together."""
    at = np.flatnonzero(marked)
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run)]


def _words(number: np.ndarray, run: np.ndarray) -> str:
    """A run of rows: "row 7", "rows 9 to 12"."""
    first, last = number[run[0]], number[run[-1]]
    return f"row {first}" if first == last else f"rows {first} to {last}"


def listed(
    number: np.ndarray, marked: np.ndarray, found: str, expected: str, done: str
) -> list[Problem]:
    """One problem for each run of marked rows, as far as anybody reads.

    Args:
        number: (n,) what the user calls each row.
        marked: (n,) the rows meant.
        found, expected, done: as in a `Problem`.
    """
    wheres = [_words(number, run) for run in runs(marked)]
    problems = [Problem(where, found, expected, done) for where in wheres[:LISTED]]
    if len(wheres) > LISTED:
        where = f"{len(wheres) - LISTED} more places"
        problems.append(Problem(where, found, expected, done))
    return problems
