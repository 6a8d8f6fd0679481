"""Record files as they are named on the command line, and what anchors their true charge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from socband.errors import InputError, Problem, shown
from socband.identify_anchor import EMPTY_V
from socband.layouts import read_record
from socband.logs import Log, emptied_ah, end_point_capacity_ah

Reader = Callable[[Path], Log]
_MOST_OFF = 0.2  # an end point that gives another capacity than this is of another run


@dataclass(frozen=True)
class Source:
    """A record, the discharge that empties the cell after it, and the temperature of the record.

    Written `FILE`, `FILE@35`, `FILE+END_POINT` or `FILE+END_POINT@35`.
    """

    path: Path
    temperature_c: float
    end_point: Path | None = None

    @classmethod
    def from_text(cls, text: str, default_c: float = 25.0) -> Source:
        """Parse one of the forms above; a `+` in a name that is a file is part of the name.

        Of several, the last that parts two files counts, else the last.

        Raises:
            InputError: a temperature that is no number between -60 and 100.
        """
        files, at, raw = text.rpartition("@")
        if not at:
            files, value = text, default_c
        else:
            try:
                value = float(raw)
            except ValueError:
                value = np.nan
            if not -60 <= value <= 100:
                found = f"{shown(raw)} after @"
                raise InputError(Problem(text, found, "a temperature in °C, -60 to 100"))
        if "+" not in files or Path(files).is_file():
            return cls(Path(files), value)
        pluses = [k for k, letter in enumerate(files) if letter == "+"]
        parts = [(Path(files[:k]), Path(files[k + 1 :])) for k in reversed(pluses)]
        path, end_point = next((p for p in parts if all(x.is_file() for x in p)), parts[0])
        return cls(path, value, end_point)

    @classmethod
    def of(cls, named: Source | str | Path, default_c: float = 25.0) -> Source:
        """A source as it is, or from a text or path that names it; see `from_text`."""
        return named if isinstance(named, Source) else cls.from_text(str(named), default_c)

    @property
    def files(self) -> tuple[Path, ...]:
        """All files of it."""
        return (self.path,) if self.end_point is None else (self.path, self.end_point)


def files_of(named: Source | str | Path) -> tuple[Path, ...]:
    """All files of a source however it is written; none where it is written wrongly."""
    try:
        return Source.of(named).files
    except InputError:
        return ()


def end_point(path: Path, read: Reader = read_record) -> Log:
    """The discharge that empties a cell after a record.

    Raises:
        InputError: it charges, or does not come near empty.
    """
    rest = read(path)
    lowest_v = float(rest.voltage_v.min())
    if emptied_ah(rest) <= 0.0 or lowest_v > EMPTY_V:
        found = f"{emptied_ah(rest):.3g} Ah discharged, down to {lowest_v:.3g} V"
        expected = f"the discharge that empties the cell after the record, below {EMPTY_V:g} V"
        raise InputError(Problem(path.name, found, expected, "is it that record's end point?"))
    return rest


def left_over_ah(low_rate: Sequence[Source], read: Reader = read_record) -> dict[float, float]:
    """What low-rate discharges leave, by temperature [Ah by °C]; empty without end points."""
    found = {
        part.temperature_c: emptied_ah(end_point(part.end_point, read))
        for part in low_rate
        if part.end_point is not None
    }
    return dict(sorted(found.items()))


def anchored_capacity_ah(
    part: Source, log: Log, left: dict[float, float], usual_ah: float, read: Reader = read_record
) -> float:
    """Usable capacity of a run from its own two ends [Ah].

    Args:
        part: the record; it has an end point.
        log: as read.
        left: of `left_over_ah`; what is between its temperatures is interpolated.
        usual_ah: capacity by the low-rate discharges.
        read: gives the log of a path.

    Raises:
        InputError: a capacity that is off by more than a fifth.
    """
    assert part.end_point is not None
    by_temperature = np.interp(part.temperature_c, list(left), list(left.values())) if left else 0.0
    rest = end_point(part.end_point, read)
    capacity_ah = end_point_capacity_ah(log, rest, float(by_temperature))
    if abs(capacity_ah / usual_ah - 1.0) > _MOST_OFF:
        raise InputError(
            Problem(
                f"{part.path.name}+{part.end_point.name}",
                f"{capacity_ah:.3g} Ah from full to empty",
                f"about {usual_ah:.3g} Ah, as other records have it",
                "an end point of another run?",
            )
        )
    return capacity_ah
