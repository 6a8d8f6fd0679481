"""The Python that README.md and models/README.md show does what it says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from socband import identify_command
from socband.cell import simulate
from socband.models import VoltageError, load_cell
from socband.posterior_settings import POOLED_ERROR_SCALE, POOLED_ETA, POOLED_TAU_SCALE

ROOT = Path(__file__).resolve().parents[1]

# README.md shows this under <!-- python -->.
TONIGHT = """\
from socband.models import load_cell
from socband.site import read_setup
from socband.tonight import tonight

setup = read_setup("examples/lake-cabin.toml")
night = tonight(setup, load_cell(setup.bank.cell), members=4000, seed=0)  # an xarray.Dataset
print(night["soc_now"].quantile([0.05, 0.5, 0.95]).values)  # 0..1
print(night["lvd_hours"].quantile([0.05, 0.5, 0.95]).values)  # until the disconnect
"""


def shown_in(page: str) -> list[str]:
    text = (ROOT / page).read_text(encoding="utf-8")
    return re.findall(r"<!-- python -->\n```python\n(.*?)```", text, flags=re.DOTALL)


def test_tonight_from_python(monkeypatch, capsys):
    """The same bank as the command's: 15, 39 and 45 %, and 18 h, as README.md prints them."""
    assert shown_in("README.md") in ([], [TONIGHT])
    monkeypatch.chdir(ROOT)
    exec(TONIGHT, {})
    soc, hours = (
        np.array(line.strip("[]").split(), dtype=float)
        for line in capsys.readouterr().out.splitlines()
    )
    # Within 0.02 and 1 h: some three standard errors of the 5 % quantile of 4000 members.
    assert soc == pytest.approx([0.148, 0.390, 0.445], abs=0.02)
    assert hours[1] == pytest.approx(18.2, abs=1.0)


def test_fit_from_python(tmp_path, monkeypatch, capsys):
    cell = load_cell("lfp-26650-2ah")
    slow_s, fast_s = np.arange(0.0, 25 * 3600.0, 120.0), np.arange(0.0, 5400.0, 10.0)
    fast_a = np.repeat(np.random.default_rng(1).choice([-3.0, -1.5, 0.0, 1.0], 180), 3)
    fast_a[:3] = 0.0
    for name, time_s, current_a in (
        ("slow-down", slow_s, np.full(slow_s.size, -cell.capacity_ah / 25.0)),
        ("drive", fast_s, fast_a),
    ):
        voltage_v = simulate(cell, time_s, current_a, 25.0, 1.0, 1.0).voltage_v
        table = np.column_stack([time_s, current_a, voltage_v])
        head = "Test Time / s,Current / A,Voltage / V"
        np.savetxt(tmp_path / f"{name}.csv", table, "%.9g", ",", header=head, comments="")
    whole = identify_command.fit_cell
    monkeypatch.setattr(  # not to the end: this is about the words
        identify_command, "fit_cell", lambda *a, **k: whole(*a, **k | {"rounds": 2})
    )
    monkeypatch.chdir(tmp_path)
    [code] = shown_in("models/README.md")
    exec(code, {})
    assert load_cell(tmp_path / "my-cell.toml").capacity_ah == pytest.approx(
        cell.capacity_ah, rel=0.02
    )
    name, used, rms_mv = capsys.readouterr().out.splitlines()[-1].split()
    assert (name, used) == ("drive.csv", "fit")
    assert float(rms_mv) < 10.0


def test_the_page_tells_what_an_uncalibrated_model_gets():
    """The filter's own figures, and the growth of the error 25 K beyond the only temperature."""
    page = " ".join((ROOT / "models" / "README.md").read_text(encoding="utf-8").split())
    assert (
        f"learning rate {POOLED_ETA:g}, the model error {POOLED_ERROR_SCALE:g} times as large, "
        f"its memory {POOLED_TAU_SCALE:g} times as long" in page
    )
    factor = float(VoltageError(0.001, 0.0, 0.0, 600.0, 0.001).unfamiliar_factor(np.array(0.0)))
    assert f"fitted at 25 °C alone, {factor:.1f} times at 0 °C" in page
