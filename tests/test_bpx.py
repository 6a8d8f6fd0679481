"""BPX import against the published table of the open example cell (computed beforehand
from the electrode functions of the file published with the BPX standard)."""

from __future__ import annotations

import json

import numpy as np
import pytest

pytest.importorskip("bpx", reason="the bpx extra is not installed")

from socband import bpx_import
from socband.errors import InputError
from socband.identify_doubts import doubts_on_size
from socband.models import dump_cell

SOC = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
OCV_V = [2.0000, 3.1365, 3.1882, 3.2296, 3.2674, 3.2750, 3.2781, 3.2864, 3.3057, 3.3181, 3.3218,
         3.3227, 3.6486]  # fmt: skip
ENTROPY_MV_PER_K = [-0.224, -0.386, -0.488, -0.196, -0.088, -0.061, -0.039, -0.014, 0.012, 0.038,
                    0.067, 0.085, 0.102]  # fmt: skip


@pytest.fixture
def example(data_dir):
    return data_dir / "cell-18650-2ah" / "lfp_18650_cell_BPX.json"


def test_full_cell_table(example):
    ocv, entropy = bpx_import.full_cell(example, SOC)
    np.testing.assert_allclose(ocv, OCV_V, atol=1e-3)
    np.testing.assert_allclose(1e3 * entropy, ENTROPY_MV_PER_K, atol=2e-3)


def test_cell_from_bpx(example):
    cell = bpx_import.cell_from_bpx(example, "imported")
    assert cell.capacity_ah == 2.0
    assert (cell.lower_v, cell.upper_v) == (2.0, 3.65)
    got = np.interp(SOC, cell.ocv.soc, cell.ocv.value)
    np.testing.assert_allclose(got, OCV_V, atol=1e-3)
    assert cell.relative_spread("resistance.r0.ref_ohm") >= 0.3
    assert cell.sources["hysteresis.half_gap_v"].startswith("assumed")
    assert cell.sources["ocv.voltage_v"].startswith("BPX file")
    assert dump_cell(cell) == dump_cell(bpx_import.cell_from_bpx(example, "imported"))


def test_an_imported_cell_resists_as_measured_ones_do(example):
    """All resistance at 25 °C times the capacity: 0.07 to 0.20 ohm·Ah in the three fitted cells."""
    cell = bpx_import.cell_from_bpx(example, "imported")
    ohm_ah = sum(r.ref_ohm for r in (cell.r0, cell.r1, cell.r2)) * cell.capacity_ah
    assert 0.07 < ohm_ah < 0.20
    assert doubts_on_size(cell) == []


def test_a_file_of_another_chemistry_or_no_capacity_is_refused(example, tmp_path):
    table = json.loads(example.read_text(encoding="utf-8"))
    part = table["Parameterisation"]
    path = tmp_path / "other.json"
    part["Positive electrode"]["OCP [V]"] += " + 0.6"
    path.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(InputError, match="as in any LFP cell"):
        bpx_import.cell_from_bpx(path, "other")
    table = json.loads(example.read_text(encoding="utf-8"))
    table["Parameterisation"]["Cell"]["Nominal cell capacity [A.h]"] = -2.0
    path.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(InputError, match="nominal capacity"):
        bpx_import.cell_from_bpx(path, "none")


def test_diffusion_time(example):
    """R²/(20.19·D) of the graphite, which bends the low end, λ₁ = 4.4934 the first root of
    tan λ = λ; radius and diffusivity as the file has them."""
    want = (4.8e-6) ** 2 / 9.6e-15 / 4.493409**2
    assert bpx_import.diffusion_time_s(example) == pytest.approx(want, rel=1e-5)


def test_not_a_bpx_file(tmp_path):
    path = tmp_path / "no.json"
    path.write_text(json.dumps({"Header": {"BPX": "1.0", "Title": "x"}}), encoding="utf-8")
    with pytest.raises(InputError, match=r"no\.json"):
        bpx_import.full_cell(path, SOC)
    with pytest.raises(InputError, match="no such file"):
        bpx_import.full_cell(tmp_path / "none.json", SOC)


def test_a_byte_order_mark_is_read_over(example, tmp_path):
    marked = tmp_path / "marked.json"
    marked.write_text(example.read_text(encoding="utf-8"), encoding="utf-8-sig")
    assert bpx_import.diffusion_time_s(marked) == bpx_import.diffusion_time_s(example)
