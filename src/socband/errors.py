"""What is wrong with an input, said once and completely.

Readers gather every `Problem` of a file and raise one `InputError`; the command prints it and
leaves with exit code 2. Nothing here imports anything of the package.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

_SHOWN_PROBLEMS = 40
_SHOWN_LENGTH = 120


@dataclass(frozen=True)
class Problem:
    """One thing wrong with an input.

    Attributes:
        where: file, key path, flag or row, as the user would look for it.
        found: what stands there.
        expected: what should stand there, in words.
        hint: how to mend it, if that is known.
    """

    where: str
    found: str
    expected: str
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: found {self.found}; expected {self.expected}"
        return f"{text} ({self.hint})" if self.hint else text

    def at(self, prefix: str) -> Problem:
        """The same problem seen from further out: `prefix` and `where` joined by a dot."""
        return replace(self, where=f"{prefix}.{self.where}" if self.where else prefix)


class InputError(ValueError):
    """An input cannot be used; `problems` holds every reason that was found, never none.

    Args:
        problems: one problem or several.
        origin: name of the file or flag they belong to; "" when `where` says it already.
    """

    def __init__(self, problems: Problem | Iterable[Problem], origin: str = "") -> None:
        self.problems: tuple[Problem, ...] = (
            (problems,) if isinstance(problems, Problem) else tuple(problems)
        )
        if not self.problems:
            raise TypeError("InputError needs at least one problem")
        self.origin = origin
        super().__init__(self._text())

    @property
    def located(self) -> tuple[Problem, ...]:
        """The problems with the name of their file before each; flags stand for themselves."""
        return tuple(
            replace(p, where=f"{self.origin}, {p.where}" if p.where else self.origin)
            if self.origin and not p.where.startswith("--")
            else p
            for p in self.problems
        )

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...], str]]:
        return type(self), (self.problems, self.origin)  # survives a trip between processes

    def _text(self) -> str:
        shown = [str(problem) for problem in self.problems[:_SHOWN_PROBLEMS]]
        more = len(self.problems) - len(shown)
        if more:
            shown.append(f"and {more} more problems")
        if len(shown) == 1:
            return f"{self.origin}: {shown[0]}" if self.origin else shown[0]
        count = f"{len(self.problems)} problems"
        head = f"{self.origin}: {count}" if self.origin else count
        return "\n".join([head, *(f"  {line}" for line in shown)])


def refuse_endless(path: Path, expected: str) -> None:
    """Refuse a pipe, which without a writer is waited for for ever, and a device without end.

    What is wrong otherwise is said where the file is read.

    Raises:
        InputError: it is one of them.
    """
    try:
        endless = path.exists() and not path.is_file() and not path.is_dir()
    except OSError:
        return
    if endless:
        raise InputError(Problem(str(path), "a pipe or a device", expected))


def is_read(flag: str, target: Path, inputs: Iterable[str | Path | None]) -> list[Problem]:
    """A target that is one of the files a command reads, by whatever name or link.

    Args:
        flag: that names the target.
        target: where a result shall go.
        inputs: files that are read; None and what does not exist are passed over.

    Returns:
        one problem, or none.
    """
    for file in inputs:
        try:
            same = file is not None and os.path.samefile(target, file)
        except (OSError, ValueError):  # one of them does not exist
            continue
        if same:
            found = f"{target}, which is the file {Path(file).name} that is read"
            return [Problem(flag, found, "a file that nothing is read from")]
    return []


def nearest(name: str, choices: Iterable[str]) -> str | None:
    """The choice spelled most like `name`, else the only one with its words, else None."""
    folded = {choice.casefold(): choice for choice in choices}
    close = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.6)
    if close:
        return folded[close[0]]
    words = set(name.casefold().split("_"))
    holding = [choice for word, choice in folded.items() if words <= set(word.split("_"))]
    return holding[0] if len(holding) == 1 else None


def did_you_mean(name: str, choices: Sequence[str], listed: int = 12) -> str:
    """A hint: the nearest right spelling, else the choices themselves when they are few."""
    close = nearest(name, choices)
    if close is not None:
        return f"did you mean {close!r}?"
    if 0 < len(choices) <= listed:
        return "known here: " + ", ".join(choices)
    return ""


def shown(value: object) -> str:
    """`value` as it may stand in a message: quoted if text, shortened if long."""
    if isinstance(value, bool):
        text = "true" if value else "false"  # as TOML writes it
    elif value is None:
        text = "nothing"
    else:
        try:
            text = repr(value)
        except ValueError:  # Python writes out no whole number of thousands of digits
            text = "a number of thousands of digits"
    return text if len(text) <= _SHOWN_LENGTH else text[: _SHOWN_LENGTH - 1] + "…"
