"""How a fit went and a cell at a glance: dataset, text and picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cell as physics
from socband.cell import CellTables
from socband.models import CellModel
from socband.quantity import STD_IN_HALF_BAND
from socband.summary import beside

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

    from socband.identify import Fitted

_SOC = np.concatenate(
    [np.arange(0, 0.1, 0.005), np.arange(0.1, 0.95, 0.01), np.arange(0.95, 1.0001, 0.005)]
)
_TEMPERATURE_C = np.arange(-20.0, 46.0, 5.0)
_RANGES = ("2-10", "10-95", "20-95")


def cell_dataset(cell: CellModel) -> xr.Dataset:
    """A cell model as tables over charge and temperature, with CF attributes."""
    import xarray as xr

    tables = CellTables.from_model(cell)
    rows = {
        "ocv": (physics.OCV, "V", "open-circuit voltage, mean of both directions"),
        "hysteresis": (physics.GAP, "V", "half gap between charge and discharge at rest"),
        "entropy": (physics.ENTROPY, "V K-1", "dU/dT"),
        "r0": (physics.R0, "ohm", "ohmic resistance at the reference temperature"),
        "r1": (physics.R1, "ohm", "fast branch resistance at the reference temperature"),
        "r2": (physics.R2, "ohm", "slow branch resistance at the reference temperature"),
    }
    data: dict[str, Any] = {
        name: ("soc", physics.look_up(tables, column, _SOC), {"units": unit, "long_name": text})
        for name, (column, unit, text) in rows.items()
    }
    slope = np.gradient(data["ocv"][1], _SOC) * 10.0
    data["ocv_slope"] = ("soc", slope, {"units": "mV", "long_name": "OCV slope, per per cent"})
    spread = np.hypot(cell.spread["ocv.voltage_v"], cell.spread["ocv.soc"] * slope / 10.0)
    data["ocv_spread"] = (
        "soc", spread, {"units": "V", "long_name": "standard deviation of the OCV"}
    )  # fmt: skip
    k0, k1, k2, _, fraction = physics.temperature_factors(tables, _TEMPERATURE_C)
    middle = [float(physics.look_up(tables, c, np.array(0.5))) for c in
              (physics.R0, physics.R1, physics.R2)]  # fmt: skip
    for name, value, text in (
        ("r0_50", middle[0] * k0, "ohmic resistance at 50 %"),
        ("r_total_50", middle[0] * k0 + middle[1] * k1 + middle[2] * k2, "all resistances at 50 %"),
    ):
        data[name] = ("temperature", value, {"units": "ohm", "long_name": text})
    data["capacity_fraction"] = (
        "temperature", fraction, {"units": "1", "long_name": "usable share of the capacity"}
    )  # fmt: skip
    measured = [k for k, s in cell.sources.items() if s.startswith(_MEASURED)]
    means = [k for k, s in cell.sources.items() if s.startswith(_MEANS)]
    return xr.Dataset(
        data,
        coords={
            "soc": ("soc", _SOC, {"units": "1", "long_name": "state of charge"}),
            "temperature": ("temperature", _TEMPERATURE_C,
                            {"units": "degC", "long_name": "cell temperature"}),
        },
        attrs={
            "Conventions": "CF-1.12",
            "title": cell.title,
            "cell": cell.name,
            "capacity_ah": cell.capacity_ah,
            "capacity_spread_ah": cell.spread["capacity.capacity_ah"],
            "measured": ", ".join(measured),
            "means_of_measured_cells": ", ".join(means),
            "not_measured": ", ".join(sorted({*cell.sources} - {*measured, *means})),
            "notes": "; ".join(cell.notes),
        },
    )  # fmt: skip


# How the source of a number begins that was fitted to records of the cell, or taken from them. All
# else is a prior, published, typical or assumed, whatever it is called.
_MEASURED = (
    *("measured", "fitted to", "low-rate records", "rested voltages", "most charge moved"),
    "60 s means of what the fit leaves",
)
_MEANS = "mean of the measured cells"  # the generic cell's


def heading(cell: CellModel) -> str:
    """Title and name of a cell, or the name alone where it is the title."""
    return cell.name if cell.title == cell.name else f"{cell.title} ({cell.name})"


def cell_text(cell: CellModel) -> str:
    """A cell at a glance, in text of at most 80 columns."""
    from socband.report import wrapped

    data = cell_dataset(cell)
    spread = cell.spread
    lines = [
        wrapped(heading(cell)),
        "",
        f"  capacity        {cell.capacity_ah:.4g} Ah ± {spread['capacity.capacity_ah']:.2g}",
        f"  voltage limits  {cell.lower_v:.2f} to {cell.upper_v:.2f} V",
        f"  voltage error   {cell.voltage_error.std_v * 1e3:.1f} mV on the plateau, "
        f"for about {cell.voltage_error.tau_s / 60:.0f} min at a time",
        "",
        "  charge   rest voltage   after charge/   mV per %   R0",
        "                          discharge                  mohm",
    ]
    for soc in (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0):
        row = data.interp(soc=soc)
        lines.append(
            f"  {100 * soc:4.0f} %   {float(row.ocv):.3f} ± {float(row.ocv_spread):.3f}"
            f"   ± {float(row.hysteresis) * 1e3:4.1f} mV     {float(row.ocv_slope):7.2f}"
            f"    {float(row.r0) * 1e3:6.3g}"
        )
    lines += ["", "  temperature   resistance at 50 %      usable charge at a low rate"]
    for t in (-20.0, -10.0, 0.0, 10.0, 25.0, 40.0):
        row = data.sel(temperature=t)
        lines.append(
            f"  {t:6.0f} °C     {float(row.r_total_50) * 1e3:8.3g} mohm           "
            f"{100 * float(row.capacity_fraction):5.1f} %"
        )
    measured, means, others = (
        [key for key in data.attrs[kind].split(", ") if key]
        for kind in ("measured", "means_of_measured_cells", "not_measured")
    )
    said = f"{len(measured)} of {len(cell.sources)} numbers or tables are measured"
    if means:
        said += f", {len(means)} are means of other cells that were"
    lines += ["", wrapped(f"{said}. Not measured:", "  ")]
    lines.append(wrapped(", ".join(others) or "nothing", "    "))
    lines += [wrapped(note, "  - ", "    ") for note in cell.notes]
    return "\n".join(lines)


def fit_text(fitted: Fitted) -> str:
    """How well the model does on each record, fitted and scored."""
    from socband.report import wrapped

    lines = [
        wrapped(f"{heading(fitted.cell)}: RMS voltage error in mV by range of charge"),
        "",
        "  record                             used    60 s means            rested",
        "                                             2-10  10-95  20-95 %   2 h",
    ]
    for row in fitted.records:
        rms = [row["rms_mv"][k] for k in _RANGES]
        shown = "  ".join("    -" if v is None else f"{v:5.1f}" for v in rms)
        rest = row.get("rested_rms_mv")
        tail = "" if rest is None else f"     {rest:4.1f}"
        used = row["used_for"] + "*" * (row["used_for"] == "score" and row.get("guessed", False))
        lines.append(f"  {row['name'][:33]:33s}  {used:6s}{shown}{tail}")
    lines.append("")
    lines += [wrapped(note, "  - ", "    ") for note in fitted.notes]
    return "\n".join(lines)


def plot_ocv(data: xr.Dataset, ax: Axes) -> Axes:
    """OCV with its 90 % band, and where the cell rests after charge and discharge."""
    soc = 100 * data.soc.values
    ocv, gap = data.ocv.values, data.hysteresis.values
    wide = STD_IN_HALF_BAND * data.ocv_spread.values
    ax.fill_between(soc, ocv - wide, ocv + wide, alpha=0.25, lw=0, label="OCV, 90 % band")
    ax.plot(soc, ocv, lw=1.5, label="OCV")
    ax.plot(soc, ocv + gap, lw=0.8, ls="--", color="C3", label="rest after charge")
    ax.plot(soc, ocv - gap, lw=0.8, ls="--", color="C2", label="rest after discharge")
    top = max(3.5, float((ocv + gap)[-1]) + 0.02)  # below 2.9 V there is next to no charge
    ax.set(xlabel="state of charge / %", ylabel="rest voltage / V", ylim=(2.9, top))
    ax.legend(frameon=False)
    ax.grid(alpha=0.3)
    return ax


def _plain(axis, minor: bool = True) -> None:
    """Numbers on a logarithmic axis as 20 and 300, not as powers of ten."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    def words(x: float, _place: int) -> str:
        return f"{x:g}" if f"{x:e}"[0] in "125" else ""  # others would overlap

    axis.set_major_formatter(FuncFormatter(words))
    axis.set_minor_formatter(FuncFormatter(words) if minor else NullFormatter())


