"""The command as a stranger meets it: help, text within 80 columns, JSON, files, seeds, errors."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from socband import __version__
from socband.cli import build_app, main
from socband.report import wrapped

ROOT = Path(__file__).resolve().parent.parent
CABIN = str(ROOT / "examples" / "lake-cabin.toml")
FEW = ["--members", "400"]

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Exit code, standard output and standard error of a command, in this process."""
    monkeypatch.setenv("COLUMNS", "80")

    def call(*argv: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["socband", *argv])
        code = main(list(argv))
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


def commands() -> list[str]:
    return sorted(name for name in build_app() if not name.startswith("-"))


def test_the_commands_of_the_main_job_are_there() -> None:
    assert {"tonight", "replay", "check"} <= set(commands())


@pytest.mark.parametrize("command", ["", *commands()])
def test_help_from_docstrings(run: Run, command: str) -> None:
    """Every command and every flag is explained, within 80 columns."""
    code, out, err = run(*filter(None, [command]), "--help")
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
    if command:
        function = build_app()[command].default_command
        assert function.__doc__.strip().splitlines()[0].rstrip(".") in " ".join(out.split())
        documented = function.__doc__
        for name in function.__annotations__:
            if name != "return":
                assert f"{name}:" in documented, f"--{name} has no description"
    else:
        for name in commands():
            assert name in out


def test_version(run: Run) -> None:
    assert run("--version") == (0, f"{__version__}\n", "")


def test_tonight_in_words(run: Run) -> None:
    """What an owner asks: display, likely charge with its band, disconnect, chance, cause."""
    code, out, err = run("tonight", CABIN, *FEW)
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
    for words in ("Display says", "46 %", "90 % sure", "Ah", "Disconnects in", "07:00", "widens"):
        assert words in out
    for caution in ("life-supporting", "electrician", "0 °C", "Local electrical codes"):
        assert caution in " ".join(out.split())
    assert "\x1b" not in out  # no colours where no terminal is
    assert "nan" not in out.lower()


def test_tonight_json(run: Run) -> None:
    """The keys that other programs rely on, with sane values."""
    code, out, _ = run("tonight", CABIN, *FEW, "--json", "--seed", "7")
    answer = json.loads(out)
    assert code == 0
    wanted = {
        "display_soc",
        "soc",
        "charge_left_ah",
        "lvd_hours",
        "lvd_not_within_horizon",
        "lasts_until",
        "widest_unknown",
        "members",
        "seed",
        "cautions",
    }
    assert wanted <= set(answer)
    assert answer["display_soc"] == 0.46
    assert (answer["members"], answer["seed"]) == (400, 7)
    for key in ("soc", "charge_left_ah", "lvd_hours"):
        assert list(answer[key]) == ["p05", "p25", "p50", "p75", "p95"]
        known = [value for value in answer[key].values() if value is not None]
        assert known == sorted(known)
    assert all(0 <= value <= 1 for value in answer["soc"].values())
    assert list(answer["lasts_until"]) == ["07:00"]
    assert 0 <= answer["lasts_until"]["07:00"] <= 1
    assert 0 <= answer["lvd_not_within_horizon"] <= 1
    assert len(answer["cautions"]) >= 3


