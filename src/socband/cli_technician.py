"""Commands of the technician and the engineer: suspects, charging, budget."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from socband.cli_owner import Columns, Flag
from socband.cli_shared import (
    Days,
    Percent,
    Whole,
    check_run,
    read_bank,
    read_inputs,
    show,
    within_limits,
)
from socband.readings import describe_readings, readings_for


def _readings(question: str) -> Parameter:
    """The flag for readings by hand; its help names every reading that the command asks for."""
    such = "amps=0.2" if question == "charging" else "clamp=-1.8"
    text = f"taken by hand, such as --reading {such}; may be given several times. There are:"
    listed = describe_readings(readings_for(question))
    return Parameter(name="--reading", negative=(), help=f"{text}\n{listed}")


def suspects(
    setup: Path,
    log: Path | None = None,
    /,
    *,
    reading: Annotated[list[str] | None, _readings("suspects")] = None,
    column: Columns = None,
    discharge_positive: Flag = False,
    members: Whole = 20_000,
    seed: Whole = 0,
    json: Flag = False,
    save: Path | None = None,
    plot: Path | None = None,
) -> None:
    """What the display is not seeing: ranked causes, and what to measure next.

    Args:
        setup: setup file of bank and monitor; beside a log its section [present] describes the
            moment at which the log ends.
        log: days of log of the monitor, if there are any.
        reading: taken by hand, as `readings.KINDS`; the help page lists them.
        column: for other labels in the log, such as --column current="I[A]".
        discharge_positive: the log's current is positive on discharge.
        members: draws in all; more of them where readings are rare.
        seed: same seed, same numbers.
        json: print one JSON object instead of text.
        save: write the result as NetCDF to this file (.nc).
        plot: draw the suspects to this file (.png, .svg, .pdf).
    """
    check_run(1000, members, seed, save, plot, setup, log)
    from socband.report import warn
    from socband.suspects import suspects as ask
    from socband.suspects_report import suspects_figure, suspects_json, suspects_text

    read, cell, recorded, readings = read_inputs(
        setup, log, column, discharge_positive, reading, "suspects"
    )
    warn(() if recorded is None else recorded.warnings)
    show(
        ask(read, cell, recorded, readings, seed, members),
        text=suspects_text,
        as_json=suspects_json,
        json_wanted=json,
        save=save,
        plot=plot,
        figure=suspects_figure,
    )


def charging(
    setup: Path,
    log: Path | None = None,
    /,
    *,
    source: Literal["shore", "vehicle", "solar"] = "shore",
    reading: Annotated[list[str] | None, _readings("charging")] = None,
    column: Columns = None,
    discharge_positive: Flag = False,
    members: Whole = 8000,
    seed: Whole = 0,
    json: Flag = False,
    save: Path | None = None,
    plot: Path | None = None,
) -> None:
    """Is the missing charge current a fault, or is the bank simply near full?

    Args:
        setup: setup file of bank and monitor; beside a log its section [present] describes the
            moment at which the log ends.
        log: of the monitor, if there is one.
        source: what should be charging.
        reading: taken by hand, as `readings.KINDS`; the help page lists them.
        column: for other labels in the log, such as --column current="I[A]".
        discharge_positive: the log's current is positive on discharge.
        members: draws in all.
        seed: same seed, same numbers.
        json: print one JSON object instead of text.
        save: write the result as NetCDF to this file (.nc).
        plot: draw what should flow to this file (.png, .svg, .pdf).
    """
    check_run(1000, members, seed, save, plot, setup, log)
    from socband.charging import charging as ask
    from socband.charging_report import charging_figure, charging_json, charging_text
    from socband.report import warn

    read, cell, recorded, readings = read_inputs(
        setup, log, column, discharge_positive, reading, "charging"
    )
    warn(() if recorded is None else recorded.warnings)
    show(
        ask(read, cell, recorded, readings, seed, members, source),
        text=charging_text,
        as_json=charging_json,
        json_wanted=json,
        save=save,
        plot=plot,
        figure=charging_figure,
    )


def budget(
    setup: Path,
    /,
    *,
    days: Days = 7.0,
    within: Percent = 5.0,
    display: Percent | None = None,
    members: Whole = 20_000,
    seed: Whole = 0,
    json: Flag = False,
    save: Path | None = None,
    plot: Path | None = None,
) -> None:
    """How wrong the display can be after days without a full charge, and which error dominates.

    Args:
        setup: setup file of bank and monitor.
        days: since the last full charge.
        within: how far off the display may be [percent of charge].
        display: what it shows then [percent]; as in the setup file, or 50, if left out.
        members: draws in all.
        seed: same seed, same numbers.
        json: print one JSON object instead of text.
        save: write the result as NetCDF to this file (.nc).
        plot: draw the error over the days to this file (.png, .svg, .pdf).
    """
    check_run(1000, members, seed, save, plot, setup)
    within_limits("--days", days, 0.1, 1000.0, "days")
    within_limits("--within", within, 0.1, 100.0, "percent")
    from socband.budget import error_budget
    from socband.budget_report import budget_figure, budget_json, budget_text

    read, cell = read_bank(setup, {"display": display})
    show(
        error_budget(read, cell, days, within / 100.0, None, members, seed),
        text=budget_text,
        as_json=budget_json,
        json_wanted=json,
        save=save,
        plot=plot,
        figure=budget_figure,
    )
