"""Where results go: never over a file that is read, in the format of the name given, and a system
that refuses names the file."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from socband.cli import main
from socband.errors import InputError
from socband.identify_command import fit_command
from socband.summary import beside

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
SETUP = (EXAMPLES / "lake-cabin.toml").read_text("utf-8")
OWN = "Test Time / s,Current / A,Voltage / V,true_soc"


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    path = tmp_path / "setup.toml"
    path.write_text(SETUP, encoding="utf-8")
    return path


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """An hour of a cell at 2 A, for bench and fit; the voltage does not matter here."""
    time_s = np.arange(0.0, 3600.0, 60.0)
    columns = (time_s, np.full(60, -2.0), 3.3 - 1e-5 * time_s, 0.9 - time_s / 3600.0)
    path = tmp_path / "record.csv"
    np.savetxt(path, np.column_stack(columns), "%.6f", ",", header=OWN, comments="")
    return path


def refused(capsys: pytest.CaptureFixture[str], *argv: object) -> str:
    """What is said of a command that is refused."""
    assert main([str(word) for word in argv]) == 2
    return " ".join(capsys.readouterr().err.split())


def link(path: Path, to: Path) -> Path:
    path.symlink_to(to.name)
    return path


@pytest.mark.parametrize("command", ["tonight", "replay", "suspects", "charging", "budget"])
@pytest.mark.parametrize("flag", ["--save", "--plot"])
@pytest.mark.parametrize("which", ["setup", "log", "model"])
def test_a_result_takes_the_place_of_no_file_that_is_read(
    setup: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
    flag: str,
    which: str,
) -> None:
    """Neither of the setup, nor of the log, nor of the model that the setup names."""
    has_log = command in ("replay", "suspects", "charging")
    if which == "log" and not has_log:
        return
    model = tmp_path / "own.toml"
    model.write_bytes((EXAMPLES.parent / "models" / "lfp-26650-2ah.toml").read_bytes())
    setup.write_text(SETUP.replace('cell = "lfp-prismatic-100ah"', 'cell = "own.toml"'))
    assert "own.toml" in setup.read_text()
    log = tmp_path / "log.csv"
    log.write_text("a log that is not even read\n")
    files = {"setup": setup, "log": log, "model": model}
    before = files[which].read_bytes()
    target = link(tmp_path / ("out.nc" if flag == "--save" else "out.png"), files[which])
    from socband import cli_shared

    monkeypatch.setattr(cli_shared, "_setup_and_cell", lambda *a: pytest.fail("begun to work"))
    said = refused(capsys, command, setup, *([log] if has_log else []), flag, target)
    assert f"{flag}: found" in said
    assert f"which is the file {files[which].name} that is read" in said
    assert files[which].read_bytes() == before
    assert target.is_symlink()


def test_a_model_takes_the_place_of_no_record(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = record.read_bytes()
    own = record.rename(tmp_path / "record.toml")
    said = refused(capsys, "fit", "--name", "x", "--dynamic", f"{own}@20", "--out", own)
    assert "which is the file record.toml that is read" in said
    page = link(tmp_path / "page.html", own)
    said = refused(capsys, "fit", "--name", "x", "--dynamic", f"{own}@20", "--report", page)
    assert "--report: found" in said
    with pytest.raises(InputError, match="that is read"):
        fit_command(name="x", dynamic=own, out=own)
    assert own.read_bytes() == before


def test_a_picture_takes_the_place_of_no_model(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    model = tmp_path / "own.toml"
    model.write_bytes((EXAMPLES.parent / "models" / "lfp-26650-2ah.toml").read_bytes())
    said = refused(capsys, "cell", model, "--plot", link(tmp_path / "own.png", model))
    assert "which is the file own.toml that is read" in said


@pytest.mark.parametrize("name", ["out.nc", "out.nc.part"])
def test_scores_take_the_place_of_no_record(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """Nor does their journal; a record may be named in a plan too."""
    link(tmp_path / name, record)
    before = record.read_bytes()
    plan = tmp_path / "plan.toml"
    plan.write_text('records = ["record.csv"]\ncell = "lfp-26650-2ah"\nestimators = "open_loop"\n')
    own = ("--records", record, "--cell", "lfp-26650-2ah", "--estimators", "open_loop")
    for asked in (own, (plan,)):
        said = refused(capsys, "bench", *asked, "--save", tmp_path / "out.nc")
        assert "which is the file record.csv that is read" in said
    assert record.read_bytes() == before


def test_pictures_of_a_bench_take_the_place_of_no_record(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "pictures"
    folder.mkdir()
    (folder / "coverage.png").symlink_to(record)
    own = ("--records", record, "--cell", "lfp-26650-2ah", "--estimators", "open_loop")
    assert "record.csv that is read" in refused(capsys, "bench", *own, "--plot", folder)


def test_two_results_do_not_share_a_file(
    setup: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    link(tmp_path / "out.png", tmp_path / "out.nc")
    asked = ("--save", tmp_path / "out.nc", "--plot", tmp_path / "out.png")
    assert "the file of --save" in refused(capsys, "tonight", setup, *asked)


def test_a_device_is_no_target(
    setup: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file renamed over it would end it for everybody."""
    pipe = tmp_path / "out.nc"
    os.mkfifo(pipe)
    assert "a pipe or a device" in refused(capsys, "tonight", setup, "--save", pipe)