def test_beyond_the_horizon_is_null(run: Run) -> None:
    """A full bank with little to feed: what does not happen within the horizon is no number."""
    code, out, _ = run("tonight", CABIN, *FEW, "--display", "100", "--since-full", "0", "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["lvd_not_within_horizon"] > 0.05
    assert answer["lvd_hours"]["p95"] is None
    text = run("tonight", CABIN, *FEW, "--display", "100", "--since-full", "0")[1]
    assert "over 48 h" in text


def test_overrides(run: Run) -> None:
    """Flags of the moment replace the file's values, display in percent."""
    flags = ["--display", "62", "--since-full", "26", "--temperature", "4", "--now", "20:15"]
    code, out, _ = run("tonight", CABIN, *FEW, *flags, "--until", "06:30", "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["display_soc"] == 0.62
    assert list(answer["lasts_until"]) == ["06:30"]
    text = run("tonight", CABIN, *FEW, *flags, "--until", "06:30")[1]
    assert "26 h since full" in text
    assert "(10.2 h from now)" in " ".join(text.split())  # 20:15 to 06:30


def test_same_seed_same_numbers(run: Run) -> None:
    first = run("tonight", CABIN, *FEW, "--json", "--seed", "3")
    assert first == run("tonight", CABIN, *FEW, "--json", "--seed", "3")
    other = json.loads(run("tonight", CABIN, *FEW, "--json", "--seed", "4")[1])
    assert other["soc"] != json.loads(first[1])["soc"]


def test_more_members_same_answer(run: Run) -> None:
    """Two seeds of 4000 members: medians of charge within a percent, chance within five."""
    a, b = (
        json.loads(run("tonight", CABIN, "--members", "4000", "--seed", s, "--json")[1])
        for s in ("0", "1")
    )
    assert abs(a["soc"]["p50"] - b["soc"]["p50"]) < 0.01
    # five standard errors of a difference of two proportions
    error = 5 * math.sqrt(2 * 0.25 / 4000)
    assert abs(a["lasts_until"]["07:00"] - b["lasts_until"]["07:00"]) < error


def test_netcdf_and_picture(run: Run, tmp_path: Path) -> None:
    """NetCDF that xarray reads, with CF attributes and the history; a picture of a fair size."""
    import xarray as xr

    saved, drawn = tmp_path / "night.nc", tmp_path / "night.png"
    code, out, _ = run("tonight", CABIN, *FEW, "--save", str(saved), "--plot", str(drawn), "--json")
    assert code == 0
    answer = json.loads(out)
    with xr.open_dataset(saved, engine="h5netcdf", decode_times=False) as read:
        assert read.attrs["Conventions"].startswith("CF-1")
        assert "socband tonight" in read.attrs["history"]
        assert read.sizes["member"] == 400
        assert read["soc_now"].attrs["units"] == "1"
        middle = np.sort(read["soc_now"].values)[199]
        assert middle == pytest.approx(answer["soc"]["p50"])
        for name, variable in read.variables.items():
            if variable.dtype.kind == "f":
                assert "units" in variable.attrs, name
                assert "long_name" in variable.attrs, name
    assert drawn.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert 10_000 < drawn.stat().st_size < 300_000
    assert {entry.name for entry in tmp_path.iterdir()} == {"night.nc", "night.png"}


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (["tonigth", CABIN], "tonight"),
        (["tonight"], "SETUP"),
        (["tonight", CABIN, "--dispaly", "60"], "--display"),
        (["tonight", CABIN, "--members", "lots"], "lots"),
        (["nonsense"], "There are: tonight, replay, check, suspects, charging, budget, cell, fit"),
        (["budgett", CABIN], 'unknown command "budgett". Did you mean "budget"?'),
        (["tonight", CABIN, "--display", "lots"], "--display: found 'lots'; expected a percentage"),
        (["tonight", CABIN, "--display", "46Ah"], "as a number, such as 46"),
        (["tonight", CABIN, "--temperature", "-4F"], "found '-4F'; expected degrees Celsius"),
        (["tonight", CABIN, "--members", "3"], "--members: found 3"),
        (["tonight", CABIN, "--seed", "-1"], "--seed: found -1"),
        (["tonight", CABIN, "--display", "0.62"], "--display"),
        (["tonight", CABIN, "--until", "7am"], "--until"),
        (["tonight", "none.toml"], "none.toml"),
        (["tonight", CABIN, "--save", "out.txt"], "--save"),
        (["tonight", CABIN, "--save", "no/such/folder/out.nc"], "--save"),
        (["tonight", CABIN, "--plot", "out.doc"], "--plot"),
        (["replay", CABIN, "none.csv"], "none.csv"),
        (["replay", CABIN, "none.csv", "--column", "current"], "--column"),
        (["check", "none.toml", "none.csv"], "2 problems"),
    ],
)
def test_mistakes_are_told_and_exit_2(run: Run, argv: list[str], says: str) -> None:
    code, out, err = run(*argv)
    assert code == 2
    assert out == ""
    assert says in " ".join(err.split())
    assert "Traceback" not in err
    assert max(len(line) for line in err.splitlines()) <= 80


