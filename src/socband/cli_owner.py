"""Commands of the owner: tonight, replay, check."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from socband.cli_shared import (
    Celsius,
    Hours,
    Percent,
    Progress,
    Whole,
    at_least,
    check_run,
    percent_meant,
    read_inputs,
    show,
)

Columns = Annotated[list[str] | None, Parameter(name="--column", negative=())]
Flag = Annotated[bool, Parameter(negative=())]
Typed = Annotated[list[str] | None, Parameter(name="--evidence", negative=())]


def tonight(
    setup: Path,
    log: Path | None = None,
    /,
    *,
    display: Percent | None = None,
    since_full: Hours | None = None,
    temperature: Celsius | None = None,
    until: str | None = None,
    want: Percent | None = None,
    evidence: Typed = None,
    now: str | None = None,
    column: Columns = None,
    discharge_positive: Flag = False,
    members: Whole = 10_000,
    seed: Whole = 0,
    json: Flag = False,
    save: Path | None = None,
    plot: Path | None = None,
) -> None:
    """How much is really left, and until when.

    Args:
        setup: setup file (TOML) that describes bank, monitor and loads; beside a log its section
            [present] describes the moment at which the log ends.
        log: of the monitor, if there is one that ends now: it says more than the display.
        display: what the display says now [percent].
        since_full: hours since the display last said full.
        temperature: temperature of the bank [°C]; beside a log without one, all along it.
        until: time of day until which it should last, such as 07:00.
        want: how sure you want to be that it does [percent], such as 95.
        evidence: taken now, such as clamp=-1.8/-1.2 (true and shown current), rested=13.2 or
            capacity=180; may be given several times.
        now: time of day now, such as 21:30; a log with dates says it itself.
        column: for other labels in the log, such as --column current="I[A]".
        discharge_positive: the log's current is positive on discharge.
        members: size of the ensemble; beside a log 4000 at most.
        seed: same seed, same numbers.
        json: print one JSON object instead of text.
        save: write the result as NetCDF to this file (.nc).
        plot: draw the night ahead to this file (.png, .svg, .pdf).
    """
    check_run(100, members, seed, save, plot, setup, log)
    wanted = _share(want)
    from socband.evidence_text import parse_evidence
    from socband.plots import tonight_figure
    from socband.report import warn
    from socband.tonight import tonight as ask
    from socband.tonight_json import tonight_json
    from socband.tonight_report import tonight_text

    pieces = parse_evidence(evidence or ())
    typed = {
        "display": display,
        "since_full": since_full,
        "temperature": temperature,
        "until": until,
        "now": now,
    }
    read, cell, recorded, _ = read_inputs(setup, log, column, discharge_positive, overrides=typed)
    warn(() if recorded is None else recorded.warnings)
    progress = Progress("conditioning on the log")
    dataset = ask(read, cell, members, seed, wanted, pieces, recorded, progress)
    show(
        dataset,
        text=tonight_text,
        as_json=tonight_json,
        json_wanted=json,
        save=save,
        plot=plot,
        figure=tonight_figure,
    )


def _share(percent: float | None) -> float | None:
    """`--want 95` as 0.95.

    Raises:
        InputError: outside 50 to 99.9.
    """
    from socband.errors import InputError, Problem

    if percent is None or 50.0 <= percent <= 99.9:
        return None if percent is None else percent / 100.0
    hint = percent_meant("--want", percent, 50.0, 99.9)
    raise InputError(Problem("--want", f"{percent:g}", "a percentage from 50 to 99.9", hint))


def replay(
    setup: Path,
    log: Path,
    /,
    *,
    column: Columns = None,
    discharge_positive: Flag = False,
    step: float = 60.0,
    evidence: Typed = None,
    hindsight: Flag = False,
    members: Whole = 4000,
    seed: Whole = 0,
    json: Flag = False,
    save: Path | None = None,
    plot: Path | None = None,
) -> None:
    """The band on the charge over a recorded log, beside what the monitor would display.

    Args:
        setup: setup file; its section [present] describes the moment at which the log begins.
        log: CSV with time, current, voltage and, if there, temperature, in the labels of the
            Battery Data Format.
        column: for other labels, such as --column current="I[A]"; may be given several times.
        discharge_positive: the log's current is positive on discharge.
        step: the log is averaged to steps of so many seconds.
        evidence: beside the log, such as full@3.5=unsure (hours since its start), clamp@12=-1.8,
            rested@30=13.2 or capacity=180; may be given several times.
        hindsight: also show the band that looks back from the end of the log.
        members: size of the ensemble.
        seed: same seed, same numbers.
        json: print one JSON object instead of text.
        save: write the result as NetCDF to this file (.nc).
        plot: draw the band to this file (.png, .svg, .pdf).
    """
    check_run(100, members, seed, save, plot, setup, log)
    at_least("--step", step, 1, 3600)
    from socband.evidence_text import parse_evidence
    from socband.plots import replay_figure
    from socband.posterior import Settings
    from socband.replay import replay as ask
    from socband.replay import replay_json
    from socband.report import replay_text, warn

    read, cell, recorded, _ = read_inputs(setup, log, column, discharge_positive)
    warn(recorded.warnings)
    pieces = parse_evidence(evidence or (), end_hours=recorded.time_s[-1] / 3600.0)
    settings = Settings(members=members, seed=seed, hindsight=hindsight)
    dataset = ask(
        read,
        cell,
        recorded,
        settings,
        pieces,
        step_s=step,
        progress=Progress("replaying the log"),
    )
    show(
        dataset,
        text=replay_text,
        as_json=replay_json,
        json_wanted=json,
        save=save,
        plot=plot,
        figure=replay_figure,
    )


def check(
    setup: Path,
    log: Path | None = None,
    /,
    *,
    column: Columns = None,
    discharge_positive: Flag = False,
) -> None:
    """Every problem of a setup file, and of a log, at once; or "fine" and what is assumed.

    Args:
        setup: setup file.
        log: log to be checked with it.
        column: for other labels, such as --column current="I[A]"; may be given several times.
        discharge_positive: the log's current is positive on discharge.
    """
    from socband.report import check_text

    read, cell, recorded, _ = read_inputs(setup, log, column, discharge_positive)
    print(check_text(read, cell, recorded))
