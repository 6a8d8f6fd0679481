"""What `socband fit` does, as functions of texts and paths: fit, write beside, rename."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from socband.errors import InputError, Problem
from socband.identify import Fitted, fit_cell
from socband.identify_ocv import GRID
from socband.identify_source import Source
from socband.models import dump_cell


def fit_command(
    *,
    name: str,
    dynamic: Sequence[str],
    ocv_discharge: Sequence[str] = (),
    ocv_charge: Sequence[str] = (),
    score: Sequence[str] = (),
    temperature_c: float = 25.0,
    title: str = "",
    source: str = "",
    like: str = "lfp-26650-2ah",
    bpx: str | None = None,
    upper_v: float | None = None,
    rounds: int = 40,
    out: str | Path | None = None,
) -> Fitted:
    """Fit a cell and write its model file.

    Args:
        name: of the model.
        dynamic, ocv_discharge, ocv_charge, score: record files, each `FILE`, `FILE@TEMPERATURE` or,
            with the discharge that empties the cell after it, `FILE+END_POINT@TEMPERATURE`.
        temperature_c: of the files that do not say theirs [°C].
        title, source: go into the model file.
        like: the model whose OCV shape stands in where none was measured.
        bpx: a BPX file of the same cell: its diffusion time constant replaces the family's prior,
            and its OCV has a say in the hysteresis where only a discharge branch was measured.
        upper_v: charge limit, if it is not 3.65 V.
        rounds: most iterations of the least squares.
        out: where to write the TOML; None writes nothing.

    Raises:
        InputError: every file that is missing, or what is wrong with a record.
    """
    groups = {
        "--ocv-discharge": ocv_discharge,
        "--ocv-charge": ocv_charge,
        "--dynamic": dynamic,
        "--score": score,
    }
    problems: list[Problem] = []
    parsed: dict[str, list[Source]] = {}
    for flag, texts in groups.items():
        parsed[flag] = []
        for text in texts:
            try:
                part = Source.from_text(text, temperature_c)
            except InputError as error:
                problems += [p.at(flag) for p in error.problems]
                continue
            for file in part.files:
                if not file.is_file():
                    expected = "a record" if file == part.path else "the discharge after a record"
                    problems.append(Problem(f"{flag} {file}", "no such file", expected))
            parsed[flag].append(part)
    used = {p.path.resolve() for f in ("--ocv-discharge", "--ocv-charge", "--dynamic")
            for p in parsed[f]}  # fmt: skip
    problems += [
        Problem(f"--score {p.path}", "a record that is fitted too", "one that is not")
        for p in parsed["--score"]
        if p.path.resolve() in used
    ]
    if out is not None and not Path(out).resolve().parent.is_dir():
        problems.append(Problem(f"--out {out}", "no such folder", "a folder that exists"))
    if problems:
        raise InputError(problems)
    diffusion_s = published_ocv_v = None
    if bpx is not None:
        from socband.bpx_import import diffusion_time_s, full_cell

        diffusion_s = diffusion_time_s(bpx)
        published_ocv_v = full_cell(bpx, GRID)[0]
    fitted = fit_cell(
        name,
        ocv_discharge=parsed["--ocv-discharge"],
        ocv_charge=parsed["--ocv-charge"],
        dynamic=parsed["--dynamic"],
        score=parsed["--score"],
        title=title,
        like=like,
        source=source,
        diffusion_s=diffusion_s,
        published_ocv_v=published_ocv_v,
        rounds=rounds,
    )
    if upper_v is not None:
        fitted = replace(fitted, cell=replace(fitted.cell, upper_v=upper_v))
    if out is not None:
        write_beside(Path(out), dump_cell(fitted.cell))
    return fitted


def write_beside(path: Path, text: str) -> None:
    """Write next to the target, then rename: never half a file."""
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_text(text, encoding="utf-8")
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def fit_json(fitted: Fitted) -> dict[str, Any]:
    """What `socband fit --json` prints."""
    return {
        "name": fitted.cell.name,
        "capacity_ah": fitted.cell.capacity_ah,
        "notes": list(fitted.notes),
        "records": fitted.records,
    }
