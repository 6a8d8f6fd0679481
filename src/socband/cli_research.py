"""Commands of the researcher: cell, fit, bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from socband.cli_shared import (
    Progress,
    Whole,
    at_least,
    check_folder,
    check_targets,
    column_mapping,
    save_figure,
    spare,
)

Flag = Annotated[bool, Parameter(negative=())]
# Several values behind one flag, as the shell expands a pattern.
Files = Annotated[list[str] | None, Parameter(negative=(), consume_multiple=True)]
Columns = Annotated[list[str] | None, Parameter(name="--column", negative=())]
Estimators = Annotated[str, Parameter(name="--estimators")]


def cell(model: str | None = None, /, *, plot: Path | None = None) -> None:
    """A cell model at a glance: what is measured, what is assumed, how well it is known.

    Args:
        model: name of a model that comes with socband, or the path of a model file; without it
            those that come with socband are listed.
        plot: draw it to this file (.png, .svg, .pdf).
    """
    from socband.models import available_cells, cell_file, load_cell

    check_targets([cell_file(model)], plot=plot)
    from socband.errors import InputError, Problem
    from socband.fit_report import cell_figure, cell_text

    if model is None:
        if plot is not None:
            raise InputError(Problem("--plot", "no cell model", "the name of the one to draw"))
        for name in available_cells():
            print(f"{name:<20} {load_cell(name).title}")
        return
    read = load_cell(model)
    if plot is not None:
        save_figure(lambda: cell_figure(read), plot)
    print(cell_text(read))


def fit(
    *,
    name: str,
    out: Path | None = None,
    ocv_discharge: Files = None,
    ocv_charge: Files = None,
    dynamic: Files = None,
    score: Files = None,
    bpx: Path | None = None,
    column: Columns = None,
    discharge_positive: Flag = False,
    lower_v: float | None = None,
    upper_v: float | None = None,
    temperature: float | None = None,
    like: str | None = None,
    title: str = "",
    source: str = "",
    report: Path | None = None,
    json: Flag = False,
) -> None:
    """Fit a cell model to records, and score it on records it was not fitted to.

    A file may carry its own temperature, such as dynamic.csv@35, and before it
    the discharge that empties the cell afterwards, as dynamic.csv+end.csv@35:
    then the true charge is anchored at both ends. A file is CSV in the labels of
    the Battery Data Format (Test Time / s, Current / A, Voltage / V, perhaps
    Ambient Temperature / degC, Net Capacity / Ah, and true_soc where the true
    charge is known, 0 to 1; current into the cell is positive), or an open data
    set's own layout. Missing parts widen the spreads, and are said.

    Args:
        name: of the model.
        out: write the model to this file (.toml).
        ocv_discharge: low-rate discharge records.
        ocv_charge: low-rate charge records.
        dynamic: records to fit: drive cycles, pulses, constant current.
        score: records that are only scored.
        bpx: Battery Parameter eXchange file of the cell (needs the extra "bpx"): beside records,
            its diffusion and OCV help where they are silent; alone, it is imported.
        column: for other labels, in all files, such as --column current="I[A]"; may be given
            several times.
        discharge_positive: in all files the current is positive on discharge.
        lower_v: discharge limit of one cell [V], 1.5 to 3, if it is not 2.0.
        upper_v: charge limit of one cell [V], 3.4 to 3.8, if it is not 3.65.
        temperature: of the files without @ [°C]; 25 by default.
        like: model whose OCV shape stands in where none was measured; lfp-26650-2ah by default.
        title: one line about the cell.
        source: citation of the records; goes into the model file.
        report: pictures of the fit (.png or .html).
        json: print one JSON object with the errors on every record.
    """
    from socband.identify_source import files_of
    from socband.models import cell_file

    groups = (ocv_discharge, ocv_charge, dynamic, score)
    read = [file for group in groups for text in group or () for file in files_of(text)]
    check_targets([*read, bpx, cell_file(like)], out=out, report=report)
    import json as text_json

    from socband.fit_report import cell_text, fit_text, write_fit_report
    from socband.identify_command import fit_command, fit_json, import_command
    from socband.summary import plain

    about = {"name": name, "title": title, "source": source, "out": out}
    about |= {"lower_v": lower_v, "upper_v": upper_v}
    if bpx is not None and not (dynamic or ocv_discharge or ocv_charge or score):
        _refuse_beside_bpx(
            column=column, discharge_positive=discharge_positive or None,
            temperature=temperature, like=like, report=report,
        )  # fmt: skip
        model = import_command(bpx=bpx, **about)
        answer = {"name": name, "records": [], "notes": list(model.notes)}
        shown = cell_text(model)
    else:
        fitted = fit_command(
            dynamic=dynamic or (),
            ocv_discharge=ocv_discharge or (),
            ocv_charge=ocv_charge or (),
            score=score or (),
            columns=column_mapping(column),
            discharge_positive=discharge_positive,
            temperature_c=25.0 if temperature is None else temperature,
            like=like or "lfp-26650-2ah",
            bpx=bpx,
            **about,
        )
        if report is not None:
            write_fit_report(fitted, report)
        answer, shown = fit_json(fitted), fit_text(fitted)
    print(text_json.dumps(plain(answer), indent=2, allow_nan=False) if json else shown)


def _refuse_beside_bpx(**given: object) -> None:
    """A BPX file alone is imported, not fitted: flags that would do nothing are refused."""
    from socband.errors import InputError, Problem

    flags = [f"--{name.replace('_', '-')}" for name, value in given.items() if value is not None]
    if flags:
        expected = "records to fit beside --bpx, or --bpx without them"
        raise InputError(Problem(", ".join(flags), "no record to fit", expected))


def bench(
    plan: Path | None = None,
    /,
    *,
    cell: str = "",
    records: Files = None,
    column: Columns = None,
    discharge_positive: Flag = False,
    estimators: Estimators = "all",
    faults: Whole | None = None,
    seed: Whole | None = None,
    step: float | None = None,
    workers: Whole | None = None,
    dask: str | None = None,
    save: Path | None = None,
    plot: Path | None = None,
    json: Flag = False,
) -> None:
    """Accuracy and honesty of estimators on real records with injected monitor faults.

    Args:
        plan: a plan in TOML instead of flags; flags given beside it come first.
        cell: cell model, by name or path; open records bring their own if it is left out.
        records: files with a column true_soc, folders or names of open data sets or records.
        column: for other labels, in all files, such as --column true_soc=z; may be given several
            times.
        discharge_positive: in all files the current is positive on discharge.
        estimators: names with commas between them, path.py:Class for your own, or all.
        faults: draws of monitor faults for each record.
        seed: same seed, same numbers.
        step: records are brought to steps of so many seconds; 10 to 60 by default.
        workers: processes to share the work; one by default.
        dask: address of a Dask cluster (needs the extra "cluster").
        save: keep all scores in this file (.nc); a run that finds it goes on where it ended.
        plot: draw three pictures into this folder.
        json: print one JSON object instead of tables.
    """
    check_targets([plan], save=save)
    import json as text_json
    import sys

    from socband.bench import record_bands, run_bench
    from socband.bench_plan import Plan, read_plan
    from socband.bench_pool import pooled_scores
    from socband.bench_report import PICTURES, disconnect_table, save_plots, table
    from socband.bench_store import kept_in
    from socband.errors import InputError, Problem
    from socband.executors import executor_from
    from socband.summary import plain

    check_folder("--plot", plot, PICTURES)
    if plan is None and not records:
        raise InputError(Problem("--records", "nothing", "records to score on, or a plan"))
    for flag, value, most in (("--faults", faults, 100_000), ("--seed", seed, 2**31 - 1)):
        if value is not None:
            at_least(flag, value, 1 if flag == "--faults" else 0, most)
    given = {
        "records": tuple(records) if records else None,
        "cell": cell or None,
        "cell_for_all": True if cell else None,
        "estimators": tuple(estimators.split(",")) if plan is None or estimators != "all" else None,
        "faults": faults,
        "seed": seed,
        "step_s": step,
        "columns": column_mapping(column),
        "discharge_positive": discharge_positive or None,
    }
    given = {key: value for key, value in given.items() if value is not None}
    if plan is None:
        asked = Plan(**given)
    else:
        from dataclasses import replace

        asked = replace(read_plan(plan), **given)
    if save is not None or plot is not None:
        drawn = [] if plot is None else [plot / name for name in PICTURES]
        spare(asked.files(), save=[] if save is None else kept_in(save), plot=drawn)
    context = asked.context(say=lambda text: print(text, file=sys.stderr))
    names = asked.names()
    executor = executor_from(workers, dask)
    scores = run_bench(context, names, asked.faults, executor, save, Progress("bench"))
    answer = pooled_scores(scores)
    if not answer["pooled"]:
        why = "; ".join(answer["failures"])
        raise InputError(Problem("--estimators", f"none that scored: {why}", "one that does"))
    if plot is not None:
        bands = record_bands(context, names, next(iter(context.records)), 0)
        save_plots(answer, bands, plot)
    if json:
        print(text_json.dumps(plain(answer), indent=1, allow_nan=False))
        return
    print(table(answer))
    if any(record.cutoff is not None for record in context.records.values()):
        from socband.ahead import Ahead
        from socband.forecast_scores import FORECASTERS, score_disconnect

        # 20 faults say enough of a forecast, each made at five moments.
        forecasters = {**FORECASTERS, "ensemble": Ahead()}
        hours = score_disconnect(context, forecasters, faults=min(asked.faults, 20))
        print()
        print(disconnect_table(hours))