def plot_resistance(data: xr.Dataset, ax: Axes) -> Axes:
    """Resistance against temperature at half charge."""
    ax.semilogy(data.temperature, 1e3 * data.r_total_50, label="all")
    ax.semilogy(data.temperature, 1e3 * data.r0_50, label="R0")
    _plain(ax.yaxis)
    ax.set(xlabel="cell temperature / °C", ylabel="resistance at 50 % / mΩ")
    ax.legend(frameon=False)
    ax.grid(alpha=0.3, which="both")
    return ax


def plot_slope(data: xr.Dataset, ax: Axes) -> Axes:
    """How many millivolts a per cent of charge is worth."""
    ax.semilogy(100 * data.soc, np.maximum(data.ocv_slope, 0.01))
    _plain(ax.yaxis, minor=False)
    ax.set(xlabel="state of charge / %", ylabel="OCV slope / mV per %")
    ax.grid(alpha=0.3, which="both")
    return ax


def cell_figure(cell: CellModel) -> Any:
    """A figure with the three plots; the caller saves it."""
    from matplotlib.figure import Figure

    data = cell_dataset(cell)
    # one below the other: to be read on a phone too
    figure = Figure(figsize=(6.4, 9.6), layout="constrained")
    axes = figure.subplots(3, 1)
    plot_ocv(data, axes[0])
    plot_slope(data, axes[1])
    plot_resistance(data, axes[2])
    figure.suptitle(cell.title)
    return figure


