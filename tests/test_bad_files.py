"""Files that are none, targets that cannot be written, numbers in another unit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from socband.cli import main
from socband.errors import InputError
from socband.logs import read_log
from socband.site import read_setup

SETUP = (Path(__file__).resolve().parent.parent / "examples" / "lake-cabin.toml").read_text("utf-8")


def test_a_pipe_or_a_device_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for reader in (read_setup, read_log):
        for path in (pipe, Path("/dev/zero")):
            with pytest.raises(InputError, match=r"a pipe or a device.*file"):
                reader(path)


def test_more_charge_one_way_than_the_bank_holds_is_said(tmp_path: Path) -> None:
    """Milliseconds under a heading of seconds: 5 and 6 A in turn for 983 h are 5,417 Ah."""
    rows = [f"{60_000 * k},{-5 - k % 2},13.1" for k in range(60)]
    log = tmp_path / "ms.csv"
    log.write_text("\n".join(["Test Time / s,Current / A,Voltage / V", *rows]) + "\n")
    [warning] = read_log(log, cells_in_series=4, rated_capacity_ah=100.0).warnings
    assert "54 times the rated capacity" in warning.found
    assert "in ms" in warning.hint
    assert not read_log(log, cells_in_series=4, rated_capacity_ah=2000.0).warnings


@pytest.mark.parametrize("flag", ["--seed", "--members"])
def test_a_count_is_not_rounded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], flag: str
) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text(SETUP)
    assert main(["tonight", str(setup), flag, "300.5"]) == 2
    assert "found '300.5'; expected a whole number" in capsys.readouterr().err


def test_a_home_that_cannot_be_looked_into_is_no_room() -> None:
    """A name longer than any file system takes fails as a folder without permission does."""
    code = "import socband; print(socband.__version__)"
    env = os.environ | {"HOME": "/" + 5000 * "x"}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_target_that_cannot_be_written_is_said_before_anything_is_computed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from socband import cli_shared

    assert cli_shared._can_be_written(tmp_path)
    assert not cli_shared._can_be_written(Path("/proc"))  # says of itself that root may write
    monkeypatch.setattr(cli_shared, "_can_be_written", lambda folder: False)
    setup, saved = tmp_path / "setup.toml", tmp_path / "night.nc"
    setup.write_text(SETUP)
    plot = tmp_path / "night.png"
    assert main(["tonight", str(setup), "--save", str(saved), "--plot", str(plot)]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert said.count("expected a file in a folder that can be written to") == 2
    assert sorted(tmp_path.iterdir()) == [setup]


def test_a_link_leads_to_where_it_is_checked_and_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    setup, real = tmp_path / "setup.toml", tmp_path / "results" / "night.nc"
    setup.write_text(SETUP)
    link = tmp_path / "latest.nc"
    link.symlink_to(real)
    asked = ["tonight", str(setup), "--members", "200", "--save", str(link)]
    assert main(asked) == 2
    assert "a file in a folder that exists" in " ".join(capsys.readouterr().err.split())
    real.parent.mkdir()
    assert main(asked) == 0
    assert link.is_symlink()
    assert list(real.parent.iterdir()) == [real]