@pytest.mark.parametrize(
    ("plain", "typed"),
    [
        (["--display", "46"], ["--display", "46%"]),
        (["--display", "46.5", "--want", "95"], ["--display", "46,5 %", "--want", "95%"]),
        (["--since-full", "30", "--temperature", "-4"],
         ["--since-full", "30h", "--temperature", "-4°C"]),
    ],
)  # fmt: skip
def test_a_unit_may_stand_behind_a_number(run: Run, plain: list[str], typed: list[str]) -> None:
    first, second = (run("tonight", CABIN, *FEW, *flags) for flags in (plain, typed))
    assert second[0] == 0
    assert first == second


@pytest.mark.parametrize(
    ("command", "flag", "value", "says"),
    [
        ("tonight", "--want", "0.95", "--want 95"),
        ("tonight", "--display", "0.46", "--display 46"),
        ("budget", "--within", "0.05", "--within 5"),
    ],
)
def test_a_share_where_percent_are_wanted_comes_with_what_to_type(
    run: Run, command: str, flag: str, value: str, says: str
) -> None:
    code, _, err = run(command, CABIN, flag, value)
    assert code == 2
    assert says in " ".join(err.split())


def test_check(run: Run) -> None:
    """Fine, with every assumption and its source."""
    code, out, _ = run("check", CABIN)
    assert code == 0
    assert "fine" in out.splitlines()[0]
    assert "assumed" in out
    assert max(len(line) for line in out.splitlines()) <= 80


@pytest.mark.parametrize(
    ("set_ah", "says"), [(300, "it shows about 68 %"), (150, "it shows about 37 %"), (220, "")]
)
def test_check_notes_a_capacity_setting_that_is_off(
    run: Run, tmp_path: Path, set_ah: int, says: str
) -> None:
    """Half of what is assumed to be left of 200 Ah, 95 %, are 95 Ah: 1 - 95/300, 1 - 95/150."""
    setup = tmp_path / "setup.toml"
    bank = 'cell = "lfp-prismatic-100ah"\ncells_in_series = 4\nrated_capacity_ah = 200\n'
    setup.write_text(f"[bank]\n{bank}[monitor]\nassumed_capacity_ah = {set_ah}\n")
    code, out, _ = run("check", str(setup))
    assert code == 0  # a note, no error
    assert ("fine." in out.splitlines()[0]) == (not says)
    assert says in " ".join(out.split())
    assert ("monitor.assumed_capacity_ah is" in out) == bool(says)
    assert max(len(line) for line in out.splitlines()) <= 80


def test_nothing_but_the_answer_when_no_terminal_listens() -> None:
    """As a process with pipes: no progress bar, no warnings, nothing on standard error."""
    argv = [sys.executable, "-m", "socband.cli", "tonight", CABIN, *FEW, "--json"]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0
    assert done.stderr == ""
    assert json.loads(done.stdout)["members"] == 400


@pytest.mark.parametrize("arguments", [["--help"], ["tonight", "--help"], ["--version"], ["cell"]])
@pytest.mark.parametrize("buffered", ["", "1"])
def test_a_pipe_that_nobody_reads_is_no_failure(arguments: list[str], buffered: str) -> None:
    """As behind `| head` or `| true`: the reader is gone before anything is written."""
    reader, writer = os.pipe()
    os.close(reader)
    argv = [sys.executable, "-m", "socband", *arguments]
    env = os.environ | {"PYTHONUNBUFFERED": buffered}
    done = subprocess.run(argv, stdout=writer, stderr=subprocess.PIPE, env=env, timeout=120)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