def plot_fit(fitted: Fitted, ax: Axes) -> Axes:
    """RMS error of 60 s means by record and range."""
    names = [f"{r['name'][:26]} ({r['used_for']})" for r in fitted.records]
    y = np.arange(len(names), dtype=float)
    for k, span in enumerate(_RANGES):
        values = [r["rms_mv"][span] or 0.0 for r in fitted.records]
        ax.barh(y + 0.25 * (k - 1), values, 0.23, label=f"{span} %")
    ax.set_yticks(y, names, fontsize=7)
    ax.invert_yaxis()
    ax.set(xscale="log", xlabel="RMS voltage error of 60 s means / mV")
    _plain(ax.xaxis, minor=False)
    ax.legend(frameon=False)
    return ax


def write_fit_report(fitted: Fitted, path: Any) -> None:
    """A report of the fit: .png, or .html with the pictures inside."""
    import base64
    import html
    import io
    from pathlib import Path

    from socband.errors import InputError, Problem

    path = Path(path)
    if path.suffix.lower() not in (".png", ".html"):
        raise InputError(Problem(f"--report {path}", path.suffix or "no ending", ".png or .html"))
    from matplotlib.figure import Figure

    data = cell_dataset(fitted.cell)
    figure = Figure(figsize=(11, 7.2), layout="constrained")
    top, bottom = figure.subfigures(2, 1)
    axes = top.subplots(1, 3)
    plot_ocv(data, axes[0])
    plot_slope(data, axes[1])
    plot_resistance(data, axes[2])
    plot_fit(fitted, bottom.subplots())
    figure.suptitle(fitted.cell.title)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=110)
    content = picture.getvalue()
    if path.suffix.lower() != ".png":
        image = base64.b64encode(content).decode()
        text = html.escape(fit_text(fitted) + "\n\n" + cell_text(fitted.cell))
        content = (
            f"<!doctype html><meta charset=utf-8><title>{html.escape(fitted.cell.title)}</title>"
            f'<img alt="the fit in pictures" style="max-width:100%" '
            f'src="data:image/png;base64,{image}"><pre>{text}</pre>\n'
        ).encode()
    with beside(path) as scratch:
        scratch.write_bytes(content)