def test_the_format_is_that_of_the_name_given(setup: Path, tmp_path: Path) -> None:
    """A link may lead to a file of another ending, or of none."""
    other = tmp_path / "latest.bin"
    other.write_bytes(b"")
    for name, head in (("a.png", b"\x89PNG"), ("a.svg", b"<?xml"), ("a.pdf", b"%PDF")):
        target = link(tmp_path / name, other)
        asked = ("tonight", str(setup), "--members", "200", "--plot", str(target))
        assert main(list(asked)) == 0
        assert other.read_bytes().startswith(head)
        assert target.is_symlink()


def test_a_full_disk_names_the_file(tmp_path: Path) -> None:
    """A plain write says none; and of a scratch file nobody knows the name."""
    target = tmp_path / "night.nc"
    for names in ((), (str(tmp_path / f".night.{os.getpid()}.nc"),)):
        with pytest.raises(OSError, match=r"night\.nc") as caught, beside(target):
            raise OSError(errno.ENOSPC, "No space left on device", *names)
        assert caught.value.filename == str(target)
    with pytest.raises(OSError, match=r"other\.csv"), beside(target):
        raise OSError(errno.ENOENT, "No such file", "other.csv")
    assert not list(tmp_path.iterdir())


def test_what_cannot_be_renamed_names_the_target_and_leaves_nothing(tmp_path: Path) -> None:
    target = tmp_path / "night.nc"
    inside = beside(target)
    inside.__enter__().write_text("x")
    target.mkdir()
    with pytest.raises(OSError, match="night") as caught:
        inside.__exit__(None, None, None)
    assert caught.value.filename == str(target)
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
def test_a_full_disk_behind_standard_output_is_named() -> None:
    with open("/dev/full", "wb") as full:
        command = [sys.executable, "-m", "socband", "cell", "lfp-26650-2ah"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120)
    assert done.returncode == 2
    assert done.stderr.strip() == "socband: standard output: No space left on device"


def test_a_folder_for_pictures_is_checked_before_the_run(
    record: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from socband import bench

    monkeypatch.setattr(bench, "run_bench", lambda *a: pytest.fail("run first"))
    own = ("--records", record, "--cell", "lfp-26650-2ah", "--estimators", "open_loop")
    for folder in (record, record / "below"):
        said = refused(capsys, "bench", *own, "--plot", folder)
        assert "--plot: found" in said
        assert "no folder; expected the name of a folder" in said
    blocked = tmp_path / "pictures" / "bands.png"
    blocked.mkdir(parents=True)
    assert "bands.png, a folder" in refused(capsys, "bench", *own, "--plot", blocked.parent)