def test_an_interrupt_while_it_is_loaded_has_no_traceback() -> None:
    """A package that raises what Ctrl-C raises; 130 is 128 and the number of the signal."""
    code = (
        "import sys\n"
        "class Finder:\n"
        "    def find_spec(self, name, *rest):\n"
        "        if name == 'cyclopts': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Finder())\n"
        "from socband.__main__ import main\n"
        "sys.exit(main())"
    )
    argv = [sys.executable, "-c", code]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_progress_only_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from socband import cli_shared

    monkeypatch.setattr(cli_shared, "SHOWN_AFTER_S", -1.0)
    for terminal in (False, True):
        monkeypatch.setattr(sys.stderr, "isatty", lambda terminal=terminal: terminal)
        progress = cli_shared.Progress("working")
        progress(1, 2)
        progress(2, 2)
        assert ("working" in capsys.readouterr().err) == terminal


def test_a_full_disk_is_one_line(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the system refuses is said with the file's name; exit code 2; nothing left behind."""

    def refuse(self: Path, content: bytes) -> int:
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr(Path, "write_bytes", refuse)
    code, _, err = run("tonight", CABIN, *FEW, "--save", str(tmp_path / "night.nc"))
    assert code == 2
    assert "No space left on device" in err
    assert not list(tmp_path.iterdir())


def test_a_title_with_dollar_signs_is_drawn(run: Run, tmp_path: Path) -> None:
    """Two of them are no formula."""
    text = Path(CABIN).read_text(encoding="utf-8").replace("Lake cabin", r"Cost $5 and \\alpha $10")
    setup = tmp_path / "setup.toml"
    setup.write_text(text, encoding="utf-8")
    code, _, err = run("tonight", str(setup), *FEW, "--plot", str(tmp_path / "night.png"))
    assert (code, err) == (0, "")
    assert (tmp_path / "night.png").stat().st_size > 10_000


def test_sigterm_ends_the_command_and_its_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a service manager ends it: what was begun is unwound, no worker goes on alone."""
    import multiprocessing
    import os
    import signal
    import time

    from socband import cli

    worker = multiprocessing.get_context("spawn").Process(target=time.sleep, args=(600,))
    unwound = []

    def command(argv: list[str]) -> None:
        worker.start()
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(60)
        finally:
            unwound.append(argv)

    before = signal.getsignal(signal.SIGTERM)
    # not the end of this test run, where nobody listens
    monkeypatch.setattr(cli, "build_app", lambda: command)
    signal.signal(signal.SIGTERM, lambda number, frame: None)
    try:
        assert cli.main(["anything"]) == 128 + signal.SIGTERM
        worker.join(30)
        assert worker.exitcode == -signal.SIGTERM
        assert unwound == [["anything"]]
    finally:
        worker.kill()
        signal.signal(signal.SIGTERM, before)


def test_a_line_never_ends_between_a_number_and_its_unit():
    """Whatever the width leaves: every length of the text before it is tried."""
    for unit in ("%", "h", "Ah", "°C", "A", "V", "W"):
        for length in range(40, 80):
            text = wrapped("x" * length + f" about 95 {unit}. After 12 hours")
            assert f"95 {unit}." in text
            assert " ".join(text.split()) == "x" * length + f" about 95 {unit}. After 12 hours"
    assert "\n" in wrapped("y" * 72 + " in 12 Volts")  # a word is no unit


def test_help_is_offered_of_the_command_that_was_typed(capsys) -> None:
    for typed, offered in ((["tonight", CABIN, "--bla"], "socband tonight"), (["tonite"], "socband")):
        assert main(typed) == 2
        assert capsys.readouterr().err.endswith(f"Try: {offered} --help\n")
